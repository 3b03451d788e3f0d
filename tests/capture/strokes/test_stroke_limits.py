"""Each limit of a stroke at its absolute value, a case just inside and one just outside.

All are common practice at a bench, no source.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from msgspec.structs import replace

from coilbench.capture.blocks import RAW_DTYPE, RawBlock, SampleFlag
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.polynomial import PolynomialFit
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.judging import judge
from coilbench.capture.strokes.shape import Stroke, StrokeRules, count_presses
from coilbench.capture.strokes.stored import reduce_branch
from coilbench.capture.strokes.sweep import read_stroke

NONE2 = ((0.0, 0.0), (0.0, 0.0))
RIG = Calibration(  # 0 N at 0 counts, 2500 counts to a newton, 200 to a millimetre
    load=PolynomialFit((0.0, 4e-4), NONE2, 0.0, 0.0, 1.3e6, 9),
    travel=PolynomialFit((70.0, -0.005), NONE2, 0.0, 0.0, 14_000.0, 7),
    flex=None,
    load_u_relative=0.0005,
)


def samples(count: int = 400, rate_hz: float = 100.0) -> np.ndarray:
    raw = np.zeros(count, RAW_DTYPE)
    raw["seq"] = np.arange(count)
    raw["t_us"] = np.rint(raw["seq"] / rate_hz * 1e6)
    return raw


GOOD = Stroke(
    raw=RawBlock(samples()),
    zero_counts=100.0,
    zero_return_n=0.0,
    peak_n=400.0,
    depth_mm=20.0,
    lowest_mm=26.0,
    presses=1,
    released=True,
)


def holed(gap_s: float) -> Stroke:
    raw = samples()
    raw["t_us"][200:] += round((gap_s - 0.01) * 1e6)
    return replace(GOOD, raw=RawBlock(raw))


def spoilt(count: int) -> Stroke:
    raw = samples()
    raw["flags"][5 : 5 + 15 * count : 15] = SampleFlag.LOAD_SUSPECT
    assert np.count_nonzero(raw["flags"]) == count
    return replace(GOOD, raw=RawBlock(raw))


def returning(back_n: float) -> Stroke:
    return replace(GOOD, zero_return_n=back_n)


@pytest.mark.parametrize(
    ("stroke", "counted"),
    [
        (holed(0.245), True), (holed(0.255), False),
        (spoilt(20), True), (spoilt(21), False),  # of 400
        (replace(GOOD, raw=RawBlock(samples(10))), True),
        (replace(GOOD, raw=RawBlock(samples(9))), False),
        (returning(-1.99), True), (returning(-2.01), False),
        (returning(4.49), True), (returning(4.51), False),
        (replace(GOOD, lowest_mm=26.045), True), (replace(GOOD, lowest_mm=26.055), False),
        (replace(GOOD, depth_mm=16.01), True), (replace(GOOD, depth_mm=15.99), False),
    ],
)  # fmt: skip
def test_a_stroke_just_inside_a_limit_counts_and_one_just_outside_does_not(
    stroke: Stroke, counted: bool
) -> None:
    verdict = judge(stroke, reach_height_mm=26.0, earlier_depths_mm=(20.0,))
    assert verdict.counted == counted


@pytest.mark.parametrize(("back_mm", "presses"), [(2.9, 1), (3.1, 2)])
def test_a_spring_let_up_by_three_tenths_of_the_depth_is_pressed_again(
    back_mm: float, presses: int
) -> None:
    turns_mm = (50.0, 40.0, 40.0 + back_mm, 40.0, 50.0)
    legs = [np.linspace(a, b, 50) for a, b in pairwise(turns_mm)]
    assert count_presses(np.concatenate(legs)) == presses


def lead(n: int) -> tuple[np.ndarray, np.ndarray]:
    """Samples clear of the spring, whose load counts are their number, and heights."""
    raw = samples(n)
    raw["load_counts"] = np.arange(n)
    return raw, np.full(n, 60.0)


@pytest.mark.parametrize(("n", "read"), [(5, True), (4, False)])
def test_five_samples_make_the_zero_of_a_running_stroke(n: int, read: bool) -> None:
    raw, height_mm = lead(n)
    for touch_mm in (50.0, 60.0):  # clear of the spring, and not
        zero = StrokeRules().read_zero(raw, np.zeros(n), height_mm, touch_mm, 0.0)
        assert (zero is not None) == read


def test_the_zero_is_read_over_the_last_second() -> None:
    raw, height_mm = lead(400)
    zero = StrokeRules().read_zero(raw, np.zeros(400), height_mm, 50.0, 0.0)
    assert zero is not None
    assert zero.first == pytest.approx(299, abs=1)
    assert zero.counts == pytest.approx(349, abs=1)


def test_where_the_quill_was_never_clear_a_fifth_of_the_loads_lie_below_the_zero() -> None:
    raw, height_mm = lead(100)
    load_n = np.random.default_rng(1).permutation(100) / 100.0
    zero = StrokeRules().read_zero(raw, load_n, height_mm, 60.0, 0.0)
    assert zero is not None
    assert zero.load_n == pytest.approx(0.20)


def pressed(resting_n: float, moved_counts: int) -> RawBlock:
    """Forty still samples, in which the quill moved by so much, and then a press of 400 N."""
    raw = samples(240)
    press = np.concatenate([np.zeros(40), np.sin(np.linspace(0.0, np.pi, 200)) ** 2])
    raw["load_counts"] = np.rint((resting_n + 400.0 * press) / 4e-4)
    raw["load_counts"][:40:2] += 20
    raw["travel_counts"] = np.rint(2000 + 5000 * press)
    raw["travel_counts"][:10] -= moved_counts
    return RawBlock(raw)


@pytest.mark.parametrize(
    ("resting_n", "moved_counts", "known"),
    [(19.9, 0, True), (20.1, 0, False), (30.0, 61, True), (30.0, 59, False)],
)
def test_a_zero_is_believed_of_less_than_twenty_newtons_or_where_the_quill_moved_freely(
    resting_n: float, moved_counts: int, known: bool
) -> None:
    _, reading = read_stroke(pressed(resting_n, moved_counts), RIG, "c1")
    assert reading.zero_known == known


def test_a_reduced_curve_has_a_row_for_each_quarter_of_a_millimetre() -> None:
    heights_mm = np.linspace(40.0, 30.01, 2000)
    points = reduce_branch("loading", Branch(heights_mm, 40.0 - heights_mm))
    assert len(points) == 41  # 40 whole steps, and the 40.0 mm that begins one
    assert points.height_mm[0] == 40.0
    assert points.height_mm[1] == pytest.approx(39.875, abs=0.01)


@pytest.mark.parametrize(("back_mm", "kept"), [(0.09, 5), (0.11, 4)])
def test_a_hand_that_goes_back_by_a_tenth_of_a_millimetre_is_unsteady(
    back_mm: float, kept: int
) -> None:
    heights_mm = np.array([50.0, 45.0, 40.0, 40.0 + back_mm, 35.0])
    assert len(reduce_branch("loading", Branch(heights_mm, heights_mm), 0.01)) == kept
