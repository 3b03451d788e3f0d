// Ways to read travel. Each has a small part for interrupts and a part for the main loop; what
// passes between them is a Snapshot, taken with interrupts masked.
//
// A snapshot's counters are 16 bits, because an interrupt on an 8-bit chip should be short; the
// main loop widens them by signed differences, so it may be given an older snapshot after a
// newer one.
#pragma once

#include <stdint.h>

namespace coilbench {

struct Travel {
  int32_t counts;
  bool absent;  // no valid reading
};

// A linear scale with two outputs a quarter period apart; each edge is a count.
class QuadratureScale {
 public:
  static const bool kCanFallSilent = false;  // at rest it says nothing, and that is right
  static const char* name() { return "quadrature"; }

  struct Snapshot {
    int16_t count;
    int16_t impossible;
  };

  // Interrupt: the outputs are now A = bit 0, B = bit 1.
  void step(uint8_t state) {
    // Index previous * 4 + present. kImpossible marks both outputs changing at once: an edge
    // was missed, and nobody knows in which direction.
    static const int8_t kStep[16] = {0, 1,           -1, kImpossible, -1, 0, kImpossible, 1,
                                     1, kImpossible, 0,  -1, kImpossible, -1, 1, 0};
    const int8_t delta = kStep[static_cast<uint8_t>(state_ << 2) | state];
    state_ = state;
    if (delta == kImpossible) {
      ++impossible_;
    } else {
      count_ = static_cast<int16_t>(static_cast<uint16_t>(count_) + static_cast<uint16_t>(delta));
    }
  }

  // Where the outputs stand at the start, so that the first edge is not an impossible one.
  void begin(uint8_t state) { state_ = state; }

  Snapshot snapshot() const {
    const Snapshot snapshot = {count_, static_cast<int16_t>(impossible_)};
    return snapshot;
  }

  // Main loop, at least every 32767 edges.
  Travel update(const Snapshot& snapshot, uint32_t) {
    wide_ += static_cast<int16_t>(static_cast<uint16_t>(snapshot.count) -
                                  static_cast<uint16_t>(seen_.count));
    const int16_t more = static_cast<int16_t>(static_cast<uint16_t>(snapshot.impossible) -
                                              static_cast<uint16_t>(seen_.impossible));
    wide_impossible_ += static_cast<uint32_t>(static_cast<int32_t>(more));
    seen_ = snapshot;
    const Travel travel = {wide_, false};
    return travel;
  }

  uint32_t impossible() const { return wide_impossible_; }

 private:
  static const int8_t kImpossible = 2;

  int16_t count_ = 0;
  uint16_t impossible_ = 0;
  uint8_t state_ = 0;  // as last seen

  Snapshot seen_ = {0, 0};
  int32_t wide_ = 0;
  uint32_t wide_impossible_ = 0;
};

// A digital caliper of the 24-bit kind: a frame of bits, lowest first, some five times a second.
// Bits 0-19 magnitude, 20 sign, 23 inch. Counts are tenths of a micrometre, in which both
// 0.01 mm (100) and 0.0005 in (127) are whole. Frames of another length count as impossible.
class CaliperScale {
 public:
  static const bool kCanFallSilent = true;
  static const char* name() { return "caliper"; }

  // Bits come some 0.5 ms apart, frames 180 to 210 ms apart and 13 ms long (hobby descriptions).
  static const int32_t kGapUs = 5000;
  static const int32_t kStaleUs = 1000000;  // a reading older than this is none

  struct Snapshot {
    int32_t counts;
    uint32_t frame_us;
    int16_t impossible;
    bool any;
  };

  // Interrupt: a clock edge, with the data line's level.
  void edge(bool bit, uint32_t now_us) {
    finish_if_quiet(now_us);
    edge_us_ = now_us;
    if (length_ < kBits) {
      bits_ = (bits_ >> 1) | (bit ? kTopBit : 0u);
    }
    if (length_ < 255) {
      ++length_;
    }
  }

  // With interrupts masked: a frame is over when the clock has been quiet for a while.
  void finish_if_quiet(uint32_t now_us) {
    // Signed, since an edge may have come after now_us was taken.
    if (length_ == 0 || static_cast<int32_t>(now_us - edge_us_) <= kGapUs) {
      return;
    }
    if (length_ == kBits) {
      counts_ = decode(bits_ >> 8);
      frame_us_ = edge_us_;
      any_ = true;
    } else {
      ++impossible_;
    }
    length_ = 0;
  }

