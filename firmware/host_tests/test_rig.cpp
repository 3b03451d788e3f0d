// The whole core on a double of the board (bench.h).
#include "bench.h"

using coilbench::QuadratureScale;

TEST(says_hello_and_then_samples) {
  Harness h;
  CHECK_EQUAL(h.bench.lines('H').size(), 1u);
  CHECK_EQUAL(h.bench.lines('S').size(), 0u);
  h.next = 500;
  h.run(12 * 10, 12);
  const auto samples = h.bench.lines('S');
  CHECK_EQUAL(samples.size(), 6u);  // ten conversions, four of them to settle
  for (size_t i = 0; i < samples.size(); ++i) {
    CHECK_EQUAL(hex(field(samples[i], 1)), i);
    CHECK_EQUAL(std::atoi(field(samples[i], 3).c_str()), 504 + static_cast<int>(i));
    CHECK_EQUAL(field(samples[i], 5), "00");
  }
}

TEST(travel_is_the_one_latched_with_the_load) {
  Harness h(false, true);
  h.settle();
  h.bench.now += 1000;
  h.bench.scale.step(1);
  h.bench.convert(7);
  h.bench.scale.step(3);  // after the tick, before the loop gets to it
  h.rig.step();
  CHECK_EQUAL(field(h.bench.lines('S').back(), 4), "-0000001");  // reversed in its settings
  CHECK_EQUAL(hex(field(h.bench.lines('S').back(), 2)), h.bench.now);
}

TEST(impossible_steps_are_flagged_once_and_counted) {
  Harness h;
  h.settle();
  h.bench.scale.step(3);
  h.run(24, 12);
  const auto samples = h.bench.lines('S');
  CHECK_EQUAL(field(samples[samples.size() - 2], 5), "04");
  CHECK_EQUAL(field(samples[samples.size() - 1], 5), "00");
  h.run(1000, 12);
  CHECK_EQUAL(hex(field(h.bench.lines('N').back(), 5)), 1u);
}

TEST(requests_are_obeyed) {
  Harness h;
  h.settle();
  h.bench.heard.clear();
  h.ask("Q 0A who");
  h.run(1, 0);
  CHECK_EQUAL(h.bench.heard.substr(0, 11), "A 0A who ok");
  CHECK_EQUAL(h.bench.lines('H').size(), 1u);

  h.bench.scale.step(1);
  h.bench.scale.step(3);
  h.ask("Q 0B zero");
  h.run(1, 0);
  h.run(12, 12);
  CHECK_EQUAL(field(h.bench.lines('S').back(), 4), "+0000000");
  h.bench.scale.step(2);
  h.run(12, 12);
  CHECK_EQUAL(field(h.bench.lines('S').back(), 4), "+0000001");

  const size_t before = h.bench.lines('S').size();
  const unsigned long sequence = hex(field(h.bench.lines('S').back(), 1));
  h.ask("Q 0C stop");
  h.run(1, 0);
  h.run(600, 12);
  CHECK_EQUAL(h.bench.lines('S').size(), before);
  h.ask("Q 0D start");
  h.run(1, 0);
  h.run(12, 12);
  CHECK_EQUAL(hex(field(h.bench.lines('S').back(), 1)), sequence + 1);  // it stood still

  h.ask("Q 0E dance");
  h.send("nonsense\n\n");
  h.run(1100, 12);
  CHECK_EQUAL(h.bench.lines('A').back().substr(0, 13), "A 0E dance no");
  CHECK_EQUAL(hex(field(h.bench.lines('N').back(), 6)), 3u);
}

TEST(noise_on_the_line_in_is_harmless) {
  Harness h;
  h.settle();
  uint32_t noise = 12345;
  for (int i = 0; i < 20000; ++i) {
    noise = noise * 1664525u + 1013904223u;
    h.bench.asked.push_back(static_cast<uint8_t>(noise >> 24));
    if (i % 20 == 0) {
      h.run(1, 0);
    }
  }
  h.send("\n");
  h.ask("Q 01 who");
  h.run(5, 0);
  CHECK_EQUAL(h.bench.lines('A').size(), 1u);
  h.run(1000, 12);
  CHECK(hex(field(h.bench.lines('N').back(), 6)) > 50u);
}

