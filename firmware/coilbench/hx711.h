// The HX711 load-cell amplifier: its word, and whether to believe it. Facts from its datasheet.
#pragma once

#include <stdint.h>

namespace coilbench {

// Clock pulses that make one reading and choose the gain of the next: 24 for the word and
// 1, 2 or 3 more (A 128, B 32, A 64).
constexpr uint8_t gain_pulses(int gain) { return gain == 64 ? 3 : gain == 32 ? 2 : 1; }

struct AdcWord {
  int32_t counts;
  bool confirmed;  // DOUT was high during the gain pulses, as a chip that listens makes it
};

// Clock a word out of the chip. board.adc_clock() gives one pulse and returns DOUT during it.
template <class Board>
AdcWord read_word(Board& board, uint8_t extra_pulses) {
  uint32_t bits = 0;
  for (uint8_t i = 0; i < 24; ++i) {
    bits = (bits << 1) | (board.adc_clock() ? 1u : 0u);
  }
  AdcWord word;
  word.confirmed = true;
  for (; extra_pulses > 0; --extra_pulses) {
    word.confirmed = board.adc_clock() && word.confirmed;
  }
  if ((bits & 0x800000u) != 0) {
    bits |= 0xFF000000u;
  }
  word.counts = static_cast<int32_t>(bits);
  return word;
}

inline bool is_saturated(int32_t counts) { return counts == 8388607 || counts == -8388608; }

// 2^n - 1 and -1 are what a torn reading looks like: DOUT high from some bit on, because the
// chip took a glitch for a pulse or had nothing ready. Below 4095 a true reading near zero is
// the likelier cause.
inline bool looks_torn(int32_t counts) {
  return counts == -1 || (counts >= 4095 && (counts & (counts + 1)) == 0);
}

// What becomes of each word, and when the chip must be started again.
class AdcWatch {
 public:
  enum Verdict : uint8_t { kGood, kSaturated, kSuspect, kDrop };
  enum Action : uint8_t { kWait, kPowerUp, kRestart };

  static const uint8_t kSettling = 4;                 // conversions until the filter has settled
  static const uint32_t kPowerDownUs = 100;           // the chip wants more than 60
  static const uint32_t kSilentUs = 500000;           // no conversion for so long is a fault
  static const uint32_t kWakeUs = 1000000;            // more than the 400 ms to settle at 10 SPS

  // The clock line has been taken high: the chip powers down.
  void powered_down(uint32_t now_us) {
    down_ = true;
    since_us_ = now_us;
  }

  bool is_down() const { return down_; }

  // A conversion became ready.
  void seen(uint32_t now_us) {
    since_us_ = now_us;
    patience_us_ = kSilentUs;
  }

  Verdict judge(const AdcWord& word) {
    if (settling_ > 0) {
      --settling_;
      return kDrop;
    }
    if (!word.confirmed || (looks_torn(word.counts) && !is_saturated(word.counts))) {
      // The gain of the next conversions is in doubt as well.
      doubtful_ = kSettling;
    }
    if (doubtful_ > 0) {
      --doubtful_;
      return kSuspect;
    }
    return is_saturated(word.counts) ? kSaturated : kGood;
  }

  // What is to be done now. kRestart is a fault: there was no conversion for too long.
  Action due(uint32_t now_us) {
    const uint32_t waited_us = now_us - since_us_;
    if (down_) {
      return waited_us < kPowerDownUs ? kWait : kPowerUp;
    }
    return waited_us < patience_us_ ? kWait : kRestart;
  }

  // The clock line has been taken low: the chip wakes, on gain 128. For another gain the first
  // word's pulses begin the settling once more.
  void powered_up(uint32_t now_us, int gain) {
    down_ = false;
    since_us_ = now_us;
    patience_us_ = kWakeUs;
    settling_ = static_cast<uint8_t>(gain == 128 ? kSettling : kSettling + 1);
    doubtful_ = 0;
  }

 private:
  uint32_t since_us_ = 0;
  uint32_t patience_us_ = kWakeUs;
  uint8_t settling_ = kSettling;
  uint8_t doubtful_ = 0;
  bool down_ = false;
};

}  // namespace coilbench
