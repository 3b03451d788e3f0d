// What the rig does, apart from the chip it does it on: the main loop's side of everything.
//
// Portable: no Arduino or AVR header here or in what it includes, so that the same lines are
// tested on a PC. Board is the thin layer below (board.h on the chip, a double in the tests):
//
//   uint32_t now_us()            microseconds since the start, wraps
//   bool take_latch(Latch&)      the newest conversion's time and travel, once
//   Snapshot travel_now()        the scale's snapshot, interrupts masked
//   bool adc_ready()             DOUT is low
//   bool adc_clock()             one pulse on SCK, DOUT during it
//   void adc_power(bool on)      SCK low (on) or high (off)
//   void adc_deafen()            take DOUT's edges for nothing (while reading) ...
//   void adc_listen()            ... and for conversions again
//   bool accept_closed(), redo_closed()
//   int receive()                a byte from the host, or -1
//   bool transmit_room(), void transmit(uint8_t)
//   void led(bool on)
#pragma once

#include <stdint.h>
#include <string.h>

#include "button.h"
#include "faults.h"
#include "hx711.h"
#include "lines.h"
#include "queue.h"
#include "travel.h"
#include "wire.h"

namespace coilbench {

// Bits of a sample's flag field.
enum SampleFlag : uint8_t {
  kLoadSaturated = 0x01,
  kLoadSuspect = 0x02,
  kTravelSuspect = 0x04,
  kTravelAbsent = 0x08,
  kAcceptPressed = 0x10,
  kRedoPressed = 0x20,
  kFaultLatched = 0x40,
  kQueueOverrun = 0x80,
};

// What the interrupt keeps of a conversion.
template <class Scale>
struct Latch {
  uint32_t t_us;
  typename Scale::Snapshot travel;
  uint8_t missed;  // conversions before this one that were never read
};

template <class Board, class Scale>
class Rig {
 public:
  Rig(Board& board, Scale& scale) : board_(board), scale_(scale) {}

  void begin(const Identity& identity, const Settings& settings, bool travel_reversed,
             bool after_watchdog) {
    identity_ = identity;
    settings_ = settings;
    travel_reversed_ = travel_reversed;
    if (after_watchdog) {
      faults_.raise(kWatchdogRestart);
    }
    const uint32_t now_us = board_.now_us();
    second_us_ = now_us;
    look_us_ = now_us;
    travel_seen_us_ = now_us;
    restart_adc(now_us);
  }

  // One pass of the main loop; never waits.
  void step() {
    const uint32_t now_us = board_.now_us();
    take_conversion(now_us);
    follow_travel(now_us);
    watch_adc(now_us);
    look_at_buttons(now_us);
    listen(now_us);
    tick(now_us);
    speak();
    while (!queue_.empty() && board_.transmit_room()) {
      board_.transmit(queue_.take());
    }
    board_.led(led_on(now_us));
  }

  // Whether lines wait for the UART to take more bytes.
  bool sending() const { return !queue_.empty(); }

 private:
  static const uint32_t kSecondUs = 1000000;
  static const uint32_t kLookUs = 4000;             // pace of the buttons
  static const uint32_t kTravelSilentUs = 1000000;  // without a valid reading
  static const uint8_t kRoomForAnswer = 40;         // the longest answer, its CRC and line end

  // --- load ---

  void restart_adc(uint32_t now_us) {
    board_.adc_deafen();
    board_.adc_power(false);
    watch_.powered_down(now_us);
  }

  void take_conversion(uint32_t now_us) {
    Latch<Scale> latch = Latch<Scale>();
    if (!board_.take_latch(latch)) {
      return;
    }
    // DOUT up again means a glitch made the edge: there is nothing to read. While powered down,
    // an edge is of our own making.
    if (watch_.is_down() || !board_.adc_ready()) {
      return;
    }
    board_.adc_deafen();
    const AdcWord word = read_word(board_, gain_pulses(settings_.gain));
    board_.adc_listen();
    watch_.seen(now_us);
    if (word.confirmed) {
      faults_.clear(kAdcSilent);
      faults_.clear(kAdcStuck);
    }
    const AdcWatch::Verdict verdict = watch_.judge(word);
    const Travel travel = scale_.update(latch.travel, now_us);
    if (verdict == AdcWatch::kDrop || !streaming_) {
      return;
    }
    // Conversions that were never read are losses like those of a full queue.
    offered_ += latch.missed;
    dropped_ += latch.missed;
    overrun_ = overrun_ || latch.missed > 0;
    offer_sample(latch.t_us, word.counts, travel, verdict);
  }

  void offer_sample(uint32_t t_us, int32_t load_counts, const Travel& travel,
                    AdcWatch::Verdict verdict) {
    const int32_t shown = shown_travel(travel.counts);
    Sample sample = {static_cast<uint16_t>(offered_), t_us, load_counts, shown,
                     flags_of(verdict, travel)};
    if (shown > kDecimalLimit || shown < -kDecimalLimit) {
      sample.travel_counts = shown > 0 ? kDecimalLimit : -kDecimalLimit;
      sample.flags |= kTravelAbsent;
    }
    ++offered_;
    // Whatever else waits for room goes first, else samples would starve it.
    if (must_speak() || !send_sample(queue_, sample)) {
      ++dropped_;
      overrun_ = true;
      return;
    }
    overrun_ = false;
    pressed_ = 0;
    impossible_told_ = scale_.impossible();
  }

