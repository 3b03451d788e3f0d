// The two other ways to read travel, following the same quill as the linear scale.
//
// The caliper: every 200 ms a frame of 24 bits, lowest first, in 13 ms; its clock rests high and
// its data are to be taken as the clock falls. Two transistors turn both signals upside down.
// The potentiometer: a voltage at A0.
#include <math.h>
#include <simavr/avr_adc.h>
#include <stdlib.h>

#include "rigsim.h"

#define CLOCK_BIT 2  // port D, Arduino 2
#define DATA_BIT 3   // port D, Arduino 3
#define FRAME_S 0.2
#define HALF_BIT_S (13e-3 / 48)
#define VCC_MV 5000.0
#define POT_STROKE_MM 60.0
#define ADC_TRIGGER_CHANNEL 0

static void wire(rig_t *rig, int bit, bool high) { chip_drive(rig, 'D', bit, !high); }

static uint32_t frame_of(double mm) {
  const long hundredths = lround(mm * 100);
  return (uint32_t)labs(hundredths) | (hundredths < 0 ? 1u << 20 : 0);
}

// Halves of a bit: even ones set data and let the clock fall, odd ones let it rise.
static avr_cycle_count_t next_half(avr_t *avr, avr_cycle_count_t when, void *parameter) {
  (void)avr;
  rig_t *rig = parameter;
  caliper_t *caliper = &rig->caliper;
  if (caliper->half == 0) caliper->frame = frame_of(scale_mm(rig));
  const int bit = caliper->half / 2;
  if (caliper->half % 2 == 0) {
    wire(rig, DATA_BIT, caliper->frame >> bit & 1);
    wire(rig, CLOCK_BIT, false);
  } else {
    wire(rig, DATA_BIT, !(caliper->frame >> bit & 1));  // no longer valid: a wrong edge reads wrong
    wire(rig, CLOCK_BIT, true);
  }
  if (++caliper->half < 48) return when + cycles_of(HALF_BIT_S);
  caliper->half = 0;
  return caliper->off ? 0 : when + cycles_of(FRAME_S - 13e-3);
}

void caliper_begin(rig_t *rig) {
  wire(rig, CLOCK_BIT, true);
  wire(rig, DATA_BIT, true);
  if (!rig->caliper.off)
    avr_cycle_timer_register(rig->chip.avr, cycles_of(HALF_BIT_S), next_half, rig);
}

void caliper_switch(rig_t *rig, bool on) {
  rig->caliper.off = !on;
  if (on) avr_cycle_timer_register(rig->chip.avr, cycles_of(HALF_BIT_S), next_half, rig);
}

// The simulated ADC asks for the voltage as it begins a conversion.
static void on_conversion(struct avr_irq_t *irq, uint32_t value, void *parameter) {
  (void)irq;
  (void)value;
  rig_t *rig = parameter;
  const double mv = VCC_MV * (0.5 + scale_mm(rig) / POT_STROKE_MM);
  avr_raise_irq(avr_io_getirq(rig->chip.avr, AVR_IOCTL_ADC_GETIRQ, ADC_TRIGGER_CHANNEL),
                (uint32_t)(mv < 0 ? 0 : mv > VCC_MV ? VCC_MV : mv));
}

void potentiometer_begin(rig_t *rig) {
  avr_irq_t *asks = avr_io_getirq(rig->chip.avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_OUT_TRIGGER);
  avr_irq_register_notify(asks, on_conversion, rig);
}
