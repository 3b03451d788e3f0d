// The whole core on a double of the board: an HX711 that answers pulse by pulse, a clock that
// the test moves, a line whose speed it sets.
#pragma once

#include <cstdlib>
#include <deque>

#include "check.h"
#include "coilbench_core.h"

template <class Scale>
struct Bench {
  typedef coilbench::Latch<Scale> Latch;

  uint32_t now = 0;
  Scale scale;
  // The HX711.
  bool powered = true;
  bool ready = false;
  bool stuck_low = false;
  int pulses = 0;
  uint32_t word = 0;
  // The interrupt's work.
  bool latched = false;
  bool listening = false;
  Latch latch = Latch();
  // The line.
  std::string heard;
  std::deque<uint8_t> asked;
  long credit = 1000000000;  // bytes the UART still takes
  bool accept = false, redo = false;
  bool lit = false;

  uint32_t now_us() { return now; }
  bool take_latch(Latch& taken) {
    if (!latched) {
      return false;
    }
    taken = latch;
    latched = false;
    latch.missed = 0;
    return true;
  }
  typename Scale::Snapshot travel_now() { return scale.snapshot(); }
  bool dout() const {
    if (stuck_low) {
      return false;
    }
    if (!powered || !ready) {
      return true;
    }
    return pulses > 0 && (pulses > 24 || ((word >> (24 - pulses)) & 1) != 0);
  }
  bool adc_ready() { return !dout(); }
  bool adc_clock() {
    ++pulses;
    return dout();
  }
  void adc_power(bool on) {
    powered = on;
    ready = false;
  }
  void adc_deafen() { listening = false; }
  void adc_listen() { listening = true; }
  bool accept_closed() { return accept; }
  bool redo_closed() { return redo; }
  int receive() {
    if (asked.empty()) {
      return -1;
    }
    const int byte = asked.front();
    asked.pop_front();
    return byte;
  }
  bool transmit_room() { return credit > 0; }
  void transmit(uint8_t byte) {
    --credit;
    heard += static_cast<char>(byte);
  }
  void led(bool on) { lit = on; }

  void convert(int32_t counts) {
    if (!powered) {
      return;
    }
    word = static_cast<uint32_t>(counts) & 0xFFFFFFu;
    ready = true;
    pulses = 0;
    if (listening) {
      fall();
    }
  }
  void fall() {
    if (latched) {
      ++latch.missed;
    }
    latch.t_us = now;
    latch.travel = scale.snapshot();
    latched = true;
  }
  std::vector<std::string> lines(char kind) {
    std::vector<std::string> found;
    std::stringstream all(heard);
    for (std::string line; std::getline(all, line);) {
      if (line[0] == kind) {
        found.push_back(line);
      }
    }
    return found;
  }
};

template <class Scale>
struct HarnessOf {
  Bench<Scale> bench;
  coilbench::Rig<Bench<Scale>, Scale> rig;
  int32_t next = 1000;

  explicit HarnessOf(bool after_watchdog = false, bool reversed = false, uint32_t at = 0)
      : rig(bench, bench.scale) {
    bench.now = at;
    rig.begin({0x00112233, 0x445566AA, 0xDEADBEEF}, {80, 128, 250000, Scale::name(), "5"},
              reversed, after_watchdog);
    run(1000, 0);
  }
  // Steps of 1 ms; a conversion every period_ms, none when 0.
  void run(int ms, int period_ms) {
    for (int i = 0; i < ms; ++i) {
      bench.now += 1000;
      if (period_ms > 0 && i % period_ms == 0) {
        bench.convert(next++);
      }
      rig.step();
    }
  }
  void settle() { run(50, 12); }
  void ask(const std::string& body) {
    uint16_t crc = coilbench::kCrcStart;
    for (const char byte : body) {
      crc = coilbench::crc_add(crc, static_cast<uint8_t>(byte));
    }
    char tail[8];
    snprintf(tail, sizeof tail, " %04X\n", crc);
    send(body + tail);
  }
  void send(const std::string& bytes) {
    bench.asked.insert(bench.asked.end(), bytes.begin(), bytes.end());
  }
};

typedef HarnessOf<coilbench::QuadratureScale> Harness;

inline std::string field(const std::string& line, size_t index) {
  std::stringstream rest(line);
  std::string word;
  for (size_t i = 0; i <= index; ++i) {
    rest >> word;
  }
  return word;
}

inline unsigned long hex(const std::string& digits) { return std::strtoul(digits.c_str(), nullptr, 16); }
