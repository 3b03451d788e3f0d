// The ATmega328P under the rig: pins, interrupts, clock, watchdog. The thin layer that
// coilbench_core.h asks for.
//
// Timer 1 is the rig's clock: it runs free at 2 MHz, and its input capture stamps the falling
// edge of DOUT in hardware, to half a microsecond whatever else the chip is doing. Timer 2 wakes
// the loop every 4 ms. Timer 0's interrupt (millis) is off: nobody reads it, and it would
// lengthen the wait of the encoder's edges.
#pragma once

#include <Arduino.h>
#include <avr/interrupt.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

#include "coilbench_core.h"

#if COILBENCH_TRAVEL == COILBENCH_TRAVEL_QUADRATURE
typedef coilbench::QuadratureScale Scale;
#elif COILBENCH_TRAVEL == COILBENCH_TRAVEL_CALIPER
typedef coilbench::CaliperScale Scale;
#elif COILBENCH_TRAVEL == COILBENCH_TRAVEL_POTENTIOMETER
typedef coilbench::PotentiometerScale Scale;
#elif COILBENCH_TRAVEL == COILBENCH_TRAVEL_NONE
typedef coilbench::NoScale Scale;
#else
#error "COILBENCH_TRAVEL in config.h is none of the four choices"
#endif

#if COILBENCH_GAIN != 128 && COILBENCH_GAIN != 64 && COILBENCH_GAIN != 32
#error "COILBENCH_GAIN in config.h must be 128, 64 or 32"
#endif

// Timer 1 and how often it has wrapped (32.768 ms each): 2 MHz in 33 bits and more.
struct Moment {
  uint16_t ticks;
  uint32_t wraps;

  // Written out of byte moves and one shift: a shift by 15 would be a loop on this chip.
  uint32_t us() const {
    const uint32_t half = (wraps << 16 | ticks) >> 1;
    return (wraps & 0x10000u) != 0 ? half | 0x80000000u : half;
  }
};

typedef coilbench::Latch<Scale> ScaleLatch;

static Scale scale;

// Shared with the interrupts, whose handlers only copy: whatever takes longer would hold up the
// encoder's edges.
static uint16_t latch_ticks;
static uint8_t latch_wraps;   // the low byte is enough: the loop looks within 8 s
static uint8_t latch_pending;  // TIFR1: had the timer wrapped unseen?
static Scale::Snapshot latch_travel;
static uint8_t latch_missed = 0;
static volatile bool latched = false;
static volatile bool ticked = false;
static uint32_t timer_wraps = 0;

// Outlives a reset, unlike the chip's own note of its cause, which many bootloaders erase.
static uint8_t stalled_ticks __attribute__((section(".noinit")));
static uint16_t stalled_mark __attribute__((section(".noinit")));
static const uint16_t kStalledMark = 0xB35C;
static const uint8_t kStalledTicks = 50;  // 200 ms; the watchdog bites at 250

// Interrupts masked until the end of the scope.
class Masked {
 public:
  Masked() : sreg_(SREG) { cli(); }
  ~Masked() {
    __asm__ __volatile__("" ::: "memory");
    SREG = sreg_;
  }

 private:
  uint8_t sreg_;
};

// With interrupts masked: the moment of a value that timer 1 had just now.
static inline Moment moment_of(uint16_t ticks) {
  Moment moment = {ticks, timer_wraps};
  if ((TIFR1 & _BV(TOV1)) && (ticks & 0x8000) == 0) {
    ++moment.wraps;  // it has wrapped and its interrupt still waits
  }
  return moment;
}

class Board {
 public:
  // First of all, since a watchdog that has bitten is left at its shortest time. Returns whether
  // it caused this start.
  bool begin_watchdog() {
    const bool noted = stalled_mark == kStalledMark && stalled_ticks >= kStalledTicks;
    const bool told = (MCUSR & _BV(WDRF)) != 0;
    MCUSR = 0;
    stalled_ticks = 0;
    stalled_mark = kStalledMark;
    wdt_enable(WDTO_250MS);
    return noted || told;
  }

  void begin() {
    begin_pins();
    begin_timers();
    begin_travel();
    Serial.begin(COILBENCH_BAUD);
  }

