// The lines a rig sends, field by field as ../PROTOCOL.md lays them out. Each returns false,
// with nothing sent, when the queue has no room for it.
#pragma once

#include <stdint.h>

#include "wire.h"

namespace coilbench {

static const char kFirmware[] = "coilbench-0.1.0";

struct Sample {
  uint16_t sequence;
  uint32_t t_us;
  int32_t load_counts;
  int32_t travel_counts;
  uint8_t flags;
};

struct Identity {
  uint32_t id_high;
  uint32_t id_low;
  uint32_t boot;
};

// What the hello tells beside who the rig is.
struct Settings {
  uint16_t sps;
  uint16_t gain;
  uint32_t baud;
  const char* travel;
  const char* um_per_count;  // empty where there is none
};

struct Tally {
  uint32_t offered;
  uint32_t dropped;
  uint32_t impossible;
  uint32_t refused;
};

inline bool send_sample(LineQueue& queue, const Sample& sample) {
  Line line(queue, 'S');
  line.hex(sample.sequence, 4).hex(sample.t_us, 8);
  line.decimal(sample.load_counts).decimal(sample.travel_counts).hex(sample.flags, 2);
  return line.send();
}

inline bool send_tally(LineQueue& queue, uint32_t boot, uint32_t t_us, const Tally& tally) {
  Line line(queue, 'N');
  line.hex(boot, 8).hex(t_us, 8).hex(tally.offered, 8).hex(tally.dropped, 8);
  line.hex(tally.impossible, 8).hex(tally.refused, 8);
  return line.send();
}

inline bool send_fault(LineQueue& queue, uint32_t boot, uint32_t t_us, uint8_t code, bool standing,
                       uint16_t count) {
  Line line(queue, 'F');
  line.hex(boot, 8).hex(t_us, 8).hex(code, 2).text(standing ? "1" : "0").hex(count, 4);
  return line.send();
}

inline bool send_answer(LineQueue& queue, uint8_t tag, const char* word, bool ok) {
  Line line(queue, 'A');
  line.hex(tag, 2).text(word).text(ok ? "ok" : "no");
  return line.send();
}

inline bool send_hello(LineQueue& queue, const Identity& who, const Settings& settings) {
  Line line(queue, 'H');
  line.text("proto=1 fw=").more(kFirmware);
  line.text("id=").more_hex(who.id_high, 8).more_hex(who.id_low, 8);
  line.text("boot=").more_hex(who.boot, 8);
  line.text("sps=").more_number(settings.sps);
  line.text("travel=").more(settings.travel);
  if (settings.um_per_count[0] != '\0') {
    line.text("um_per_count=").more(settings.um_per_count);
  }
  line.text("adc=hx711 gain=").more_number(settings.gain);
  line.text("baud=").more_number(settings.baud);
  return line.send();
}

}  // namespace coilbench
