// The microcontroller: loading, pins, resets.
#include <simavr/avr_eeprom.h>
#include <simavr/avr_extint.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_elf.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>

#include "rigsim.h"

#define RAM_START 0x100
#define HANG_AT 0x7E00  // unused flash, byte address
#define MCUSR 0x54      // the cause of the last reset

static rig_t *the_rig;  // avr->reset takes no parameter
static void (*core_reset)(avr_t *avr);

avr_cycle_count_t cycles_of(double seconds) {
  return seconds <= 0 ? 1 : (avr_cycle_count_t)(seconds * CHIP_HZ) + 1;
}

double chip_seconds(const rig_t *rig) { return (double)rig->chip.avr->cycle / CHIP_HZ; }

// xorshift32 (Marsaglia 2003): noise that can be repeated.
uint32_t chip_random(rig_t *rig) {
  uint32_t x = rig->chip.random;
  x ^= x << 13;
  x ^= x >> 17;
  x ^= x << 5;
  return rig->chip.random = x;
}

static void on_reset(avr_t *avr) {
  if (core_reset) core_reset(avr);
  the_rig->chip.was_reset = true;
}

static void quiet(avr_t *avr, const int level, const char *format, va_list arguments) {
  (void)avr;
  if (level == LOG_ERROR) vfprintf(stderr, format, arguments);
}

// The simulator must not sleep by itself: main.c keeps the pace.
static void no_sleep(avr_t *avr, avr_cycle_count_t how_long) {
  (void)avr;
  the_rig->chip.asleep += how_long + 1;
}

static void load_eeprom(rig_t *rig, const char *path) {
  uint8_t bytes[1024];
  memset(bytes, 0xFF, sizeof bytes);  // as it leaves the factory
  FILE *file = path ? fopen(path, "rb") : NULL;
  if (file) {
    if (fread(bytes, 1, sizeof bytes, file) != sizeof bytes) die("%s is not 1024 bytes", path);
    fclose(file);
  }
  avr_eeprom_desc_t eeprom = {.ee = bytes, .offset = 0, .size = sizeof bytes};
  avr_ioctl(rig->chip.avr, AVR_IOCTL_EEPROM_SET, &eeprom);
}

void chip_open(rig_t *rig, const char *elf, const char *eeprom, uint32_t seed) {
  avr_global_logger_set(quiet);
  elf_firmware_t firmware;
  memset(&firmware, 0, sizeof firmware);
  if (elf_read_firmware(elf, &firmware) != 0) die("cannot read %s", elf);
  strcpy(firmware.mmcu, "atmega328p");
  firmware.frequency = (uint32_t)CHIP_HZ;

  avr_t *avr = rig->chip.avr = avr_make_mcu_by_name(firmware.mmcu);
  if (!avr) die("the simulator knows no %s", firmware.mmcu);
  the_rig = rig;
  rig->chip.random = seed ? seed : 1;
  avr_init(avr);
  avr_load_firmware(avr, &firmware);
  avr->vcc = avr->avcc = avr->aref = 5000;
  avr->sleep = no_sleep;
  core_reset = avr->reset;
  avr->reset = on_reset;

  for (unsigned at = RAM_START; at <= avr->ramend; ++at)  // RAM wakes up full of noise
    avr->data[at] = (uint8_t)chip_random(rig);
  avr->flash[HANG_AT] = 0xFF;  // rjmp to itself
  avr->flash[HANG_AT + 1] = 0xCF;
  load_eeprom(rig, eeprom);

  // The UART must neither print nor sleep.
  uint32_t flags = 0;
  avr_ioctl(avr, AVR_IOCTL_UART_GET_FLAGS('0'), &flags);
  flags &= ~(uint32_t)(AVR_UART_FLAG_STDIO | AVR_UART_FLAG_POLL_SLEEP);
  avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
  rig->chip.was_reset = true;
  rig->chip.mask[1] = rig->chip.level[1] = 1 << ACCEPT_BIT | 1 << REDO_BIT;  // not pressed
}

