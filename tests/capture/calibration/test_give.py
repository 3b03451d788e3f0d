"""The give of scale and press from presses on a solid block."""

from __future__ import annotations

import math

import numpy as np
import pytest

from coilbench.capture.calibration.give import GivePoint, fit_give
from coilbench.capture.calibration.keyed_setup import KeyedSetup, give_mm_of
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.keyed import KeyedReading


def test_the_line_is_numpys_least_squares_through_no_load() -> None:
    loads_n, gives_mm = [200.0, 400.0, 800.0], [0.45, 0.80, 1.52]
    found = fit_give([GivePoint(*each) for each in zip(gives_mm, loads_n, strict=True)], 0.1)
    (slope,), *_ = np.linalg.lstsq(np.array(loads_n)[:, None], np.array(gives_mm), rcond=None)
    assert found.give_mm / found.give_at_n == pytest.approx(slope, rel=1e-12)
    off_mm = np.abs(np.array(gives_mm) - slope * np.array(loads_n)).max()
    assert found.give_bend_u_mm == pytest.approx(off_mm / math.sqrt(3.0))
    # JCGM 100:2008, F.2.2.1 for two readings of steps of 0.1 mm, and 5.1.2 for the slope
    read_u_mm = math.sqrt(2.0) * 0.1 / math.sqrt(12.0)
    assert found.give_u_mm == pytest.approx(read_u_mm * 800.0 / np.linalg.norm(loads_n))


def test_one_press_cannot_show_that_it_is_in_proportion() -> None:
    one = fit_give([GivePoint(1.6, 800.0)], 0.1)
    assert one.give_bend_u_mm == pytest.approx(0.16)
    again = fit_give([GivePoint(1.6, 800.0)] * 4, 0.1)
    assert again.give_bend_u_mm == pytest.approx(0.16)
    assert again.give_u_mm == pytest.approx(one.give_u_mm / 2.0)


@pytest.mark.parametrize("point", [(1.6, 0.0), (1.6, -1.0), (-0.1, 800.0), (16.0, 800.0)])
def test_impossible_ones_are_refused(point: tuple[float, float]) -> None:
    with pytest.raises(CoilbenchError):
        fit_give([GivePoint(*point)], 0.1)


def test_a_height_grows_by_the_give_under_the_springs_own_load() -> None:
    setup = KeyedSetup(tare_n=30.0, lever_ratio=3.0, give_mm=1.6, give_at_n=800.0)
    by_height = KeyedReading("a", 130.0, height_mm=38.0).true_height_mm(setup, 53.0)
    by_depth = KeyedReading("a", 130.0, depth_mm=15.0).true_height_mm(setup, 53.0)
    assert by_height == by_depth == pytest.approx(38.0 + 1.6 * 300.0 / 800.0)
    assert give_mm_of({"tare_n": 0.0}, 300.0) == 0.0  # an early book's
