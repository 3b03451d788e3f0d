// What the load cell feels: a press that gives a little, over a spring with friction.
#include <math.h>

#include "rigsim.h"

// Sum of twelve uniform numbers less six: near enough to normal, standard deviation 1.
static double normal(rig_t *rig) {
  double sum = -6;
  for (int i = 0; i < 12; ++i) sum += chip_random(rig) / 4294967296.0;
  return sum;
}

// Load of the spring with the quill at travel_mm. The press gives under the load, so the height
// is what the quill would make it plus the flex: solved in closed form for a linear spring.
static double spring_n(const press_t *press, double travel_mm) {
  const double height_mm = press->start_mm - travel_mm;
  const double k = press->rate_n_per_mm;
  const double pressed_mm = press->free_mm - height_mm;
  if (pressed_mm <= 0) return 0;
  const double load_n = k * pressed_mm / (1 + k * press->flex_mm_per_n);
  const double bind_n = k * (press->free_mm - press->solid_mm);
  if (load_n <= bind_n || press->flex_mm_per_n <= 0) return load_n;
  // Coils touch: the height stays, and the press takes all the rest.
  return (press->solid_mm - height_mm) / press->flex_mm_per_n;
}

static double felt_n(rig_t *rig) {
  press_t *press = &rig->press;
  const double travel_mm = scale_mm(rig);
  const double moved = travel_mm - press->last_mm;
  if (fabs(moved) > 1e-6) press->direction = moved > 0 ? 1 : -1;
  press->last_mm = travel_mm;
  const double load_n = spring_n(press, travel_mm);
  return load_n > 0 ? load_n + press->friction_n * press->direction : 0;
}

int32_t press_counts(rig_t *rig) {
  press_t *press = &rig->press;
  switch (press->kind) {
    case LOAD_COUNTING:
      return press->next++;
    case LOAD_RANDOM:
      return (int32_t)(chip_random(rig) << 8) >> 8;
    case LOAD_SPRING:
      return press->offset_counts +
             (int32_t)lround(felt_n(rig) * press->counts_per_n + normal(rig) * press->noise_counts);
    default:
      return press->fixed;
  }
}
