"""Each thing that can't be right in a press: just inside it is none, just outside it is named."""

from types import SimpleNamespace

import numpy as np
import pytest
from msgspec.structs import replace

from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import RAW_DTYPE, Finding, RawBlock, SampleFlag
from coilbench.capture.calibration.overload import NEAR_SHARE
from coilbench.capture.strokes.finder import Phase
from coilbench.capture.strokes.shape import Stroke
from coilbench.capture.strokes.sweep import CLEAR_MM, DEAD_WEIGHT_N
from coilbench.capture.strokes.watching import (
    ABOVE_FREE_MM,
    ABOVE_FREE_N,
    BACKWARDS_N,
    CALM_S,
    DEAD_LOAD_N,
    DEAD_TRAVEL_MM,
    FALL_MM,
    HEIGHT_SLACK_MM,
    LATE_MM,
    LATE_S,
    LEARNT_LATE_MM,
    LOADED_N,
    RISE_MM,
    SOFT_BEGIN,
    Bounds,
    PressWatch,
    Seen,
    wrong_in_stroke,
)

E = 0.01
RATED = Bounds(cell_n=1000.0, press_n=800.0)
SIZED = Bounds(solid_mm=24.0, free_mm=53.0, height_u_mm=0.1)
SLACK = HEIGHT_SLACK_MM + 0.2
PRESS, TOUCH, IDLE = Phase.PRESS, Phase.TOUCH, Phase.IDLE


def seen(load_n, height_mm, *, at_s=1.0, tare_n=0.0, flag=0, count=10):
    samples = np.zeros(count, RAW_DTYPE)
    samples["t_us"] = np.rint((at_s + 0.01 * np.arange(-count + 1, 1)) * 1e6)
    samples["flags"] = flag
    loads = np.full(count, float(load_n))
    heights = np.full(count, float(height_mm))
    return Seen.of(samples, loads + tare_n, heights, tare_n, datum_lost=False)


def finder(phase, touch_mm=53.0, *, zero_seen=True):
    return SimpleNamespace(phase=phase, touch_mm=touch_mm, zero_seen=zero_seen)


def named(looked, phase, bounds, touch_mm=53.0):
    watch = PressWatch()
    watch.look(looked, finder(phase, touch_mm), bounds)
    return set(watch.standing)


@pytest.mark.parametrize(
    ("load_n", "bounds", "kinds"),
    [
        (1000.0 * NEAR_SHARE - E, replace(RATED, press_n=None), set()),
        (1000.0 * NEAR_SHARE + E, replace(RATED, press_n=None), {"overload_near"}),
        (1000.0 - E, replace(RATED, press_n=None), {"overload_near"}),
        (1000.0 + E, replace(RATED, press_n=None), {"overload"}),
        (800.0 - E, RATED, {"overload_near"}),
        (800.0 + E, RATED, {"overload"}),
        (5000.0, Bounds(), set()),  # nobody said what they may bear
    ],
)
def test_a_load_is_held_against_what_the_rig_may_bear(load_n, bounds, kinds):
    assert named(seen(load_n, 30.0), PRESS, bounds) == kinds


def test_the_cell_bears_the_tare_too_the_press_does_not():
    over = seen(700.0, 30.0, tare_n=310.0)
    assert named(over, PRESS, Bounds(cell_n=1000.0)) == {"overload"}
    assert named(over, PRESS, Bounds(press_n=1000.0)) == set()


@pytest.mark.parametrize(
    ("load_n", "height_mm", "kinds"),
    [
        (100.0, -SLACK + E, {"below_solid"}),
        (0.0, -SLACK + E, set()),
        (0.0, -SLACK - E, {"below_faces"}),
        (100.0, 24.0 - SLACK + E, set()),
        (100.0, 24.0 - SLACK - E, {"below_solid"}),
        (LOADED_N - E, 24.0 - SLACK - E, set()),
        (ABOVE_FREE_N + E, 53.0 + ABOVE_FREE_MM + SLACK - E, set()),
        (ABOVE_FREE_N + E, 53.0 + ABOVE_FREE_MM + SLACK + E, {"above_free"}),
        (ABOVE_FREE_N - E, 53.0 + ABOVE_FREE_MM + SLACK + E, set()),
    ],
)
def test_a_height_is_held_against_what_can_be(load_n, height_mm, kinds):
    assert named(seen(load_n, height_mm), PRESS, SIZED) == kinds


