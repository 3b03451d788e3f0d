// The load cell's words, the scales, the buttons, the faults.
#include "button.h"
#include "check.h"
#include "faults.h"
#include "hx711.h"
#include "travel.h"

using coilbench::AdcWatch;
using coilbench::AdcWord;
using coilbench::CaliperScale;
using coilbench::QuadratureScale;

namespace {

// Gives the bits of a word, then what the gain pulses see.
struct Chip {
  uint32_t word;
  bool echo;
  int pulses;
  bool adc_clock() {
    ++pulses;
    return pulses <= 24 ? ((word >> (24 - pulses)) & 1) != 0 : echo;
  }
};

AdcWatch settled() {
  AdcWatch watch;
  for (int i = 0; i < AdcWatch::kSettling; ++i) {
    CHECK_EQUAL(watch.judge({0, true}), AdcWatch::kDrop);
  }
  return watch;
}

}  // namespace

// Words of the datasheet's two's complement, and three worked out by hand.
TEST(adc_words) {
  const struct {
    uint32_t word;
    int32_t counts;
  } kCases[] = {{0x000000, 0},        {0x7FFFFF, 8388607}, {0x800000, -8388608},
                {0xFFFFFF, -1},       {0xF82604, -514556}, {0xFFFF85, -123},
                {0x000001, 1},        {0x012345, 74565}};
  for (const auto& c : kCases) {
    Chip chip = {c.word, true, 0};
    const AdcWord word = coilbench::read_word(chip, 1);
    CHECK_EQUAL(word.counts, c.counts);
    CHECK(word.confirmed);
    CHECK_EQUAL(chip.pulses, 25);
  }
}

TEST(gain_pulses) {
  CHECK_EQUAL(static_cast<int>(coilbench::gain_pulses(128)), 1);
  CHECK_EQUAL(static_cast<int>(coilbench::gain_pulses(32)), 2);
  CHECK_EQUAL(static_cast<int>(coilbench::gain_pulses(64)), 3);
  for (uint8_t extra = 1; extra <= 3; ++extra) {
    Chip chip = {0x123456, false, 0};
    CHECK(!coilbench::read_word(chip, extra).confirmed);
    CHECK_EQUAL(chip.pulses, 24 + extra);
  }
}

TEST(saturation_is_flagged) {
  AdcWatch watch = settled();
  CHECK_EQUAL(watch.judge({8388607, true}), AdcWatch::kSaturated);
  CHECK_EQUAL(watch.judge({-8388608, true}), AdcWatch::kSaturated);
  CHECK_EQUAL(watch.judge({8388606, true}), AdcWatch::kGood);
  CHECK_EQUAL(watch.judge({-8388607, true}), AdcWatch::kGood);
}

// Hobby and driver experience: an interrupted reading leaves 2^n - 1.
TEST(torn_words_are_suspect) {
  for (int n = 12; n < 23; ++n) {
    AdcWatch watch = settled();
    CHECK_EQUAL(watch.judge({(1 << n) - 1, true}), AdcWatch::kSuspect);
  }
  AdcWatch watch = settled();
  CHECK_EQUAL(watch.judge({-1, true}), AdcWatch::kSuspect);
  for (const int32_t small : {0, 1, 3, 2047, 4096, 4094, -2, -4095}) {
    AdcWatch fresh = settled();
    CHECK_EQUAL(fresh.judge({small, true}), AdcWatch::kGood);
  }
}

TEST(unconfirmed_gain_taints_the_next_ones_too) {
  AdcWatch watch = settled();
  CHECK_EQUAL(watch.judge({5, false}), AdcWatch::kSuspect);
  for (int i = 1; i < AdcWatch::kSettling; ++i) {
    CHECK_EQUAL(watch.judge({5, true}), AdcWatch::kSuspect);
  }
  CHECK_EQUAL(watch.judge({5, true}), AdcWatch::kGood);
}

TEST(adc_silence_restarts_it) {
  for (const uint32_t base : {0u, 0xFFFFFF00u}) {  // also across the clock's wrap
    AdcWatch watch;
    watch.powered_down(base);
    CHECK_EQUAL(watch.due(base + 60), AdcWatch::kWait);
    CHECK_EQUAL(watch.due(base + 100), AdcWatch::kPowerUp);
    watch.powered_up(base + 100, 128);
    CHECK(!watch.is_down());
    CHECK_EQUAL(watch.due(base + 100 + 999999), AdcWatch::kWait);  // it may take 400 ms to wake
    watch.seen(base + 500000);
    CHECK_EQUAL(watch.due(base + 500000 + 499999), AdcWatch::kWait);
    CHECK_EQUAL(watch.due(base + 500000 + 500000), AdcWatch::kRestart);
  }
}

