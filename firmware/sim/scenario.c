// What happens when: lines of `SECONDS COMMAND ...` in order of time (README.md lists them).
#include <stdlib.h>
#include <string.h>

#include "rigsim.h"

#define WORDS 12

void scenario_read(rig_t *rig, FILE *in) {
  scenario_t *scenario = &rig->scenario;
  char text[1024];
  double last = 0;
  while (fgets(text, sizeof text, in)) {
    char *rest;
    const double at = strtod(text, &rest);
    if (rest == text) {
      if (strspn(text, " \t\r\n") == strlen(text) || *text == '#') continue;
      die("scenario: no time in: %s", text);
    }
    if (at < last) die("scenario: out of order: %s", text);
    last = at;
    scenario->events = realloc(scenario->events, (scenario->count + 1) * sizeof(event_t));
    if (!scenario->events) die("out of memory");
    scenario->events[scenario->count++] = (event_t){.at_s = at, .words = strdup(rest)};
  }
}

static int split(char *text, char *words[WORDS]) {
  int count = 0;
  for (char *word = strtok(text, " \t\r\n"); word && count < WORDS; word = strtok(NULL, " \t\r\n"))
    words[count++] = word;
  return count;
}

static double number(char *const words[], int count, int at) {
  char *end = NULL;
  const double value = at < count ? strtod(words[at], &end) : 0;
  if (at >= count || *end) die("scenario: %s needs a number as word %d", words[0], at);
  return value;
}

static void set_load(rig_t *rig, char *words[], int count) {
  press_t *press = &rig->press;
  const char *kind = count > 1 ? words[1] : "";
  if (!strcmp(kind, "fixed")) {
    press->kind = LOAD_FIXED;
    press->fixed = (int32_t)number(words, count, 2);
  } else if (!strcmp(kind, "counting")) {
    press->kind = LOAD_COUNTING;
    press->next = (int32_t)number(words, count, 2);
  } else if (!strcmp(kind, "random")) {
    press->kind = LOAD_RANDOM;
  } else if (!strcmp(kind, "spring")) {
    press->kind = LOAD_SPRING;
    press->free_mm = number(words, count, 2);
    press->rate_n_per_mm = number(words, count, 3);
    press->solid_mm = number(words, count, 4);
  } else {
    die("scenario: unknown load %s", kind);
  }
}

static void set_adc(rig_t *rig, char *words[], int count) {
  static const char *const kNames[] = {"normal", "dead", "stuck", "high", "low"};
  const char *name = count > 1 ? words[1] : "";
  if (!strcmp(name, "rate")) return hx711_set_rate(rig, number(words, count, 2));
  if (!strcmp(name, "align")) return hx711_align(rig, number(words, count, 2));
  if (!strcmp(name, "glitch")) return hx711_glitch(rig, number(words, count, 2));
  if (!strcmp(name, "dip")) return hx711_dip(rig, number(words, count, 2));
  if (!strcmp(name, "pulse")) {
    ++rig->adc.extra_pulses;
    return;
  }
  for (int i = 0; i < 5; ++i)
    if (!strcmp(name, kNames[i])) return hx711_set_fault(rig, (adc_fault_t)i);
  die("scenario: unknown adc %s", name);
}

static void send(rig_t *rig, char *words[], int count) {
  if (count > 1 && !strcmp(words[1], "noise")) {
    for (int i = (int)number(words, count, 2); i > 0; --i) {
      const uint8_t byte = (uint8_t)(chip_random(rig) >> 24);
      line_feed(rig, &byte, 1);
    }
    return;
  }
  for (int i = 1; i < count; ++i) {  // text as it stands, a space between words, LF at the end
    line_feed(rig, (const uint8_t *)words[i], strlen(words[i]));
    line_feed(rig, (const uint8_t *)(i + 1 < count ? " " : "\n"), 1);
  }
}

static void press_button(rig_t *rig, char *words[], int count) {
  const bool redo = count > 1 && !strcmp(words[1], "redo");
  const bool down = count > 2 && !strcmp(words[2], "down");
  chip_drive(rig, 'D', redo ? REDO_BIT : ACCEPT_BIT, !down);
}

// Returns false for `end`.
static bool obey(rig_t *rig, char *text) {
  char *words[WORDS];
  const int count = split(text, words);
  if (count == 0) return true;
  const char *what = words[0];
  if (!strcmp(what, "end")) return false;
  if (!strcmp(what, "move"))
    scale_move(rig, number(words, count, 1), number(words, count, 2));
  else if (!strcmp(what, "edges"))
    scale_edges(rig, number(words, count, 1), number(words, count, 2),
                count > 3 ? number(words, count, 3) : 0);
  else if (!strcmp(what, "jump"))
    scale_jump(rig, (int)number(words, count, 1));
  else if (!strcmp(what, "load"))
    set_load(rig, words, count);
  else if (!strcmp(what, "adc"))
    set_adc(rig, words, count);
  else if (!strcmp(what, "send"))
    send(rig, words, count);
  else if (!strcmp(what, "button"))
    press_button(rig, words, count);
  else if (!strcmp(what, "caliper"))
    caliper_switch(rig, count > 1 && !strcmp(words[1], "on"));
  else if (!strcmp(what, "reset"))
    chip_reset(rig);
  else if (!strcmp(what, "poke"))
    chip_poke(rig, (uint32_t)number(words, count, 1), (uint32_t)number(words, count, 2));
  else if (!strcmp(what, "hang"))
    chip_hang(rig, count > 1 && !strcmp(words[1], "masked"));
  else
    die("scenario: unknown command %s", what);
  return true;
}

bool scenario_run(rig_t *rig) {
  scenario_t *scenario = &rig->scenario;
  while (!scenario->over && scenario->next < scenario->count &&
         scenario->events[scenario->next].at_s <= chip_seconds(rig))
    if (!obey(rig, scenario->events[scenario->next++].words)) {
      scenario->over = true;
      return false;
    }
  return true;
}