  uint8_t flags_of(AdcWatch::Verdict verdict, const Travel& travel) const {
    uint8_t flags = pressed_;
    if (verdict == AdcWatch::kSaturated) flags |= kLoadSaturated;
    if (verdict == AdcWatch::kSuspect) flags |= kLoadSuspect;
    if (scale_.impossible() != impossible_told_) flags |= kTravelSuspect;
    if (travel.absent) flags |= kTravelAbsent;
    if (faults_.any_latched()) flags |= kFaultLatched;
    if (overrun_) flags |= kQueueOverrun;
    return flags;
  }

  void watch_adc(uint32_t now_us) {
    switch (watch_.due(now_us)) {
      case AdcWatch::kWait:
        break;
      case AdcWatch::kPowerUp:
        board_.adc_power(true);
        watch_.powered_up(now_us, settings_.gain);
        board_.adc_listen();
        break;
      case AdcWatch::kRestart:
        faults_.raise(board_.adc_ready() ? kAdcStuck : kAdcSilent);
        restart_adc(now_us);
        break;
    }
  }

  // --- travel ---

  // Also without conversions: the interrupt's counters are narrow and must not wrap unseen.
  void follow_travel(uint32_t now_us) {
    travel_ = scale_.update(board_.travel_now(), now_us);
    if (!travel_.absent || !Scale::kCanFallSilent) {
      travel_seen_us_ = now_us;
      faults_.clear(kTravelSilent);
    } else if (now_us - travel_seen_us_ > kTravelSilentUs) {
      faults_.raise(kTravelSilent);
      travel_seen_us_ = now_us;
    }
  }

  int32_t shown_travel(int32_t counts) const {
    const int32_t moved = counts - zero_counts_;
    return travel_reversed_ ? -moved : moved;
  }

  // --- buttons ---

  void look_at_buttons(uint32_t now_us) {
    if (now_us - look_us_ < kLookUs) {
      return;
    }
    look_us_ = now_us;
    if (accept_.look(board_.accept_closed())) pressed_ |= kAcceptPressed;
    if (redo_.look(board_.redo_closed())) pressed_ |= kRedoPressed;
  }

  // --- the host ---

  // Bytes stay in the UART's buffer while there is no room to answer.
  void listen(uint32_t now_us) {
    while (!must_speak() && queue_.room() >= kRoomForAnswer) {
      const int byte = board_.receive();
      if (byte < 0) {
        return;
      }
      const RequestReader::Outcome outcome = reader_.feed(static_cast<uint8_t>(byte));
      if (outcome == RequestReader::kUnreadable) {
        ++refused_;
      } else if (outcome == RequestReader::kRequest) {
        answer(now_us);
      }
    }
  }

  void answer(uint32_t now_us) {
    const bool ok = obey(reader_.word(), now_us);
    if (!ok) {
      ++refused_;
    }
    send_answer(queue_, reader_.tag(), reader_.word(), ok);
  }

  bool obey(const char* word, uint32_t now_us) {
    if (strcmp(word, "who") == 0) {
      hello_due_ = true;
    } else if (strcmp(word, "start") == 0) {
      streaming_ = true;
    } else if (strcmp(word, "stop") == 0) {
      streaming_ = false;
    } else if (strcmp(word, "zero") == 0) {
      zero_counts_ = travel_.counts;
    } else if (strcmp(word, "ack") == 0) {
      faults_.acknowledge();
      restart_adc(now_us);
    } else {
      return false;
    }
    return true;
  }

  void tick(uint32_t now_us) {
    if (now_us - second_us_ < kSecondUs) {
      return;
    }
    second_us_ += kSecondUs;
    tally_due_ = true;
    faults_.remind();
  }

  bool must_speak() const { return hello_due_ || tally_due_ || faults_.any_due(); }

  // Everything but samples and answers; what finds no room is tried again at the next pass.
  void speak() {
    if (hello_due_) {
      hello_due_ = !send_hello(queue_, identity_, settings_);
    }
    for (uint8_t code = 1; code <= kFaultCodes; ++code) {
      Fault& fault = faults_.of(code);
      if (fault.due) {
        fault.due = !send_fault(queue_, identity_.boot, board_.now_us(), code, fault.standing,
                                fault.count);
      }
    }
    if (tally_due_) {
      const Tally tally = {offered_, dropped_, scale_.impossible(), refused_};
      tally_due_ = !send_tally(queue_, identity_.boot, board_.now_us(), tally);
    }
  }

  // Fault latched: quick, about 4 blinks a second. Streaming: even, about 1. Stopped: a flash every 2 s.
  // Bits of the clock, so that nothing happens at its wrap.
  bool led_on(uint32_t now_us) const {
    if (faults_.any_latched()) {
      return (now_us & 0x20000u) != 0;
    }
    return streaming_ ? (now_us & 0x80000u) != 0 : (now_us & 0x1FFFFFu) < 0x10000u;
  }

  Board& board_;
  Scale& scale_;
  Identity identity_ = {0, 0, 0};
  Settings settings_ = {0, 0, 0, "", ""};
  LineQueue queue_;
  RequestReader reader_;
  AdcWatch watch_;
  Faults faults_;
  Button accept_;
  Button redo_;
  Travel travel_ = {0, true};

  uint32_t offered_ = 0;
  uint32_t dropped_ = 0;
  uint32_t refused_ = 0;
  uint32_t impossible_told_ = 0;
  int32_t zero_counts_ = 0;
  uint32_t second_us_ = 0;
  uint32_t look_us_ = 0;
  uint32_t travel_seen_us_ = 0;
  uint8_t pressed_ = 0;
  bool travel_reversed_ = false;
  bool streaming_ = true;
  bool overrun_ = false;
  bool hello_due_ = true;
  bool tally_due_ = false;
};

}  // namespace coilbench