  Snapshot snapshot() const {
    const Snapshot snapshot = {counts_, frame_us_, static_cast<int16_t>(impossible_), any_};
    return snapshot;
  }

  Travel update(const Snapshot& snapshot, uint32_t now_us) {
    const int16_t more = static_cast<int16_t>(static_cast<uint16_t>(snapshot.impossible) -
                                              static_cast<uint16_t>(seen_impossible_));
    seen_impossible_ = snapshot.impossible;
    wide_impossible_ += static_cast<uint32_t>(static_cast<int32_t>(more));
    // Once stale it stays absent until the next frame, even when the clock wraps round.
    // Signed, since a frame may have ended after now_us was taken.
    const int32_t age_us = static_cast<int32_t>(now_us - snapshot.frame_us);
    const bool fresh = snapshot.any && age_us < kStaleUs;
    if (!fresh) {
      lost_us_ = snapshot.frame_us;
      lost_ = true;
    } else if (lost_ && snapshot.frame_us != lost_us_) {
      lost_ = false;
    }
    const Travel travel = {snapshot.counts, lost_};
    return travel;
  }

  uint32_t impossible() const { return wide_impossible_; }

  // A frame's value in tenths of a micrometre.
  static int32_t decode(uint32_t frame) {
    const int32_t magnitude = static_cast<int32_t>(frame & 0xFFFFFu);
    const bool inch = (frame & 0x800000u) != 0;
    const bool minus = (frame & 0x100000u) != 0;
    const int32_t counts = magnitude * (inch ? 127 : 100);
    return minus ? -counts : counts;
  }

 private:
  static const uint8_t kBits = 24;
  static const uint32_t kTopBit = 0x80000000u;

  uint32_t bits_ = 0;  // the frame grows down from the top bit
  uint32_t edge_us_ = 0;
  uint32_t frame_us_ = 0;
  int32_t counts_ = 0;
  uint16_t impossible_ = 0;
  uint8_t length_ = 0;
  bool any_ = false;

  int16_t seen_impossible_ = 0;
  uint32_t wide_impossible_ = 0;
  uint32_t lost_us_ = 0;
  bool lost_ = true;
};

// A potentiometer on the chip's own 10-bit ADC: the sum of 16 readings, taken in the 1.7 ms
// after the load's conversion. At either end of its range the wiper or an end is not connected.
class PotentiometerScale {
 public:
  static const bool kCanFallSilent = true;
  static const char* name() { return "potentiometer"; }

  static const uint8_t kReadings = 16;
  static const uint16_t kMargin = 4 * kReadings;
  static const uint16_t kTop = 1023 * kReadings;

  struct Snapshot {
    uint16_t sum;
  };

  // Interrupt: begin a burst.
  void begin() {
    sum_ = 0;
    taken_ = 0;
  }

  // Interrupt: one reading. Returns true while more are wanted.
  bool reading(uint16_t value) {
    sum_ = static_cast<uint16_t>(sum_ + value);
    ++taken_;
    if (taken_ < kReadings) {
      return true;
    }
    complete_ = sum_;
    return false;
  }

  bool busy() const { return taken_ < kReadings; }

  // The last complete burst.
  Snapshot snapshot() const {
    const Snapshot snapshot = {complete_};
    return snapshot;
  }

  Travel update(const Snapshot& snapshot, uint32_t) {
    const bool absent = snapshot.sum < kMargin || snapshot.sum > kTop - kMargin;
    const Travel travel = {snapshot.sum, absent};
    return travel;
  }

  uint32_t impossible() const { return 0; }

 private:
  uint16_t sum_ = 0;
  uint16_t complete_ = 0;
  uint8_t taken_ = kReadings;
};

// No scale: load only.
class NoScale {
 public:
  static const bool kCanFallSilent = false;
  static const char* name() { return "none"; }

  struct Snapshot {};

  Snapshot snapshot() const { return Snapshot(); }

  Travel update(const Snapshot&, uint32_t) {
    const Travel travel = {0, true};
    return travel;
  }

  uint32_t impossible() const { return 0; }
};

}  // namespace coilbench
