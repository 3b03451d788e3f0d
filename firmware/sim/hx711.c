// The HX711 at its two pins, after its datasheet: DOUT falls when a conversion is ready; each
// rising SCK shifts a bit out, highest first; 25, 26 or 27 pulses choose the next gain and leave
// DOUT high; SCK high for more than 60 us powers it down, and it wakes on channel A, gain 128.
// Harder than a real one in one way: it shows the four conversions that have not settled.
#include <simavr/avr_ioport.h>
#include <string.h>

#include "rigsim.h"

#define DOUT_BIT 0  // port B, Arduino 8
#define SCK_BIT 1   // port B, Arduino 9
#define TCNT1L 0x84
#define POWER_DOWN_S 60e-6
#define SETTLING 4

static avr_cycle_count_t convert(avr_t *avr, avr_cycle_count_t when, void *rig);
static avr_cycle_count_t power_down(avr_t *avr, avr_cycle_count_t when, void *rig);
static avr_cycle_count_t glitch_over(avr_t *avr, avr_cycle_count_t when, void *rig);

static void drive(rig_t *rig) {
  const hx711_t *adc = &rig->adc;
  const bool high = adc->fault == ADC_STUCK_LOW ? false : adc->fault == ADC_DEAD ? true : adc->dout;
  chip_drive(rig, 'B', DOUT_BIT, high);
}

static double us_since(rig_t *rig, avr_cycle_count_t then) {
  return (double)(rig->chip.avr->cycle - then) / CHIP_HZ * 1e6;
}

// The load through a filter that wants four conversions: their mean.
static int32_t filtered(rig_t *rig) {
  hx711_t *adc = &rig->adc;
  if (adc->fault == ADC_SATURATED_HIGH) return 0x7FFFFF;
  if (adc->fault == ADC_SATURATED_LOW) return -0x800000;
  const int32_t now = press_counts(rig);
  if (rig->press.kind != LOAD_SPRING) return adc->unsettled > 0 ? now / 3 - 1000 : now;
  memmove(adc->history, adc->history + 1, 3 * sizeof *adc->history);
  adc->history[3] = now;
  int64_t sum = 0;
  for (int i = 0; i < 4; ++i) sum += adc->history[i];
  const int64_t mean = sum / 4;
  return (int32_t)(mean > 0x7FFFFF ? 0x7FFFFF : mean < -0x800000 ? -0x800000 : mean);
}

// A word was offered and the next is due: how was it taken?
static void close_word(rig_t *rig) {
  hx711_t *adc = &rig->adc;
  if (adc->pulses == 0) {
    if (adc->ready) ++adc->overwritten;
    return;
  }
  if (adc->pulses < 25 || adc->pulses > 27) ++adc->wrong_pulses;
  const int gain = adc->pulses == 26 ? 32 : adc->pulses == 27 ? 64 : 128;
  if (gain != adc->gain) adc->unsettled = SETTLING;
  adc->gain = gain;
}

static avr_cycle_count_t convert(avr_t *avr, avr_cycle_count_t when, void *parameter) {
  rig_t *rig = parameter;
  hx711_t *adc = &rig->adc;
  if (!adc->powered) return 0;
  close_word(rig);
  adc->word = filtered(rig);
  adc->ready_settled = adc->unsettled == 0;
  if (adc->unsettled > 0) --adc->unsettled;
  ++adc->conversions;
  if (adc->ready) {  // an unread one: DOUT must rise to be able to fall
    adc->dout = true;
    drive(rig);
  }
  adc->ready = true;
  adc->pulses = 0;
  adc->dout = false;
  adc->ready_cycle = avr->cycle;
  adc->ready_travel = rig->scale.count;
  drive(rig);
  return when + cycles_of(1.0 / adc->sps);
}

static void start_converting(rig_t *rig) {
  hx711_t *adc = &rig->adc;
  adc->ready = false;
  adc->dout = true;
  adc->pulses = 0;
  avr_cycle_timer_register(rig->chip.avr, cycles_of(1.0 / adc->sps), convert, rig);
}

static avr_cycle_count_t power_down(avr_t *avr, avr_cycle_count_t when, void *parameter) {
  (void)when;
  rig_t *rig = parameter;
  hx711_t *adc = &rig->adc;
  adc->powered = false;
  adc->ready = false;
  adc->dout = true;
  ++adc->power_downs;
  avr_cycle_timer_cancel(avr, convert, rig);
  drive(rig);
  return 0;
}