void chip_close(rig_t *rig, const char *path) {
  if (path) {
    avr_eeprom_desc_t eeprom = {.ee = NULL, .offset = 0, .size = 1024};
    avr_ioctl(rig->chip.avr, AVR_IOCTL_EEPROM_GET, &eeprom);
    FILE *file = fopen(path, "wb");
    if (!file || fwrite(eeprom.ee, 1, 1024, file) != 1024 || fclose(file) != 0)
      die("cannot write %s", path);
  }
  avr_terminate(rig->chip.avr);
}

static void show(rig_t *rig, char port, int bit, bool afresh) {
  const int p = port == 'B' ? 0 : 1;
  avr_ioport_external_t external = {
      .name = (unsigned char)port, .mask = rig->chip.mask[p], .value = rig->chip.level[p]};
  // Without this a write to PORT would pull the pin up again.
  avr_ioctl(rig->chip.avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(port), &external);
  avr_irq_t *irq = avr_io_getirq(rig->chip.avr, AVR_IOCTL_IOPORT_GETIRQ(port), bit);
  if (afresh) irq->flags |= IRQ_FLAG_INIT;  // else an unchanged level isn't passed on
  avr_raise_irq(irq, (rig->chip.level[p] >> bit) & 1);
}

void chip_drive(rig_t *rig, char port, int bit, bool high) {
  const int p = port == 'B' ? 0 : 1;
  const uint8_t mask = (uint8_t)(1 << bit);
  rig->chip.mask[p] |= mask;
  rig->chip.level[p] = (uint8_t)(high ? rig->chip.level[p] | mask : rig->chip.level[p] & ~mask);
  show(rig, port, bit, false);
}

// A reset forgets the harness's timers and the inputs' levels.
static void rearm(rig_t *rig) {
  rig->chip.was_reset = false;
  ++rig->chip.resets;
  if (rig->chip.erase_cause) rig->chip.avr->data[MCUSR] = 0;
  for (int bit = 0; bit < 8; ++bit) {
    if (rig->chip.mask[0] >> bit & 1) show(rig, 'B', bit, true);
    if (rig->chip.mask[1] >> bit & 1) show(rig, 'D', bit, true);
  }
  // Low pins with level triggering, as before setup(), would slow the simulation fifty-fold.
  avr_extint_set_strict_lvl_trig(rig->chip.avr, 0, 0);
  avr_extint_set_strict_lvl_trig(rig->chip.avr, 1, 0);
  hx711_begin(rig);
  scale_begin(rig);
  if (rig->travel == WITH_CALIPER) caliper_begin(rig);
  if (rig->travel == WITH_POTENTIOMETER) potentiometer_begin(rig);
  line_begin(rig);
}

int chip_step(rig_t *rig) {
  avr_t *avr = rig->chip.avr;
  const avr_cycle_count_t until = avr->cycle + (avr_cycle_count_t)(CHIP_HZ / 1000);
  do {
    if (rig->chip.was_reset) rearm(rig);
    const int state = avr_run(avr);
    if (state == cpu_Done || state == cpu_Crashed) return state;
  } while (avr->cycle < until);
  return 0;
}

void chip_reset(rig_t *rig) { avr_reset(rig->chip.avr); }

void chip_poke(rig_t *rig, uint32_t address, uint32_t value) {
  avr_t *avr = rig->chip.avr;
  if (address < RAM_START || address + 3 > avr->ramend) die("scenario: no RAM at %u", address);
  for (int i = 0; i < 4; ++i) avr->data[address + i] = (uint8_t)(value >> 8 * i);
}

void chip_hang(rig_t *rig, bool masked) {
  if (masked) rig->chip.avr->sreg[S_I] = 0;
  rig->chip.avr->pc = HANG_AT;
  rig->chip.avr->state = cpu_Running;
}