  // Tell the watchdog, and the note that outlives it, that the loop goes round.
  void alive() {
    wdt_reset();
    stalled_ticks = 0;
  }

  // Sleep until there is something for the loop to do; timer 2 gives it a look every 4 ms. The
  // UART's interrupts wake the chip for each byte, which matters only while more lines wait.
  void sleep_until_work(bool sending) {
    set_sleep_mode(SLEEP_MODE_IDLE);
    sleep_enable();
    do {
      cli();
      if (!latched && !ticked && Serial.available() == 0) {
        sei();  // the next instruction is still run before any interrupt
        sleep_cpu();
      }
      sei();
    } while (!sending && !latched && !ticked && Serial.available() == 0);
    sleep_disable();
    ticked = false;
  }

  uint32_t now_us() { return now().us(); }

  bool take_latch(ScaleLatch& taken) {
    if (!latched) {
      return false;
    }
    uint16_t ticks;
    uint8_t wraps;
    uint8_t pending;
    {
      Masked masked;
#if COILBENCH_TRAVEL == COILBENCH_TRAVEL_POTENTIOMETER
      if (scale.busy()) {
        return false;
      }
      latch_travel = scale.snapshot();
#endif
      ticks = latch_ticks;
      wraps = latch_wraps;
      pending = latch_pending;
      taken.travel = latch_travel;
      taken.missed = latch_missed;
      latch_missed = 0;
      latched = false;
    }
    if ((pending & _BV(TOV1)) && (ticks & 0x8000) == 0) {
      ++wraps;
    }
    // The present has the high bytes; it is later, so it can only be ahead.
    const uint32_t now_wraps = now().wraps;
    const Moment moment = {ticks, now_wraps - static_cast<uint8_t>(now_wraps - wraps)};
    taken.t_us = moment.us();
    return true;
  }

  Scale::Snapshot travel_now() {
#if COILBENCH_TRAVEL == COILBENCH_TRAVEL_CALIPER
    const uint32_t now_us = now().us();
    Masked masked;
    scale.finish_if_quiet(now_us);
#else
    Masked masked;
#endif
    return scale.snapshot();
  }

  bool adc_ready() { return (PINB & _BV(PB0)) == 0; }

  // High for less than a microsecond. Masked for this pulse only: over 60 us would power the
  // chip down, and a whole word masked would hold up the encoder's edges.
  bool adc_clock() {
    Masked masked;
    COILBENCH_SCK_PORT |= _BV(COILBENCH_SCK_BIT);
    __asm__ __volatile__("nop\n\tnop\n\tnop\n\t");  // DOUT is valid 0.1 us after the edge
    const bool high = (PINB & _BV(PB0)) != 0;
    COILBENCH_SCK_PORT &= static_cast<uint8_t>(~_BV(COILBENCH_SCK_BIT));
    return high;
  }

  void adc_power(bool on) {
    if (on) {
      COILBENCH_SCK_PORT &= static_cast<uint8_t>(~_BV(COILBENCH_SCK_BIT));
    } else {
      COILBENCH_SCK_PORT |= _BV(COILBENCH_SCK_BIT);
    }
  }

  // The edges of a word's own bits are no conversions.
  void adc_deafen() { TIMSK1 &= static_cast<uint8_t>(~_BV(ICIE1)); }

  void adc_listen() {
    TIFR1 = _BV(ICF1);
    TIMSK1 |= _BV(ICIE1);
  }

  bool accept_closed() { return (PIND & _BV(COILBENCH_ACCEPT_BIT)) == 0; }
  bool redo_closed() { return (PIND & _BV(COILBENCH_REDO_BIT)) == 0; }

  int receive() { return Serial.read(); }
  bool transmit_room() { return Serial.availableForWrite() > 0; }
  void transmit(uint8_t byte) { Serial.write(byte); }

  void led(bool on) {
    if (on) {
      COILBENCH_LED_PORT |= _BV(COILBENCH_LED_BIT);
    } else {
      COILBENCH_LED_PORT &= static_cast<uint8_t>(~_BV(COILBENCH_LED_BIT));
    }
  }

 private:
  static Moment now() {
    Masked masked;
    const uint16_t ticks = TCNT1;
    return moment_of(ticks);
  }