TEST(dead_adc_is_a_fault_until_acknowledged) {
  Harness h;
  h.settle();
  h.run(490, 0);
  CHECK_EQUAL(h.bench.lines('F').size(), 0u);
  h.run(30, 0);
  CHECK_EQUAL(h.bench.lines('F').size(), 1u);
  CHECK_EQUAL(field(h.bench.lines('F')[0], 3), "01");
  CHECK_EQUAL(field(h.bench.lines('F')[0], 4), "1");
  h.run(3000, 0);
  CHECK_EQUAL(h.bench.lines('F').size(), 4u);  // each second again
  CHECK_EQUAL(field(h.bench.lines('F').back(), 5), "0001");
  // It comes back: four settling conversions are dropped, the rest bear the flag.
  const size_t before = h.bench.lines('S').size();
  h.run(12 * 10, 12);
  CHECK_EQUAL(h.bench.lines('S').size() - before, 6u);
  CHECK_EQUAL(field(h.bench.lines('S').back(), 5), "40");
  CHECK_EQUAL(field(h.bench.lines('F').back(), 4), "0");
  h.ask("Q 00 ack");
  h.run(12 * 10, 12);
  CHECK_EQUAL(field(h.bench.lines('S').back(), 5), "00");
  // Dead again: raised a second time.
  h.run(2000, 0);
  CHECK_EQUAL(field(h.bench.lines('F').back(), 5), "0002");
}

TEST(short_on_the_data_line_is_told_apart) {
  Harness h;
  h.settle();
  h.bench.stuck_low = true;
  if (h.bench.listening) {
    h.bench.fall();
  }
  h.run(12, 0);
  CHECK_EQUAL(field(h.bench.lines('S').back(), 5), "02");  // its gain pulses read low
  h.run(600, 0);
  CHECK_EQUAL(field(h.bench.lines('F').back(), 3), "02");
}

TEST(glitch_without_a_conversion_is_no_sample) {
  Harness h;
  h.settle();
  const size_t before = h.bench.lines('S').size();
  h.bench.fall();  // and DOUT is high again when the loop looks
  h.run(1, 0);
  CHECK_EQUAL(h.bench.lines('S').size(), before);
  h.run(12, 12);
  CHECK_EQUAL(h.bench.lines('S').size(), before + 1);
}

TEST(conversion_missed_by_the_loop_is_counted) {
  Harness h;
  h.settle();
  const unsigned long before = hex(field(h.bench.lines('S').back(), 1));
  h.bench.convert(1);
  h.bench.now += 12500;
  h.bench.convert(2);
  h.rig.step();
  CHECK_EQUAL(hex(field(h.bench.lines('S').back(), 1)), before + 2);
  CHECK_EQUAL(field(h.bench.lines('S').back(), 5), "80");
  h.run(1000, 12);
  CHECK_EQUAL(hex(field(h.bench.lines('N').back(), 4)), 1u);
}

TEST(overload_drops_samples_and_says_so) {
  Harness h;
  h.settle();
  h.bench.heard.clear();
  const auto overload = [&](int ms) {  // a thousand samples/s on a line for 595
    h.bench.credit = 0;
    for (int i = 0; i < ms; ++i) {
      h.bench.credit += 25;
      h.run(1, 1);
    }
  };
  overload(2500);
  h.ask("Q 07 who");
  overload(1500);
  CHECK_EQUAL(h.bench.lines('A').size(), 1u);
  CHECK_EQUAL(h.bench.lines('H').size(), 1u);
  CHECK_EQUAL(h.bench.lines('N').size(), 4u);
  h.bench.credit = 1000000000;
  h.run(1100, 12);
  const auto samples = h.bench.lines('S');
  unsigned long lost = 0;
  for (size_t i = 1; i < samples.size(); ++i) {
    const unsigned long step =
        (hex(field(samples[i], 1)) - hex(field(samples[i - 1], 1))) & 0xFFFFu;
    CHECK_EQUAL((hex(field(samples[i], 5)) & 0x80) != 0, step > 1);
    lost += step - 1;
  }
  CHECK(lost > 1000);
  CHECK_EQUAL(hex(field(h.bench.lines('N').back(), 4)), lost);
}

TEST(buttons_flag_one_sample) {
  Harness h;
  h.settle();
  h.bench.accept = true;
  h.run(100, 12);
  h.bench.accept = false;
  h.bench.redo = true;
  h.run(100, 12);
  int accepted = 0, redone = 0;
  for (const auto& line : h.bench.lines('S')) {
    accepted += (hex(field(line, 5)) & 0x10) != 0;
    redone += (hex(field(line, 5)) & 0x20) != 0;
  }
  CHECK_EQUAL(accepted, 1);
  CHECK_EQUAL(redone, 1);
}

