// The wire (../PROTOCOL.md): lines with a CRC to the host, requests from it.
#pragma once

#include <stdint.h>

#include "queue.h"

namespace coilbench {

// CRC-16/CCITT-FALSE of one more byte: start with kCrcStart. Polynomial 0x1021 a byte at a time,
// without a table: RAM is scarce. Written in bytes, since longer shifts are loops on this chip.
static const uint16_t kCrcStart = 0xFFFF;

inline uint16_t crc_add(uint16_t crc, uint8_t byte) {
  uint8_t x = static_cast<uint8_t>((crc >> 8) ^ byte);
  x = static_cast<uint8_t>(x ^ (x >> 4));
  const uint8_t high = static_cast<uint8_t>(crc ^ (x << 4) ^ (x >> 3));
  const uint8_t low = static_cast<uint8_t>(x ^ (x << 5));
  return static_cast<uint16_t>(high << 8 | low);
}

inline char hex_digit(uint8_t nibble) {
  return static_cast<char>(nibble < 10 ? '0' + nibble : 'A' + nibble - 10);
}

// The value of an upper-case hex digit, or -1.
inline int8_t hex_value(char digit) {
  if (digit >= '0' && digit <= '9') {
    return static_cast<int8_t>(digit - '0');
  }
  if (digit >= 'A' && digit <= 'F') {
    return static_cast<int8_t>(digit - 'A' + 10);
  }
  return -1;
}

// The largest magnitude that seven digits show.
static const int32_t kDecimalLimit = 9999999;

// One line on its way into the queue: fields are separated by a space each.
class Line {
 public:
  Line(LineQueue& queue, char kind) : queue_(queue) { put(static_cast<uint8_t>(kind)); }

  Line& text(const char* words) {
    put(' ');
    return more(words);
  }

  // Text that follows without a space.
  Line& more(const char* words) {
    for (; *words != '\0'; ++words) {
      put(static_cast<uint8_t>(*words));
    }
    return *this;
  }

  // An even number of digits, eight at most.
  Line& hex(uint32_t value, uint8_t digits) {
    put(' ');
    return more_hex(value, digits);
  }

  // Byte by byte: a 32-bit shift by a variable, or by 28, is a slow loop on this chip.
  Line& more_hex(uint32_t value, uint8_t digits) {
    const uint8_t bytes[4] = {static_cast<uint8_t>(value), static_cast<uint8_t>(value >> 8),
                              static_cast<uint8_t>(value >> 16),
                              static_cast<uint8_t>(value >> 24)};
    for (uint8_t at = static_cast<uint8_t>(digits / 2); at > 0; --at) {
      const uint8_t byte = bytes[at - 1];
      put(static_cast<uint8_t>(hex_digit(static_cast<uint8_t>(byte >> 4))));
      put(static_cast<uint8_t>(hex_digit(static_cast<uint8_t>(byte & 0x0F))));
    }
    return *this;
  }

  // Sign and seven digits. The value must lie within kDecimalLimit.
  Line& decimal(int32_t value) {
    put(' ');
    put(value < 0 ? '-' : '+');
    uint32_t rest = static_cast<uint32_t>(value < 0 ? -value : value);
    // Subtraction: a 32-bit division costs this chip some 600 cycles a digit.
    for (uint32_t power = 1000000; power > 0; power = next_power(power)) {
      uint8_t digit = '0';
      while (rest >= power) {
        rest -= power;
        ++digit;
      }
      put(digit);
    }
    return *this;
  }

  // A small number without leading zeros.
  Line& more_number(uint32_t value) {
    uint32_t power = 1;
    while (value / power >= 10) {
      power *= 10;
    }
    for (; power > 0; power /= 10) {
      put(static_cast<uint8_t>('0' + value / power % 10));
    }
    return *this;
  }

  // Close the line with its CRC. Returns false, with nothing sent, when it does not fit.
  bool send() {
    const uint16_t crc = crc_;
    hex(crc, 4);
    queue_.put('\n');
    return queue_.commit();
  }

 private:
  void put(uint8_t byte) {
    crc_ = crc_add(crc_, byte);
    queue_.put(byte);
  }

  static uint32_t next_power(uint32_t power) {
    switch (power) {
      case 1000000: return 100000;
      case 100000: return 10000;
      case 10000: return 1000;
      case 1000: return 100;
      case 100: return 10;
      case 10: return 1;
      default: return 0;
    }
  }

  LineQueue& queue_;
  uint16_t crc_ = kCrcStart;
};

// Reads `Q gg word CRC` out of whatever arrives; never more than one line is remembered.
class RequestReader {
 public:
  enum Outcome : uint8_t {
    kNothing,     // in the middle of a line
    kRequest,     // a request with a right CRC: see tag() and word()
    kUnreadable,  // a line that is no request
  };

  Outcome feed(uint8_t byte) {
    if (byte == '\n') {
      const Outcome outcome = parse();
      length_ = 0;
      overlong_ = false;
      return outcome;
    }
    if (length_ == sizeof(line_) - 1) {
      overlong_ = true;
    } else {
      line_[length_] = static_cast<char>(byte);
      ++length_;
    }
    return kNothing;
  }

  uint8_t tag() const { return tag_; }

  // Ends in a zero; holds until the next byte is fed.
  const char* word() const { return line_ + kWordAt; }

 private:
  static const uint8_t kWordAt = 5;  // after "Q gg "
  static const uint8_t kTail = 5;    // " CRC"

  Outcome parse() {
    if (overlong_ || length_ < kWordAt + 1 + kTail) {
      return kUnreadable;
    }
    const uint8_t end = static_cast<uint8_t>(length_ - kTail);
    uint16_t crc = kCrcStart;
    for (uint8_t i = 0; i < end; ++i) {
      crc = crc_add(crc, static_cast<uint8_t>(line_[i]));
    }
    for (uint8_t i = 0; i < 4; ++i) {
      const uint8_t nibble = static_cast<uint8_t>((crc >> (4 * (3 - i))) & 0x0F);
      if (line_[end + 1 + i] != hex_digit(nibble)) {
        return kUnreadable;
      }
    }
    const int8_t high = hex_value(line_[2]);
    const int8_t low = hex_value(line_[3]);
    const bool shaped = line_[0] == 'Q' && line_[1] == ' ' && high >= 0 && low >= 0 &&
                        line_[4] == ' ' && line_[end] == ' ';
    if (!shaped || !plain_word(end)) {
      return kUnreadable;
    }
    tag_ = static_cast<uint8_t>(high * 16 + low);
    line_[end] = '\0';
    return kRequest;
  }

  // One word of printable ASCII: it is repeated in the answer, which must stay one line.
  bool plain_word(uint8_t end) const {
    for (uint8_t i = kWordAt; i < end; ++i) {
      if (line_[i] <= ' ' || line_[i] > '~') {
        return false;
      }
    }
    return true;
  }

  char line_[27];  // the longest known request is 15 bytes
  uint8_t length_ = 0;
  uint8_t tag_ = 0;
  bool overlong_ = false;
};

}  // namespace coilbench