def test_an_amplifier_at_its_limit_is_named_even_where_nothing_else_can_be_read():
    assert named(seen(0.0, 30.0, flag=int(SampleFlag.LOAD_SATURATED)), PRESS, RATED) == {
        "amplifier_at_limit"
    }


@pytest.mark.parametrize(
    ("load_n", "rose_mm", "kinds"),
    [
        (DEAD_LOAD_N + E, DEAD_TRAVEL_MM - E, {"travel_dead"}),
        (DEAD_LOAD_N - E, DEAD_TRAVEL_MM - E, set()),
        (DEAD_LOAD_N + E, DEAD_TRAVEL_MM + E, set()),
        (BACKWARDS_N + E, RISE_MM + E, {"travel_reversed"}),
        (BACKWARDS_N - E, RISE_MM + E, set()),
        (BACKWARDS_N + E, RISE_MM - E, set()),
    ],
)
def test_a_travel_that_does_not_go_with_the_load(load_n, rose_mm, kinds):
    assert named(seen(load_n, 53.0 + rose_mm), TOUCH, Bounds()) == kinds


@pytest.mark.parametrize("rose_mm", [DEAD_TRAVEL_MM - E, RISE_MM + E])
def test_where_the_stream_broke_under_load_the_travel_is_not_blamed(rose_mm):
    watch = PressWatch()
    for at_s in (1.0, 1.2):
        looked = seen(DEAD_LOAD_N + E, 53.0 + rose_mm, at_s=at_s)
        watch.look(looked, finder(TOUCH, zero_seen=False), RATED)
    assert watch.alarm is None


@pytest.mark.parametrize(
    ("fell_mm", "lost_n", "kinds"),
    [
        (FALL_MM + E, BACKWARDS_N + E, {"load_reversed"}),
        (FALL_MM - E, BACKWARDS_N + E, set()),
        (FALL_MM + E, BACKWARDS_N - E, set()),
    ],
)
def test_a_load_that_falls_as_the_quill_goes_down(fell_mm, lost_n, kinds):
    watch = PressWatch()
    watch.look(seen(0.0, 60.0), finder(IDLE), Bounds())
    watch.look(seen(-lost_n, 60.0 - fell_mm, at_s=1.2), finder(IDLE), Bounds())
    assert set(watch.standing) == kinds
    # let up again, the load rises with the height: that is the cell's doing, not the scale's
    watch.look(seen(100.0, 65.0, at_s=1.3), finder(TOUCH, 60.0), Bounds())
    assert ("travel_reversed" in watch.standing) is not bool(kinds)


@pytest.mark.parametrize(
    ("bounds", "late_mm"),
    [
        (SIZED, 53.0 - LATE_MM - SLACK),
        (Bounds(learnt_mm=52.0), 52.0 - LEARNT_LATE_MM),
        (Bounds(), None),
    ],
)
def test_a_spring_that_should_push_and_does_not(bounds, late_mm):
    def dead(height_mm, for_s, load_n=0.0):
        watch = PressWatch()
        watch.look(seen(load_n, height_mm), finder(IDLE), bounds)
        watch.look(seen(load_n, height_mm, at_s=1.0 + for_s), finder(IDLE), bounds)
        return set(watch.standing) == {"load_dead"}

    if late_mm is None:
        assert not dead(5.0, 9.0)
        return
    assert dead(late_mm - E, LATE_S + E)
    assert not dead(late_mm - E, LATE_S - E)
    assert not dead(late_mm + E, LATE_S + E)
    assert not dead(late_mm - E, LATE_S + E, LOADED_N + E)


def test_an_alarm_is_told_once_and_stands_until_the_spring_was_let_up_for_a_moment():
    watch, bounds = PressWatch(), Bounds(cell_n=100.0)
    (told,) = watch.look(seen(120.0, 30.0), finder(PRESS), bounds)
    assert (told.kind, told.facts["load_n"]) == ("overload", 120.0)
    assert watch.look(seen(150.0, 30.0, at_s=1.1), finder(PRESS), bounds) == []
    assert watch.alarm.facts["load_n"] == 150.0  # the worst of it
    watch.look(seen(0.0, 60.0, at_s=1.1 + CALM_S - E), finder(IDLE), bounds)
    assert watch.alarm is not None
    watch.look(seen(0.0, 60.0, at_s=1.1 + CALM_S + E), finder(IDLE), bounds)
    assert watch.alarm is None
    assert watch.look(seen(120.0, 30.0, at_s=3.0), finder(PRESS), bounds) != []