TEST(watchdog_restart_is_told) {
  Harness h(true);
  CHECK_EQUAL(field(h.bench.lines('F')[0], 3), "04");
  h.settle();
  CHECK_EQUAL(field(h.bench.lines('S').back(), 5), "40");
  h.ask("Q 00 ack");
  h.run(100, 12);
  CHECK_EQUAL(field(h.bench.lines('S').back(), 5), "00");
}

TEST(silent_scale_is_a_fault) {
  HarnessOf<coilbench::PotentiometerScale> h;
  const auto wiper = [&](uint16_t value) {
    h.bench.scale.begin();
    while (h.bench.scale.reading(value)) {
    }
  };
  wiper(600);
  h.run(1500, 12);
  CHECK_EQUAL(field(h.bench.lines('S').back(), 4), "+0009600");
  h.ask("Q 00 ack");  // of the second before the first reading
  h.run(60, 12);
  CHECK_EQUAL(field(h.bench.lines('S').back(), 5), "00");
  const size_t before = h.bench.lines('F').size();
  wiper(1023);
  h.run(900, 12);
  CHECK_EQUAL(field(h.bench.lines('S').back(), 5), "08");
  CHECK_EQUAL(h.bench.lines('F').size(), before);
  h.run(200, 12);
  CHECK_EQUAL(field(h.bench.lines('F').back(), 3), "03");
  CHECK_EQUAL(field(h.bench.lines('S').back(), 5), "48");
  wiper(600);
  h.ask("Q 00 ack");
  h.run(1500, 12);
  CHECK_EQUAL(field(h.bench.lines('F').back(), 4), "0");
  CHECK_EQUAL(field(h.bench.lines('S').back(), 5), "00");
}

TEST(rig_without_a_scale_has_no_fault) {
  HarnessOf<coilbench::NoScale> h;
  h.run(5000, 12);
  CHECK_EQUAL(h.bench.lines('F').size(), 0u);
  CHECK_EQUAL(field(h.bench.lines('S').back(), 5), "08");
}

TEST(clock_and_sequence_wrap) {
  Harness h(false, false, 0xFFFFFFFFu - 3000000u);
  h.run(900 * 1000, 12);  // 15 minutes: 75000 samples
  const auto samples = h.bench.lines('S');
  CHECK(samples.size() > 70000);
  for (size_t i = 1; i < samples.size(); ++i) {
    const uint32_t step = static_cast<uint32_t>(hex(field(samples[i], 2)) -
                                                hex(field(samples[i - 1], 2)));
    CHECK_EQUAL(step, 12000u);
    CHECK_EQUAL((hex(field(samples[i], 1)) - hex(field(samples[i - 1], 1))) & 0xFFFF, 1u);
  }
  CHECK_EQUAL(h.bench.lines('F').size(), 0u);
  CHECK_EQUAL(h.bench.lines('N').size(), 901u);
}

TEST(travel_beyond_the_wire_is_clamped_and_absent) {
  static const uint8_t kForward[4] = {0, 1, 3, 2};
  Harness h;
  h.settle();
  for (int i = 1; i <= 10000005; ++i) {
    h.bench.scale.step(kForward[i & 3]);
    if (i % 30000 == 0) {
      h.run(1, 0);
    }
  }
  h.run(12, 12);
  CHECK_EQUAL(field(h.bench.lines('S').back(), 4), "+9999999");
  CHECK((hex(field(h.bench.lines('S').back(), 5)) & 0x08) != 0);
}

TEST(led_tells_the_state) {
  Harness h;
  const auto blinks = [&](int ms, int period_ms) {
    int changes = 0;
    bool before = h.bench.lit;
    for (int i = 0; i < ms; ++i) {
      h.run(1, i % 12 == 0 ? period_ms : 0);
      changes += h.bench.lit != before;
      before = h.bench.lit;
    }
    return changes;
  };
  const int streaming = blinks(8000, 1);
  CHECK(streaming >= 14 && streaming <= 16);  // about 1 blink a second
  h.ask("Q 00 stop");
  const int stopped = blinks(8000, 1);
  CHECK(stopped >= 6 && stopped <= 9);  // a flash every 2 s
  const int dead = blinks(8000, 0);
  CHECK(dead >= 50);  // about 4 a second, once the silence is noticed
}
