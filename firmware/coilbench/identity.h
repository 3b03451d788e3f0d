// Who the rig is: an id made at its first start and kept in EEPROM, and a count of starts.
#pragma once

#include <avr/eeprom.h>

#include "board.h"

static const uintptr_t kIdAt = 0;     // 8 bytes
static const uintptr_t kCheckAt = 8;  // CRC over them: an unwritten EEPROM fails it
static const uintptr_t kBootAt = 12;  // 4 bytes; some 100,000 starts until the cell is worn

static uint16_t id_check(uint32_t high, uint32_t low) {
  uint16_t crc = coilbench::kCrcStart;
  for (int8_t shift = 24; shift >= 0; shift -= 8) {
    crc = coilbench::crc_add(crc, static_cast<uint8_t>(high >> shift));
    crc = coilbench::crc_add(crc, static_cast<uint8_t>(low >> shift));
  }
  return crc;
}

// Noise enough to tell two rigs apart: what the RAM held at power-up (another in each chip) and
// the last bits of an analogue pin that is not connected. FNV-1a, in two halves.
static void make_id(uint32_t& high, uint32_t& low) {
  high = 2166136261u;
  low = 0x5BD1E995u;
  for (uint16_t at = RAMSTART; at < RAMEND; ++at) {
    const uint8_t byte = *reinterpret_cast<volatile uint8_t*>(at);
    high = (high ^ byte) * 16777619u;
    low = (low ^ static_cast<uint8_t>(byte + at)) * 16777619u;
  }
  for (uint8_t i = 0; i < 64; ++i) {
    const uint8_t byte = static_cast<uint8_t>(analogRead(A5));
    high = (high ^ byte) * 16777619u;
    low = (low ^ static_cast<uint8_t>(byte + i)) * 16777619u;
    wdt_reset();
  }
}

static coilbench::Identity load_identity() {
  uint32_t high = eeprom_read_dword(reinterpret_cast<const uint32_t*>(kIdAt));
  uint32_t low = eeprom_read_dword(reinterpret_cast<const uint32_t*>(kIdAt + 4));
  if (eeprom_read_word(reinterpret_cast<const uint16_t*>(kCheckAt)) != id_check(high, low)) {
    make_id(high, low);
    eeprom_update_dword(reinterpret_cast<uint32_t*>(kIdAt), high);
    eeprom_update_dword(reinterpret_cast<uint32_t*>(kIdAt + 4), low);
    eeprom_update_word(reinterpret_cast<uint16_t*>(kCheckAt), id_check(high, low));
  }
  const uint32_t boot = eeprom_read_dword(reinterpret_cast<const uint32_t*>(kBootAt)) + 1;
  eeprom_update_dword(reinterpret_cast<uint32_t*>(kBootAt), boot);
  const coilbench::Identity identity = {high, low, boot};
  return identity;
}
