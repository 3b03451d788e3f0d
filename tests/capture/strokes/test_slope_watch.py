"""A press judged by its own slope: what a spring can do is nothing, what it can't is named."""

import numpy as np
import pytest

from coilbench.capture.strokes.slope_watch import (
    BIND_TIMES,
    SLIP_N,
    SLIP_SHARE,
    STILL_MM,
    SlopeWatch,
)

RATE = 16.0  # N/mm
FREE_MM = 53.0


def watched(loads_n, heights_mm, *, step_s=0.0125, at_once=20):
    watch, kinds = SlopeWatch(), set()
    t_us = np.rint(1e6 * step_s * np.arange(len(loads_n))).astype(np.int64)
    for at in range(0, len(loads_n), at_once):
        some = slice(at, at + at_once)
        found = watch.look(t_us[some], np.asarray(heights_mm)[some], np.asarray(loads_n)[some])
        kinds |= {one.kind for one in found}
    return kinds


def down(to_mm, samples=120):
    return np.linspace(FREE_MM - 0.5, to_mm, samples)


def spring_n(heights_mm, knee_mm=0.0, ratio=1.0, rate=RATE):
    """The load of a spring that is `ratio` times as stiff below a height."""
    depth, below = FREE_MM - heights_mm, np.maximum(knee_mm - heights_mm, 0.0)
    return rate * (depth + (ratio - 1.0) * below)


@pytest.mark.parametrize("rate", [4.0, 9.0, 16.0, 60.0])
@pytest.mark.parametrize("step_s", [0.0125, 0.1])
def test_a_wall_is_called_and_a_second_rate_is_not(rate, step_s):
    heights = down(26.0, samples=240)
    for ratio, kinds in ((1.0, set()), (BIND_TIMES - 1.0, set()), (60.0, {"coils_bind"})):
        loads = spring_n(heights, 30.0, ratio, rate)
        assert watched(loads, heights, step_s=step_s) == kinds, ratio


def test_a_wall_is_called_where_the_height_does_not_move_at_all():
    heights = np.concatenate([down(30.0), np.full(40, 30.0)])
    loads = spring_n(heights) + np.concatenate([np.zeros(120), np.linspace(0.0, 400.0, 40)])
    assert watched(loads, heights) == {"coils_bind"}


@pytest.mark.parametrize("step_s", [0.0125, 0.1])
def test_a_load_that_comes_late_is_no_wall_when_the_hand_stops(step_s):
    """The load trails by its filter's delay, and catches up at the turn."""
    moving = round(0.5 / step_s)
    heights = np.concatenate([np.full(4, FREE_MM - 0.5), down(28.0, moving), np.full(40, 28.0)])
    late = max(1, round(min(2.0 * step_s, 0.2) / step_s))
    loads = spring_n(np.concatenate([np.full(late, heights[0]), heights[:-late]]))
    assert watched(loads, heights, step_s=step_s) == set()


@pytest.mark.parametrize(("times", "kinds"), [(0.8, set()), (1.3, {"slipped"})])
def test_a_load_that_is_lost_on_the_way_down_is_called_at_once(times, kinds):
    heights = down(30.0)
    loads, at = spring_n(heights), 60
    loads[at:] -= times * max(SLIP_N, SLIP_SHARE * loads[at - 1]) + RATE * 0.4
    assert watched(loads, heights) == kinds


def test_one_odd_sample_says_nothing():
    heights = down(30.0)
    for odd_n in (300.0, -300.0):
        loads = spring_n(heights)
        loads[70] += odd_n
        assert watched(loads, heights) == set()


@pytest.mark.parametrize("noise_n", [0.0, 0.5])
@pytest.mark.parametrize("begin_mm", [50.0, 45.0, 35.0])
def test_a_load_that_stands_still_as_the_quill_goes_on_is_called(noise_n, begin_mm):
    heights = down(begin_mm - 2.0 * STILL_MM - 1.0)
    loads = spring_n(np.maximum(heights, begin_mm))
    loads += noise_n * np.sin(np.arange(heights.size) * 7.7)
    assert watched(loads, heights) == {"load_still"}


def test_a_load_that_stands_still_as_the_quill_comes_up_is_called():
    heights = np.concatenate([down(30.0), np.full(30, 30.0), np.linspace(30.0, 60.0, 100)])
    loads = spring_n(np.minimum(heights, FREE_MM))
    assert watched(loads, heights) == set()
    loads[120:] = loads[120]
    assert watched(loads, heights) == {"load_still"}


def test_pauses_and_going_up_and_down_again_say_nothing():
    way = [down(40.0), np.full(80, 40.0), np.linspace(40.0, 46.0, 40), np.linspace(46.0, 28.0, 60)]
    heights = np.concatenate(way)
    friction_n = 0.015 * spring_n(heights) * np.sign(-np.gradient(heights))
    assert watched(spring_n(heights) + friction_n, heights) == set()
