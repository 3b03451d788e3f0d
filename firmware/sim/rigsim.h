// A rig on a simulated chip: the sketch's own .elf on libsimavr, with an HX711 and a scale wired
// to its pins, a press that moves, and faults to order.
#pragma once

#include <simavr/sim_avr.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

#define CHIP_HZ 16000000.0
#define ACCEPT_BIT 4  // port D, as in config.h
#define REDO_BIT 5

typedef struct rig rig_t;

// --- chip.c: the microcontroller and its pins ---------------------------------------------

typedef struct {
  avr_t *avr;
  uint8_t mask[2];   // pins driven from outside, by port: B, D
  uint8_t level[2];  // and how
  bool was_reset;    // since chip_step() last looked
  unsigned resets;
  avr_cycle_count_t asleep;  // cycles
  bool erase_cause;  // as many bootloaders do with the note of why the chip was reset
  uint32_t random;   // state of the generator behind all noise
} chip_t;

void chip_open(rig_t *rig, const char *elf, const char *eeprom, uint32_t seed);
void chip_close(rig_t *rig, const char *eeprom);
// Drive a pin: port 'B' or 'D'.
void chip_drive(rig_t *rig, char port, int bit, bool high);
// Run until something happened or a millisecond is over; 0 while alive.
int chip_step(rig_t *rig);
void chip_reset(rig_t *rig);
// Writes four bytes of RAM, low byte first, as if the sketch had.
void chip_poke(rig_t *rig, uint32_t address, uint32_t value);
// Put the program counter into an endless loop, with interrupts masked or not: only the watchdog
// gets it out.
void chip_hang(rig_t *rig, bool masked);
double chip_seconds(const rig_t *rig);
avr_cycle_count_t cycles_of(double seconds);
uint32_t chip_random(rig_t *rig);

// --- hx711.c ------------------------------------------------------------------------------

typedef enum { ADC_NORMAL, ADC_DEAD, ADC_STUCK_LOW, ADC_SATURATED_HIGH, ADC_SATURATED_LOW } adc_fault_t;

typedef struct {
  double sps;
  adc_fault_t fault;
  bool powered;      // false: SCK was high for more than 60 us
  bool sck;
  bool ready;        // DOUT low, a word waits
  bool dout;
  int pulses;        // since the word became ready
  int extra_pulses;  // noise on SCK still to be added to the next word
  int unsettled;     // conversions until the filter has settled
  int gain;
  int32_t word;
  int32_t history[4];
  avr_cycle_count_t ready_cycle;
  avr_cycle_count_t rise_cycle;
  int32_t ready_travel;
  bool ready_settled;
  // What was seen, for the report.
  unsigned long conversions, words_read, overwritten, wrong_pulses, power_downs;
  double latency_us, sck_high_max_us, word_max_us, latency_max_us;
} hx711_t;

void hx711_begin(rig_t *rig);  // also after a reset of the chip: the HX711 knows nothing of it
void hx711_set_fault(rig_t *rig, adc_fault_t fault);
void hx711_set_rate(rig_t *rig, double sps);
void hx711_stop(rig_t *rig);  // no more conversions
// Let the next conversion be ready so long after the next wrap of the chip's timer 1.
void hx711_align(rig_t *rig, double after_us);
void hx711_glitch(rig_t *rig, double low_us);  // DOUT dips without a conversion
void hx711_dip(rig_t *rig, double before_us);  // the same for 1 us, so long before timer 1 wraps

// --- travel.c: a scale with outputs A and B ------------------------------------------------

typedef struct {
  double um_per_count;
  // A move: raised cosine, or even when edge_rate is not 0.
  double from_mm, to_mm, start_s, seconds;
  bool even;
  double skew;        // every second edge late by this part of an edge's interval
  int32_t count;      // where the outputs stand
  unsigned long edges;
} scale_t;

void scale_begin(rig_t *rig);
void scale_move(rig_t *rig, double to_mm, double seconds);
void scale_edges(rig_t *rig, double edges_per_s, double seconds, double skew);
void scale_jump(rig_t *rig, int edges);  // several at once: impossible for the decoder
double scale_mm(const rig_t *rig);

// --- other_scales.c: a caliper or a potentiometer on the same quill -------------------------

typedef struct {
  uint32_t frame;
  int half;  // of a bit, 0 to 47
  bool off;
} caliper_t;

void caliper_begin(rig_t *rig);
void caliper_switch(rig_t *rig, bool on);
void potentiometer_begin(rig_t *rig);

// --- press.c: what the load cell feels -----------------------------------------------------

typedef enum { LOAD_FIXED, LOAD_COUNTING, LOAD_RANDOM, LOAD_SPRING } load_kind_t;

typedef struct {
  load_kind_t kind;
  int32_t fixed;
  int32_t next;        // of LOAD_COUNTING
  double free_mm;      // spring's free length
  double rate_n_per_mm;
  double solid_mm;
  double start_mm;     // height between the faces at travel 0
  double flex_mm_per_n;
  double friction_n;   // felt against the direction of motion
  double counts_per_n;
  double noise_counts;
  int32_t offset_counts;
  double last_mm, direction;
} press_t;

int32_t press_counts(rig_t *rig);

// --- line.c: the UART's other end ----------------------------------------------------------

typedef struct {
  int pty;             // master's descriptor, or -1
  bool attached;
  bool reset_on_open;  // as a board's DTR does
  FILE *copy;          // everything sent, or NULL
  uint8_t *waiting;    // bytes for the chip's RX
  size_t wait_at, wait_end, wait_size;
  unsigned long sent, received, unheard;
} line_t;

void line_open(rig_t *rig, bool pty, const char *copy);
void line_close(rig_t *rig);
void line_begin(rig_t *rig);
void line_feed(rig_t *rig, const uint8_t *bytes, size_t count);  // bytes for the chip
void line_poll(rig_t *rig);

// --- scenario.c: what happens when ---------------------------------------------------------

typedef struct {
  double at_s;
  char *words;
} event_t;

typedef struct {
  event_t *events;
  size_t count, next;
  bool over;
} scenario_t;

void scenario_read(rig_t *rig, FILE *in);
// Do what is due; false when that was `end`.
bool scenario_run(rig_t *rig);

// --- all of it -----------------------------------------------------------------------------

struct rig {
  chip_t chip;
  hx711_t adc;
  scale_t scale;
  caliper_t caliper;
  enum { WITH_SCALE, WITH_CALIPER, WITH_POTENTIOMETER } travel;
  press_t press;
  line_t line;
  scenario_t scenario;
  FILE *truth;  // a row for each settled word that was read whole
};

__attribute__((noreturn, format(printf, 1, 2))) void die(const char *format, ...);