TEST(another_gain_settles_one_word_later) {
  AdcWatch watch;
  watch.powered_down(0);
  watch.powered_up(100, 64);
  for (int i = 0; i < AdcWatch::kSettling + 1; ++i) {
    CHECK_EQUAL(watch.judge({0, true}), AdcWatch::kDrop);
  }
  CHECK_EQUAL(watch.judge({0, true}), AdcWatch::kGood);
}

// The sixteen transitions of x4 decoding.
TEST(quadrature_table) {
  const int kExpected[4][4] = {{0, 1, -1, 9}, {-1, 0, 9, 1}, {1, 9, 0, -1}, {9, -1, 1, 0}};
  for (uint8_t from = 0; from < 4; ++from) {
    for (uint8_t to = 0; to < 4; ++to) {
      QuadratureScale scale;
      scale.begin(from);
      scale.step(to);
      const coilbench::Travel travel = scale.update(scale.snapshot(), 0);
      const int expected = kExpected[from][to];
      CHECK_EQUAL(travel.counts, expected == 9 ? 0 : expected);
      CHECK_EQUAL(scale.impossible(), expected == 9 ? 1u : 0u);
      CHECK(!travel.absent);
    }
  }
}

TEST(quadrature_counts_past_16_bits_both_ways) {
  static const uint8_t kForward[4] = {0, 1, 3, 2};
  QuadratureScale scale;
  int position = 0;
  const auto go = [&](int steps, int direction) {
    for (int i = 0; i < steps; ++i) {
      position += direction;
      scale.step(kForward[position & 3]);
      if (i % 30000 == 0) {
        scale.update(scale.snapshot(), 0);
      }
    }
    return scale.update(scale.snapshot(), 0).counts;
  };
  CHECK_EQUAL(go(200000, 1), 200000);
  CHECK_EQUAL(go(500000, -1), -300000);
  CHECK_EQUAL(scale.impossible(), 0u);
}

// A sample's snapshot may be older than the one the loop took since.
TEST(quadrature_takes_snapshots_out_of_order) {
  QuadratureScale scale;
  scale.step(1);
  const QuadratureScale::Snapshot older = scale.snapshot();
  scale.step(2);  // impossible
  scale.step(0);
  CHECK_EQUAL(scale.update(scale.snapshot(), 0).counts, 2);
  CHECK_EQUAL(scale.update(older, 0).counts, 1);
  CHECK_EQUAL(scale.impossible(), 0u);
  CHECK_EQUAL(scale.update(scale.snapshot(), 0).counts, 2);
  CHECK_EQUAL(scale.impossible(), 1u);
}

namespace {

uint32_t send_frame(CaliperScale& scale, const std::string& bits, uint32_t at_us) {
  for (const char bit : bits) {
    scale.edge(bit == '1', at_us);
    at_us += 542;
  }
  return at_us;
}

coilbench::Travel after_gap(CaliperScale& scale, uint32_t at_us) {
  scale.finish_if_quiet(at_us + 6000);
  return scale.update(scale.snapshot(), at_us + 6000);
}

}  // namespace

// Frames of the 24-bit format, lowest bit first, worked out from its description by hobbyists.
TEST(caliper_frames) {
  const struct {
    const char* bits;
    int32_t tenths_of_um;
  } kCases[] = {
      {"010010110010000000000000", 123400},  {"010010110010000000001000", -123400},
      {"001101111001000000000000", 254000},  {"000010111110000000000001", 254000},  // 1.0000 in
      {"100000000000000000001001", -127},  // -0.0005 in
      {"000110010101110000000000", 1500000}};
  for (const auto& c : kCases) {
    CaliperScale scale;
    const uint32_t end_us = send_frame(scale, c.bits, 1000);
    const coilbench::Travel travel = after_gap(scale, end_us);
    CHECK(!travel.absent);
    CHECK_EQUAL(travel.counts, c.tenths_of_um);
    CHECK_EQUAL(scale.impossible(), 0u);
  }
}

TEST(caliper_frame_without_its_first_bit_is_no_reading) {
  CaliperScale scale;
  uint32_t end_us = send_frame(scale, "010010110010000000000000", 1000);
  CHECK_EQUAL(after_gap(scale, end_us).counts, 123400);
  end_us = send_frame(scale, "01101111001000000000000", end_us + 200000);
  CHECK_EQUAL(after_gap(scale, end_us).counts, 123400);  // still the old one
  CHECK_EQUAL(scale.impossible(), 1u);
  end_us = send_frame(scale, "0011011110010000000000000", end_us + 200000);  // a bit too many
  CHECK_EQUAL(after_gap(scale, end_us).counts, 123400);
  CHECK_EQUAL(scale.impossible(), 2u);
  // The next frame also closes one that the loop never looked at in time.
  end_us = send_frame(scale, "001101111001000000000000", end_us + 200000);
  scale.edge(false, end_us + 200000);
  CHECK_EQUAL(scale.update(scale.snapshot(), end_us + 200000).counts, 254000);
}