  // Inputs pulled up: an open wire then reads as silence or as a button not pressed.
  void begin_pins() {
    COILBENCH_SCK_DDR |= _BV(COILBENCH_SCK_BIT);
    COILBENCH_LED_DDR |= _BV(COILBENCH_LED_BIT);
    PORTB |= _BV(PB0);
    PORTD |= _BV(PD2) | _BV(PD3) | _BV(COILBENCH_ACCEPT_BIT) | _BV(COILBENCH_REDO_BIT);
  }

  void begin_timers() {
    Masked masked;
    TIMSK0 = 0;
    TCCR1A = 0;
    TCCR1B = _BV(ICNC1) | _BV(CS11);  // falling edge, noise canceller, 16 MHz / 8
    TCNT1 = 0;
    TIFR1 = _BV(ICF1) | _BV(TOV1);
    TIMSK1 = _BV(TOIE1);
    TCCR2A = _BV(WGM21);
    OCR2A = 249;
    TCCR2B = _BV(CS22) | _BV(CS21);  // 16 MHz / 256 / 250 = 250 Hz
    TIMSK2 = _BV(OCIE2A);
  }

  void begin_travel() {
#if COILBENCH_TRAVEL == COILBENCH_TRAVEL_QUADRATURE
    Masked masked;
    EICRA = _BV(ISC10) | _BV(ISC00);  // any change of either output
    EIFR = _BV(INTF1) | _BV(INTF0);
    EIMSK = _BV(INT1) | _BV(INT0);
    scale.begin((PIND >> PD2) & 3);
#elif COILBENCH_TRAVEL == COILBENCH_TRAVEL_CALIPER
    Masked masked;
    // The data line holds when the clock falls; transistors turn that edge into a rising one.
    EICRA = COILBENCH_CALIPER_INVERTED ? _BV(ISC01) | _BV(ISC00) : _BV(ISC01);
    EIFR = _BV(INTF0);
    EIMSK = _BV(INT0);
#elif COILBENCH_TRAVEL == COILBENCH_TRAVEL_POTENTIOMETER
    DIDR0 = _BV(COILBENCH_POTENTIOMETER_CHANNEL);
    ADMUX = _BV(REFS0) | COILBENCH_POTENTIOMETER_CHANNEL;  // against the supply
    ADCSRA = _BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);
#endif
  }
};

static Board board;

// --- interrupts ---------------------------------------------------------------------------

#if COILBENCH_TRAVEL == COILBENCH_TRAVEL_QUADRATURE
ISR(INT0_vect) { scale.step((PIND >> PD2) & 3); }
ISR(INT1_vect, ISR_ALIASOF(INT0_vect));
#elif COILBENCH_TRAVEL == COILBENCH_TRAVEL_CALIPER
ISR(INT0_vect) {
  const bool high = (PIND & _BV(PD3)) != 0;
  const uint16_t ticks = TCNT1;
  scale.edge(high != (COILBENCH_CALIPER_INVERTED != 0), moment_of(ticks).us());
}
#elif COILBENCH_TRAVEL == COILBENCH_TRAVEL_POTENTIOMETER
ISR(ADC_vect) {
  if (scale.reading(ADC)) {
    ADCSRA |= _BV(ADSC);
  }
}
#endif

// DOUT fell: a conversion is ready, or a glitch, which the loop tells by DOUT being up again. Time
// and travel are taken here, the word is read in the loop.
ISR(TIMER1_CAPT_vect) {
  latch_ticks = ICR1;
  latch_wraps = static_cast<uint8_t>(timer_wraps);
  latch_pending = TIFR1;
#if COILBENCH_TRAVEL == COILBENCH_TRAVEL_POTENTIOMETER
  scale.begin();
  ADCSRA |= _BV(ADSC);
#else
  latch_travel = scale.snapshot();
#endif
  if (latched && latch_missed != 0xFF) {
    ++latch_missed;
  }
  latched = true;
}

ISR(TIMER1_OVF_vect) { ++timer_wraps; }

ISR(TIMER2_COMPA_vect) {
  ticked = true;
  if (stalled_ticks != 0xFF) {
    ++stalled_ticks;
  }
}
