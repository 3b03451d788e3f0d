"""When touching coils are called reached, each limit at its value. Ours, no source.

Strokes are a straight 16 N/mm from 53 mm to 27 mm, and a second, steeper line below a height.
"""

from __future__ import annotations

import numpy as np
import pytest

from coilbench.analysis.curves.wall import (
    _Excess,
    _excess_load,
    _Trend,
    find_wall,
    touching_mm,
)
from coilbench.capture.calibration.lag import Press
from coilbench.capture.strokes.bins import Bins, fine_bins
from coilbench.capture.strokes.branch import Branch

ABOVE_MM = np.linspace(30.0, 42.0, 13)
TREND = _Trend.of(
    Bins(ABOVE_MM, 848.0 - 16.0 * ABOVE_MM, np.ones(13), np.zeros((13, 2))), slice(None)
)


def excess(excess_n: float, noise_n: float = 0.0) -> _Excess:
    """A wall of 2 mm whose load is so much above a trend of 400 N at the bottom, 28 mm."""
    heights_mm, over_n = np.array([30.0, 29.0, 28.0]), np.array([0.0, 0.5, 1.0]) * excess_n
    return _Excess(heights_mm, over_n, TREND, noise_n)


@pytest.mark.parametrize(
    ("found", "reached"),
    [
        (excess(40.4), True), (excess(39.6), False),  # a tenth of the load
        (excess(80.0, 9.9), True), (excess(80.0, 10.1), False),  # eight times the noise
    ],
)  # fmt: skip
def test_an_excess_is_beyond_noise_and_a_share_of_the_load(found: _Excess, reached: bool) -> None:
    assert found.reaches(0.1) == reached


def test_the_onset_is_a_fiftieth_of_the_excess_or_four_times_the_noise() -> None:
    assert excess(100.0).onset_mm == pytest.approx(30.0 - 0.02 * 2.0)
    assert excess(100.0, 2.5).onset_mm == pytest.approx(30.0 - 0.1 * 2.0)


def walled(times: float, at_mm: float = 29.0, power: float = 1.0) -> Branch:
    """As steep as `times` the trend below a height; with a power above 1 it goes on steepening."""
    height_mm = np.linspace(55.0, 27.0, 4000)
    deep_mm = np.maximum(at_mm - height_mm, 0.0)
    more_n = 16.0 * (times - 1.0) * deep_mm**power
    return Branch(height_mm, 16.0 * np.maximum(53.0 - height_mm, 0.0) + more_n)


@pytest.mark.parametrize(
    ("stroke", "reached"),
    [
        (walled(3.2), True), (walled(2.8), False),  # three times as stiff as the trend
        (walled(6.0, 27.6), True), (walled(6.0, 27.4), False),  # a tenth of the load: 42 N
        # the fifth to the half takes 1.56 and 1.69 times as long as the half to four fifths
        (walled(6.0, power=3.0), True), (walled(6.0, power=5.0), False),
    ],
)  # fmt: skip
def test_a_wall_is_reached(stroke: Branch, reached: bool) -> None:
    assert (find_wall(fine_bins(stroke)) is not None) == reached


def touching(times: float, at_mm: float) -> float:
    down = walled(times, at_mm)
    t_s = np.arange(len(down)) * 0.01
    return touching_mm([Press(t_s, down.load_n, down.height_mm, np.zeros(len(down)))])[0]


@pytest.mark.parametrize(("at_mm", "touched"), [(27.07, True), (27.03, False)])
def test_coils_may_touch_where_the_excess_is_a_hundredth_of_the_load(
    at_mm: float, touched: bool
) -> None:
    assert np.isfinite(touching(6.0, at_mm)) == touched


def test_no_coil_touches_half_a_millimetre_above_the_onset() -> None:
    onset = _excess_load(fine_bins(walled(6.0)))
    assert onset is not None
    assert touching(6.0, 29.0) == pytest.approx(onset.onset_mm + 0.5, abs=0.05)