static void shift(rig_t *rig) {
  hx711_t *adc = &rig->adc;
  if (!adc->ready) {  // nothing to give: DOUT stays high
    return;
  }
  ++adc->pulses;
  adc->dout = adc->pulses <= 24 ? (adc->word >> (24 - adc->pulses)) & 1 : true;
  if (adc->pulses == 1) adc->latency_us = us_since(rig, adc->ready_cycle);
  if (adc->pulses == 25) {
    const double took = us_since(rig, adc->ready_cycle) - adc->latency_us;
    if (adc->latency_us > adc->latency_max_us) adc->latency_max_us = adc->latency_us;
    if (took > adc->word_max_us) adc->word_max_us = took;
    ++adc->words_read;
    if (rig->truth && adc->ready_settled)
      fprintf(rig->truth, "%llu,%d,%d\n", (unsigned long long)adc->ready_cycle, adc->word,
              adc->ready_travel);
  }
  drive(rig);
}

static void on_sck(struct avr_irq_t *irq, uint32_t value, void *parameter) {
  (void)irq;
  rig_t *rig = parameter;
  hx711_t *adc = &rig->adc;
  const bool high = value & 1;
  if (high == adc->sck) return;
  adc->sck = high;
  if (high) {
    adc->rise_cycle = rig->chip.avr->cycle;
    avr_cycle_timer_register(rig->chip.avr, cycles_of(POWER_DOWN_S), power_down, rig);
    if (adc->powered) {
      shift(rig);
      if (adc->extra_pulses > 0 && adc->pulses == 8) {
        --adc->extra_pulses;
        shift(rig);
      }
    }
    return;
  }
  avr_cycle_timer_cancel(rig->chip.avr, power_down, rig);
  if (adc->powered) {
    const double width = us_since(rig, adc->rise_cycle);
    if (width > adc->sck_high_max_us) adc->sck_high_max_us = width;
    return;
  }
  adc->powered = true;
  adc->unsettled = SETTLING;
  adc->gain = 128;
  memset(adc->history, 0, sizeof adc->history);
  start_converting(rig);
}

void hx711_begin(rig_t *rig) {
  hx711_t *adc = &rig->adc;
  avr_irq_t *sck = avr_io_getirq(rig->chip.avr, AVR_IOCTL_IOPORT_GETIRQ('B'), SCK_BIT);
  avr_irq_register_notify(sck, on_sck, rig);
  const bool first = rig->chip.resets == 1;
  if (first) {
    adc->powered = true;
    adc->dout = true;
    adc->gain = 128;
    adc->unsettled = SETTLING;
  }
  adc->sck = false;  // a pin under reset floats; a resistor on the module holds SCK low
  if (!adc->powered) {
    adc->powered = true;
    adc->unsettled = SETTLING;
  }
  // The next conversion is up to one period away; which part of it has passed does not matter.
  avr_cycle_timer_register(rig->chip.avr, cycles_of(1.0 / adc->sps), convert, rig);
  drive(rig);
}

void hx711_set_fault(rig_t *rig, adc_fault_t fault) {
  rig->adc.fault = fault;
  drive(rig);
}

void hx711_set_rate(rig_t *rig, double sps) {
  rig->adc.sps = sps;
  if (avr_cycle_timer_status(rig->chip.avr, convert, rig))
    avr_cycle_timer_register(rig->chip.avr, cycles_of(1.0 / sps), convert, rig);
}

void hx711_stop(rig_t *rig) { avr_cycle_timer_cancel(rig->chip.avr, convert, rig); }

// How long until timer 1 wraps; it counts in steps of eight cycles.
static double until_wrap_s(rig_t *rig) {
  avr_t *avr = rig->chip.avr;
  const avr_io_addr_t low = AVR_DATA_TO_IO(TCNT1L);
  const uint8_t low_byte = avr->io[low].r.c(avr, TCNT1L, avr->io[low].r.param);  // latches both
  const unsigned ticks = low_byte | (unsigned)avr->data[TCNT1L + 1] << 8;
  return (65536 - ticks) * 0.5e-6;
}

void hx711_align(rig_t *rig, double after_us) {
  const double wait_s = until_wrap_s(rig) + after_us * 1e-6;
  avr_cycle_timer_register(rig->chip.avr, cycles_of(wait_s), convert, rig);
}

static avr_cycle_count_t glitch_over(avr_t *avr, avr_cycle_count_t when, void *parameter) {
  (void)avr;
  (void)when;
  drive(parameter);
  return 0;
}

void hx711_glitch(rig_t *rig, double low_us) {
  chip_drive(rig, 'B', DOUT_BIT, false);
  avr_cycle_timer_register(rig->chip.avr, cycles_of(low_us * 1e-6), glitch_over, rig);
}

static avr_cycle_count_t dip(avr_t *avr, avr_cycle_count_t when, void *parameter) {
  (void)avr;
  (void)when;
  hx711_glitch(parameter, 1);
  return 0;
}

void hx711_dip(rig_t *rig, double before_us) {
  const double wait_s = until_wrap_s(rig) - before_us * 1e-6;
  avr_cycle_timer_register(rig->chip.avr, cycles_of(wait_s), dip, rig);
}