TEST(caliper_falls_silent) {
  CaliperScale scale;
  CHECK(scale.update(scale.snapshot(), 0).absent);
  const uint32_t end_us = send_frame(scale, "010010110010000000000000", 1000);
  CHECK(!after_gap(scale, end_us).absent);
  CHECK(!scale.update(scale.snapshot(), end_us + 900000).absent);
  CHECK(scale.update(scale.snapshot(), end_us + 1000000).absent);
  // Still absent when the 32-bit clock comes round to the old frame's time.
  CHECK(scale.update(scale.snapshot(), end_us + 2147483648u).absent);
  CHECK(scale.update(scale.snapshot(), end_us + 10).absent);
  const uint32_t again_us = send_frame(scale, "010010110010000000000000", end_us + 5000000);
  CHECK(!after_gap(scale, again_us).absent);
}

TEST(caliper_frame_may_end_after_the_loop_looked_at_the_clock) {
  CaliperScale scale;
  const uint32_t end_us = send_frame(scale, "010010110010000000000000", 1000);
  after_gap(scale, end_us);
  CHECK(!scale.update(scale.snapshot(), end_us - 2000).absent);
}

TEST(potentiometer_sums_a_burst) {
  coilbench::PotentiometerScale scale;
  CHECK(!scale.busy());
  CHECK(scale.update(scale.snapshot(), 0).absent);  // nothing read yet
  scale.begin();
  for (int i = 0; i < 15; ++i) {
    CHECK(scale.reading(512));
    CHECK(scale.busy());
  }
  CHECK(!scale.reading(520));
  CHECK(!scale.busy());
  const coilbench::Travel travel = scale.update(scale.snapshot(), 0);
  CHECK_EQUAL(travel.counts, 15 * 512 + 520);
  CHECK(!travel.absent);
}

TEST(potentiometer_at_an_end_is_not_connected) {
  for (const int value : {0, 3, 4, 1019, 1020, 1023}) {
    coilbench::PotentiometerScale scale;
    scale.begin();
    while (scale.reading(static_cast<uint16_t>(value))) {
    }
    const bool inside = value >= 4 && value <= 1019;
    CHECK_EQUAL(scale.update(scale.snapshot(), 0).absent, !inside);
  }
}

TEST(no_scale_is_absent) {
  coilbench::NoScale scale;
  const coilbench::Travel travel = scale.update(scale.snapshot(), 0);
  CHECK(travel.absent);
  CHECK_EQUAL(travel.counts, 0);
  CHECK_EQUAL(scale.impossible(), 0u);
}

TEST(button_bounces) {
  coilbench::Button button;
  int presses = 0;
  const auto look = [&](const char* contacts) {
    for (; *contacts != '\0'; ++contacts) {
      presses += button.look(*contacts == '1') ? 1 : 0;
    }
  };
  look("1010110111");
  CHECK_EQUAL(presses, 0);
  look("11");
  CHECK_EQUAL(presses, 1);
  look("1111111011111");  // held, one crackle
  CHECK_EQUAL(presses, 1);
  look("0100101000000111110");
  CHECK_EQUAL(presses, 2);
}

TEST(faults_stand_and_latch) {
  coilbench::Faults faults;
  CHECK(!faults.any_due());
  faults.clear(coilbench::kAdcSilent);  // nothing to clear, nothing to say
  CHECK(!faults.any_due());
  faults.raise(coilbench::kAdcSilent);
  faults.raise(coilbench::kAdcSilent);
  CHECK(faults.any_latched());
  CHECK(faults.any_due());
  CHECK_EQUAL(faults.of(1).count, 1);
  faults.of(1).due = false;
  faults.remind();
  CHECK(faults.of(1).due);
  faults.of(1).due = false;
  faults.acknowledge();
  CHECK(faults.any_latched());  // its cause is still there
  CHECK(!faults.any_due());
  faults.clear(coilbench::kAdcSilent);
  CHECK(faults.of(1).due);  // that it has cleared must be said
  CHECK(!faults.of(2).due);
  CHECK(faults.any_latched());
  faults.acknowledge();
  CHECK(!faults.any_latched());
  for (long i = 0; i < 70000; ++i) {
    faults.raise(coilbench::kAdcSilent);
    faults.clear(coilbench::kAdcSilent);
  }
  CHECK_EQUAL(faults.of(1).count, 0xFFFF);
}

TEST(watchdog_fault_ends_when_it_has_been_seen) {
  coilbench::Faults faults;
  faults.raise(coilbench::kWatchdogRestart);
  faults.of(4).due = false;
  faults.acknowledge();
  CHECK(faults.of(4).due);
  CHECK(!faults.of(4).standing);
  CHECK(!faults.any_latched());
}
