// A linear scale: A and B a quarter period apart, an edge for each count. Edges are computed, not
// polled: the time of the next count is solved from the move, so a resting press costs nothing.
#include <math.h>

#include "rigsim.h"

#define A_BIT 2  // port D, Arduino 2
#define B_BIT 3  // port D, Arduino 3

static avr_cycle_count_t next_edge(avr_t *avr, avr_cycle_count_t when, void *rig);

static void show_count(rig_t *rig) {
  if (rig->travel != WITH_SCALE) return;  // the pins are another's
  static const bool kA[4] = {false, true, true, false};
  static const bool kB[4] = {false, false, true, true};
  const int phase = rig->scale.count & 3;
  chip_drive(rig, 'D', A_BIT, kA[phase]);
  chip_drive(rig, 'D', B_BIT, kB[phase]);
}

static double position_at(const scale_t *scale, double t_s) {
  const double part = scale->seconds <= 0 ? 1 : (t_s - scale->start_s) / scale->seconds;
  if (part >= 1) return scale->to_mm;
  if (part <= 0) return scale->from_mm;
  const double way = scale->even ? part : (1 - cos(M_PI * part)) / 2;
  return scale->from_mm + (scale->to_mm - scale->from_mm) * way;
}

double scale_mm(const rig_t *rig) { return position_at(&rig->scale, chip_seconds(rig)); }

// When the outputs will show another count; negative when the move is over before that.
static double edge_time(const rig_t *rig, int direction) {
  const scale_t *scale = &rig->scale;
  const double mm_per_count = scale->um_per_count * 1e-3;
  const double span = scale->to_mm - scale->from_mm;
  // A count is the nearest one, so its edges lie half a count to either side.
  const double edge_mm = (scale->count + direction * 0.5) * mm_per_count;
  const double way = (edge_mm - scale->from_mm) / span;
  if (!(way <= 1)) return -1;
  const double part = way <= 0 ? 0 : scale->even ? way : acos(1 - 2 * way) / M_PI;
  double late = 0;
  if (scale->skew != 0 && (scale->count & 1))
    late = scale->skew * mm_per_count / fabs(span) * scale->seconds;
  return scale->start_s + part * scale->seconds + late;
}

static void arm(rig_t *rig) {
  scale_t *scale = &rig->scale;
  avr_cycle_timer_cancel(rig->chip.avr, next_edge, rig);
  const double span = scale->to_mm - scale->from_mm;
  if (span == 0) return;
  const double at_s = edge_time(rig, span > 0 ? 1 : -1);
  if (at_s < 0) return;
  avr_cycle_timer_register(rig->chip.avr, cycles_of(at_s - chip_seconds(rig)), next_edge, rig);
}

static avr_cycle_count_t next_edge(avr_t *avr, avr_cycle_count_t when, void *parameter) {
  (void)avr;
  (void)when;
  rig_t *rig = parameter;
  rig->scale.count += rig->scale.to_mm > rig->scale.from_mm ? 1 : -1;
  ++rig->scale.edges;
  show_count(rig);
  arm(rig);
  return 0;
}

void scale_begin(rig_t *rig) {
  show_count(rig);
  arm(rig);
}

static void move(rig_t *rig, double to_mm, double seconds, bool even, double skew) {
  scale_t *scale = &rig->scale;
  scale->from_mm = scale_mm(rig);
  scale->to_mm = to_mm;
  scale->start_s = chip_seconds(rig);
  scale->seconds = seconds;
  scale->even = even;
  scale->skew = skew;
  arm(rig);
}

void scale_move(rig_t *rig, double to_mm, double seconds) { move(rig, to_mm, seconds, false, 0); }

void scale_edges(rig_t *rig, double edges_per_s, double seconds, double skew) {
  const double span = edges_per_s * seconds * rig->scale.um_per_count * 1e-3;
  move(rig, scale_mm(rig) + span, seconds, true, skew);
}

void scale_jump(rig_t *rig, int edges) {
  rig->scale.count += edges;
  rig->scale.from_mm += edges * rig->scale.um_per_count * 1e-3;
  rig->scale.to_mm += edges * rig->scale.um_per_count * 1e-3;
  show_count(rig);
  arm(rig);
}
