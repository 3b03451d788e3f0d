// rigsim: the command line, the pace, the report (see ../README.md).
#include <getopt.h>
#include <math.h>
#include <signal.h>
#include <stdarg.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "rigsim.h"

#define FLUSH_S 0.05

static volatile sig_atomic_t told_to_stop;

static void stop(int signal) {
  (void)signal;
  told_to_stop = 1;
}

void die(const char *format, ...) {
  va_list arguments;
  va_start(arguments, format);
  fputs("rigsim: ", stderr);
  vfprintf(stderr, format, arguments);
  fputc('\n', stderr);
  va_end(arguments);
  exit(2);
}

static double monotonic_s(void) {
  struct timespec now;
  clock_gettime(CLOCK_MONOTONIC, &now);
  return (double)now.tv_sec + (double)now.tv_nsec * 1e-9;
}

// Wait for the wall clock where the simulation is ahead of it.
static void keep_pace(const rig_t *rig, double speed, double began_s) {
  if (speed <= 0) return;
  const double ahead = chip_seconds(rig) / speed - (monotonic_s() - began_s);
  if (ahead <= 0) return;
  const struct timespec wait = {(time_t)ahead, (long)((ahead - (double)(time_t)ahead) * 1e9)};
  nanosleep(&wait, NULL);
}

static void report(const rig_t *rig, double wall_s) {
  const hx711_t *adc = &rig->adc;
  printf("{\"seconds\": %.6f, \"wall_s\": %.3f, \"resets\": %u,", chip_seconds(rig), wall_s,
         rig->chip.resets - 1);
  printf(" \"busy\": %.4f,", 1 - (double)rig->chip.asleep / (double)rig->chip.avr->cycle);
  printf(" \"conversions\": %lu, \"words_read\": %lu, \"overwritten\": %lu, \"wrong_pulses\": %lu,",
         adc->conversions, adc->words_read, adc->overwritten, adc->wrong_pulses);
  printf(" \"power_downs\": %lu, \"gain\": %d, \"sck_high_max_us\": %.3f,", adc->power_downs,
         adc->gain, adc->sck_high_max_us);
  printf(" \"latency_max_us\": %.1f, \"word_max_us\": %.1f,", adc->latency_max_us,
         adc->word_max_us);
  printf(" \"edges\": %lu, \"count\": %d,", rig->scale.edges, rig->scale.count);
  printf(" \"bytes_sent\": %lu, \"bytes_received\": %lu, \"bytes_unheard\": %lu}\n",
         rig->line.sent, rig->line.received, rig->line.unheard);
}

static const char kUsage[] =
    "usage: rigsim --elf FILE [--pty] [--no-reset-on-open] [--bootloader] [--speed X] [--seconds N]\n"
    "              [--out FILE] [--truth FILE] [--eeprom FILE] [--seed N] [--scenario FILE|-]\n"
    "              [--travel quadrature|caliper|potentiometer]\n"
    "--pty: time begins when the port is opened. --speed 1 is real time (the default with\n"
    "--pty), 0 as fast as it goes\n";

typedef struct {
  const char *elf, *out, *truth, *eeprom, *scenario;
  bool pty, reset_on_open, bootloader;
  double speed, seconds;
  uint32_t seed;
  int travel;
} options_t;

static int travel_of(const char *name) {
  static const char *const kNames[] = {"quadrature", "caliper", "potentiometer"};
  for (int i = 0; i < 3; ++i)
    if (!strcmp(name, kNames[i])) return i;
  die("unknown travel %s", name);
}

static options_t parse(int argc, char *argv[]) {
  static const struct option kOptions[] = {
      {"elf", required_argument, 0, 'e'},     {"pty", no_argument, 0, 'p'},
      {"speed", required_argument, 0, 's'},   {"seconds", required_argument, 0, 'n'},
      {"out", required_argument, 0, 'o'},     {"truth", required_argument, 0, 't'},
      {"eeprom", required_argument, 0, 'r'},  {"seed", required_argument, 0, 'd'},
      {"travel", required_argument, 0, 'v'},
      {"bootloader", no_argument, 0, 'b'},    {"scenario", required_argument, 0, 'c'}, {"no-reset-on-open", no_argument, 0, 'k'},
      {0, 0, 0, 0}};
  options_t o = {.reset_on_open = true, .speed = -1, .seconds = 0, .seed = 20240229};
  int option;
  while ((option = getopt_long(argc, argv, "", kOptions, NULL)) != -1) {
    switch (option) {
      case 'e': o.elf = optarg; break;
      case 'p': o.pty = true; break;
      case 's': o.speed = atof(optarg); break;
      case 'n': o.seconds = atof(optarg); break;
      case 'o': o.out = optarg; break;
      case 't': o.truth = optarg; break;
      case 'r': o.eeprom = optarg; break;
      case 'd': o.seed = (uint32_t)strtoul(optarg, NULL, 10); break;
      case 'c': o.scenario = optarg; break;
      case 'b': o.bootloader = true; break;
      case 'v': o.travel = travel_of(optarg); break;
      case 'k': o.reset_on_open = false; break;
      default: die("%s", kUsage);
    }
  }
  if (!o.elf || optind != argc) die("%s", kUsage);
  if (o.speed < 0) o.speed = o.pty ? 1 : 0;
  return o;
}

static void read_scenario(rig_t *rig, const char *path) {
  if (!path) return;
  FILE *in = strcmp(path, "-") ? fopen(path, "r") : stdin;
  if (!in) die("cannot read %s", path);
  scenario_read(rig, in);
}

int main(int argc, char *argv[]) {
  const options_t o = parse(argc, argv);
  static rig_t rig = {
      .adc = {.sps = 80},
      .scale = {.um_per_count = 5},
      .press = {.kind = LOAD_SPRING, .free_mm = 48, .rate_n_per_mm = 22, .solid_mm = 24,
                .start_mm = 52, .flex_mm_per_n = 0.0004, .friction_n = 2, .counts_per_n = 900,
                .noise_counts = 25, .offset_counts = 84000},
  };
  rig.travel = o.travel;
  read_scenario(&rig, o.scenario);
  if (o.truth && !(rig.truth = fopen(o.truth, "w"))) die("cannot write %s", o.truth);
  line_open(&rig, o.pty, o.out);
  rig.line.reset_on_open = o.reset_on_open;
  rig.chip.erase_cause = o.bootloader;
  chip_open(&rig, o.elf, o.eeprom, o.seed);
  signal(SIGTERM, stop);
  signal(SIGINT, stop);
  signal(SIGPIPE, SIG_IGN);

  while (o.pty && !told_to_stop && !rig.line.attached) {  // time begins with the first listener
    nanosleep(&(struct timespec){0, 2000000}, NULL);
    line_poll(&rig);
  }
  const double began_s = monotonic_s();
  int dead = 0;
  double stop_s = o.seconds > 0 ? o.seconds : HUGE_VAL;
  while (!told_to_stop && !dead && chip_seconds(&rig) < stop_s) {
    if (!scenario_run(&rig)) {  // its end: no more conversions, and time to send what was read
      hx711_stop(&rig);
      stop_s = fmin(stop_s, chip_seconds(&rig) + FLUSH_S);
    }
    dead = chip_step(&rig);
    line_poll(&rig);
    keep_pace(&rig, o.speed, began_s);
  }
  report(&rig, monotonic_s() - began_s);
  if (rig.truth) fclose(rig.truth);
  line_close(&rig);
  chip_close(&rig, o.eeprom);
  return dead ? 1 : 0;
}
