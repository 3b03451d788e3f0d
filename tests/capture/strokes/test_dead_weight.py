"""What lies on the cell and is no spring: cups, drift; and what never becomes the zero."""

import numpy as np
import pytest

from coilbench.capture.blocks import RawBlock
from coilbench.capture.strokes.finder import Phase, StrokeFinder
from coilbench.capture.strokes.shape import StrokeRules
from coilbench.capture.strokes.sweep import DEAD_WEIGHT_N
from support.quill_streams import (
    COUNTS_PER_N,
    FREE_MM,
    PRESS,
    RATE_N_PER_MM,
    REST,
    TOP_MM,
    find,
    stream,
    to_physical,
)


def test_a_dead_weight_put_on_is_none_and_becomes_the_zero():
    dead_n = DEAD_WEIGHT_N - 0.5
    samples = stream((8.0, TOP_MM), *PRESS, REST, dead_n=lambda t_s: dead_n * (t_s > 2.0))
    (stroke,) = find(samples)
    assert stroke.zero_counts == pytest.approx(dead_n * COUNTS_PER_N, abs=50.0)
    assert stroke.peak_n == pytest.approx(375.0, abs=0.5)


@pytest.mark.parametrize("noise_n", [0.03, 0.9])
@pytest.mark.parametrize("load_n", [DEAD_WEIGHT_N + 2.5, 40.0, 147.0, 370.0])
@pytest.mark.parametrize("broke", ["at the start", "while it stood"])
def test_what_weighs_more_than_cups_is_never_the_zero_however_long_it_stands(
    load_n, noise_n, broke
):
    held_mm = FREE_MM - load_n / RATE_N_PER_MM
    held = stream((20.0, held_mm), start_mm=held_mm, noise_n=noise_n)
    press = stream(
        *((1.0, 20.0), (0.3, 20.0), (1.0, held_mm), (4.0, held_mm), (0.5, TOP_MM), REST),
        start_mm=held_mm, noise_n=noise_n, seq=held["seq"][-1] + 1, t0_s=20.0,
    )  # fmt: skip
    finder = StrokeFinder(to_physical)
    for piece in np.array_split(held, 40):
        finder.feed(RawBlock(piece))
        if piece["t_us"][-1] > 100_000:
            assert finder.phase is Phase.TOUCH
            assert not finder.zero_seen
            assert finder.zero_n == 0.0
        if broke == "while it stood":
            finder.cut()
    strokes = finder.feed(RawBlock(press))
    assert [stroke.zero_counts for stroke in strokes] == [None]
    assert finder.zero_seen
    assert finder.phase is Phase.IDLE


def test_a_quill_let_up_by_some_millimetres_is_not_clear_of_a_spring_that_still_pushes():
    finder = StrokeFinder(to_physical)
    finder.feed(RawBlock(stream((2.0, 30.0), (1.0, 36.0), (5.0, 36.0), start_mm=30.0)))
    assert not finder.zero_seen
    assert finder.zero_n == 0.0


@pytest.mark.parametrize(("free_mm", "dead"), [(FREE_MM, False), (48.9, True), (None, False)])
def test_a_light_load_is_dead_only_where_no_spring_can_push(free_mm, dead):
    finder = StrokeFinder(to_physical)
    finder.free_mm = free_mm
    finder.feed(RawBlock(stream(REST, (1.0, 49.0), (6.0, 49.0))))  # 15 N
    assert (finder.phase is Phase.IDLE) is dead
    assert finder.zero_n == pytest.approx(15.0 if dead else 0.0, abs=0.1)


def test_a_load_below_what_any_cup_weighs_is_no_zero():
    finder = StrokeFinder(to_physical)
    finder.feed(RawBlock(stream((4.0, TOP_MM), dead_n=lambda t_s: -60.0 * (t_s > 2.0))))
    assert not finder.zero_seen
    assert finder.zero_n > -DEAD_WEIGHT_N


def test_a_light_cup_put_on_just_before_is_in_the_strokes_zero():
    samples = stream((3.0, TOP_MM), *PRESS, REST, dead_n=lambda t_s: 6.0 * (t_s > 2.0))
    (stroke,) = find(samples)
    assert stroke.zero_counts == pytest.approx(6000.0, abs=50.0)
    assert stroke.released


def test_a_weight_that_stays_after_the_press_ends_it_and_shows_in_the_return():
    samples = stream((2.0, TOP_MM), *PRESS, (6.0, TOP_MM), dead_n=lambda t_s: 9.0 * (t_s > 4.0))
    (stroke,) = find(samples)
    assert stroke.released
    assert stroke.zero_return_n == pytest.approx(9.0, abs=0.1)


@pytest.mark.parametrize("seconds", [2.0, 5.0, 30.0])
def test_a_quill_left_lying_on_the_spring_leaves_its_zero_as_it_was(seconds):
    """Nobody said where the spring is free: 15 N come lower than where nothing pushed."""
    lying = ((1.0, 49.0), (seconds, 49.0))
    (stroke,) = find(stream(REST, *lying, *PRESS[1:], REST))
    assert stroke.zero_counts == pytest.approx(0.0, abs=50.0)
    assert stroke.zero_return_n == pytest.approx(0.0, abs=0.2)
    assert stroke.peak_n == pytest.approx(25.0 * RATE_N_PER_MM, abs=0.5)


@pytest.mark.parametrize("n_per_s", [0.2, 0.45, 1.0])
def test_a_hand_so_slow_that_the_load_could_be_drift_moves_the_zero_by_no_more_than_a_touch(
    n_per_s,
):
    to_mm = FREE_MM - 15.0 / RATE_N_PER_MM
    creeping = ((1.0, FREE_MM), (15.0 / n_per_s, to_mm))
    finder = StrokeFinder(to_physical)
    for piece in np.array_split(stream(REST, *creeping, (5.0, to_mm)), 50):
        finder.feed(RawBlock(piece))
        assert finder.zero_n <= StrokeRules().touch_n + 0.1


@pytest.mark.parametrize("up", [True, False])
def test_cups_that_lay_there_from_the_start_are_known_as_the_quill_moves_and_they_stay(up):
    """What stays the same over some millimetres of the quill's way is no spring."""
    finder = StrokeFinder(to_physical)
    away_mm = TOP_MM + 5.0 if up else TOP_MM - 5.0
    strokes = finder.feed(RawBlock(stream((5.0, TOP_MM), (1.0, away_mm), (5.0, away_mm),
                                          dead_n=15.0)))  # fmt: skip
    assert finder.phase is Phase.IDLE
    assert finder.zero_seen
    assert finder.zero_n == pytest.approx(15.0, abs=0.2)
    assert all(stroke.zero_counts is None for stroke in strokes)


def test_what_is_left_on_the_cell_where_the_spring_is_free_ends_the_press():
    """The cup came on with the quill up, then the press: the touch was seen at the very top."""
    samples = stream((2.0, TOP_MM), *PRESS, (6.0, TOP_MM),
                     dead_n=lambda t_s: 30.0 * (t_s > 1.5) - 18.0 * (t_s > 6.0))  # fmt: skip
    finder = StrokeFinder(to_physical)
    finder.free_mm = FREE_MM
    strokes = finder.feed(RawBlock(samples))
    assert len(strokes) == 1
    assert finder.phase is Phase.IDLE
    assert finder.zero_n == pytest.approx(12.0, abs=0.2)