def test_without_a_datum_no_height_is_judged_and_the_load_is():
    looked = seen(1200.0, -50.0)._replace(height_mm=None)
    assert named(looked, PRESS, replace(SIZED, cell_n=1000.0)) == {"overload"}


def named_in_stroke(zero_n, lifted_mm, bounds, free_mm=53.0):
    """A press of 400 N over 20 mm, the quill lifted so far above the touch before."""
    touch_mm = free_mm - LOADED_N / 20.0
    lifted = np.full(20, touch_mm + lifted_mm)
    came_down = np.full(20, touch_mm + E)  # more slowly than a load can be late
    heights = np.concatenate([lifted, came_down, np.linspace(touch_mm, touch_mm - 20.0, 80)])
    samples = np.zeros(heights.size, RAW_DTYPE)
    samples["t_us"] = np.arange(heights.size) * 10_000
    loads = zero_n + np.concatenate([np.zeros(40), np.linspace(LOADED_N, 400.0, 80)])
    stroke = Stroke(RawBlock(samples), 0.0, 0.0, 400.0, 20.0, touch_mm - 20.0, 1, released=True)
    return {one.kind for one in wrong_in_stroke(stroke, loads, heights, zero_n, bounds)}


NEEDED_MM = CLEAR_MM + SOFT_BEGIN * LOADED_N * 20.0 / 400.0


@pytest.mark.parametrize(
    ("zero_n", "lifted_mm", "bounds", "loaded"),
    [
        (DEAD_WEIGHT_N - E, 10.0, Bounds(), False),
        (DEAD_WEIGHT_N + E, 10.0, Bounds(), True),
        (DEAD_WEIGHT_N + 5.0, 10.0, Bounds(dead_n=DEAD_WEIGHT_N + 6.0), False),  # heavy cups
        (LOADED_N + E, NEEDED_MM + E, Bounds(), False),
        (LOADED_N + E, NEEDED_MM - E, Bounds(), True),  # never clear of the spring
        (LOADED_N - E, NEEDED_MM - E, Bounds(), False),
        (LOADED_N + E, 3.0, Bounds(free_mm=53.0), False),
        (LOADED_N + E, 3.0, Bounds(free_mm=57.0), True),
        (LOADED_N - E, 3.0, Bounds(free_mm=57.0), False),
    ],
)
def test_a_zero_that_was_taken_on_a_spring_is_named(zero_n, lifted_mm, bounds, loaded):
    assert ("zero_loaded" in named_in_stroke(zero_n, lifted_mm, bounds)) is loaded


def test_a_spring_touched_far_below_its_free_length_is_not_called_without_load():
    assert named_in_stroke(0.0, 30.0, Bounds(free_mm=53.0)) == set()
    assert named_in_stroke(0.0, 30.0, Bounds(free_mm=60.0)) == {"touched_low"}


@pytest.mark.parametrize(("speed_mm_per_s", "low"), [(5.0, True), (400.0, False)])
def test_a_touch_that_is_seen_late_by_a_fast_hand_is_no_late_touch(speed_mm_per_s, low):
    t_us = np.arange(600) * 10_000
    heights = 60.0 - speed_mm_per_s * t_us * 1e-6
    touch_mm = float(heights[heights >= 53.0 - LATE_MM - SLACK - 1.0][-1])
    assert (SIZED.touched_low(t_us, heights, touch_mm) is not None) is low


@pytest.mark.parametrize(("height_mm", "far"), [(31.0, False), (33.0, True)])
def test_a_load_that_leaps_far_above_the_solid_height_is_said_to(height_mm, far):
    leap = Finding.of("coils_bind", height_mm=height_mm, load_n=390.0)
    words = describe(SIZED.beside_solid(leap), Units())
    assert ("COILS BIND?" in words) is not far
    assert ("travel scale" in words) is far
    assert Bounds().beside_solid(leap) == leap
