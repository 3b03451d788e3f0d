"""The wall of touching coils, and strokes pressed to bind on drawn rigs: the lag stays right."""

from __future__ import annotations

import math

import numpy as np
import pytest
from msgspec.structs import replace
from numpy.typing import NDArray

from bench_curve_truth import Truths, truths
from bench_metrology import USUAL
from coilbench.analysis.curves.wall import _excess_load, find_wall, touching_mm
from coilbench.capture.calibration.lag import Press
from coilbench.capture.strokes.bins import Bins, fine_bins
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.virtual.spring import OUTER
from support.shared import reckoned_once

Array = NDArray[np.float64]
SOLID_MM = OUTER.solid_height_mm


def down(bottom_mm: float, samples: int = 600, noise_n: float = 0.3) -> tuple[Array, Array]:
    height = np.linspace(55.0, bottom_mm, samples)
    rng = np.random.default_rng(1)
    return height, OUTER.load_n(height) + rng.normal(0.0, noise_n, samples)


def bins(bottom_mm: float, samples: int = 600) -> Bins:
    return fine_bins(Branch(*down(bottom_mm, samples)))


def press(bottom_mm: float) -> Press:
    height, load = down(bottom_mm)
    path, loads = np.concatenate([height, height[::-1]]), np.concatenate([load, load[::-1]])
    return Press(np.arange(path.size) * 0.01, loads, path, np.zeros(path.size))


@pytest.mark.parametrize("deep_mm", [0.2, 0.4, 0.8])
def test_the_wall_is_where_it_was_made(deep_mm: float) -> None:
    """Coils touch softly, over 0.08 mm: the wall's line meets the trend within that of solid."""
    wall = find_wall(bins(SOLID_MM - deep_mm))
    assert wall is not None
    assert abs(wall.crossing_mm - SOLID_MM) < OUTER.bind_mm * 1.5
    assert wall.crossing_mm < wall.onset_mm < wall.crossing_mm + 0.5
    assert wall.n_per_mm == pytest.approx(OUTER.bind_n_per_mm, rel=0.35)


@pytest.mark.parametrize("above_mm", [0.06, 0.1, 0.5, 2.0])
def test_a_wall_that_only_begins_is_not_called_reached(above_mm: float) -> None:
    assert find_wall(bins(SOLID_MM + above_mm)) is None


def test_a_rate_that_doubles_near_the_bottom_is_no_wall() -> None:
    """A second rate, as of a nest whose inner spring is short; and six times as stiff is one."""
    height = np.linspace(55.0, 25.0, 600)
    depth = np.maximum(53.0 - height, 0.0)
    for times, found in ((2.0, False), (6.0, True)):
        load = 16.0 * (depth + (times - 1.0) * np.maximum(depth - 24.5, 0.0))
        assert (find_wall(fine_bins(Branch(height, load))) is not None) == found


def test_noise_is_no_wall() -> None:
    for seed in range(20):
        height = np.linspace(55.0, 27.0, 600)
        noise = np.random.default_rng(seed).normal(0.0, 25.0, 600)
        load = 16.0 * np.maximum(53.0 - height, 0.0) + noise
        assert find_wall(fine_bins(Branch(height, load))) is None


def test_too_little_to_see_a_trend() -> None:
    assert _excess_load(bins(50.0, 20)) is None
    height = np.linspace(55.0, 30.0, 400)
    assert _excess_load(fine_bins(Branch(height, np.full(400, 5.0)))) is None
    assert find_wall(bins(54.0)) is None


def test_what_touching_coils_tell_is_kept_from_the_lag() -> None:
    """Also where they only begin to touch; and nothing of a press that stays clear."""
    bottoms_mm = (SOLID_MM - 0.5, SOLID_MM - 0.1, SOLID_MM + 0.1, SOLID_MM + 1.0)
    short = press(40.0)
    few = Press(short.t_s[:9], short.load_n[:9], short.travel_mm[:9], short.flex_mm[:9])
    *cuts_mm, clear_mm, few_mm = touching_mm([*map(press, bottoms_mm), few])
    assert all(SOLID_MM + 0.2 < cut_mm < SOLID_MM + 1.5 for cut_mm in cuts_mm)
    assert clear_mm == few_mm == -math.inf


@pytest.mark.parametrize("delay_s", [0.01, 0.02, 0.03])
def test_a_fast_stroke_that_slows_down_touches_nothing(delay_s: float) -> None:
    """Near its turn the lag alone lifts the load by some per cent above the trend."""
    t_s = np.arange(0.0, 2.0, 1.0 / 91.0)

    def height_mm(at_s: Array) -> Array:
        return 55.0 - 28.0 * np.sin(0.5 * np.pi * at_s) ** 2

    load_n = 16.0 * np.maximum(53.0 - height_mm(t_s - delay_s), 0.0)
    stroke = Press(t_s, load_n, height_mm(t_s), np.zeros(t_s.size))
    assert touching_mm([stroke]) == [-math.inf]


@pytest.fixture(scope="module")
def bound(tmp_path_factory: pytest.TempPathFactory) -> Truths:
    """Eight days on which every stroke turns some 0.3 mm below solid."""
    world = replace(USUAL, to_margin_mm=-0.3)
    return reckoned_once(tmp_path_factory, "bound", lambda: truths(world, range(4000, 4008)))


def test_strokes_to_coil_bind_spoil_no_other_finding(bound: Truths) -> None:
    """Of 8 intervals at 95 % fewer than 6 hold once in 170; a lag told by the wall was off by
    half and more, and the loads by several times their uncertainty."""
    for finding, pairs in bound.pairs.items():
        assert bound.coverage(finding) >= 6 / 8, finding
        if finding == "two heights, N/mm":
            assert max(abs(error) for error, _ in pairs) < 0.03


def test_solid_height_of_bound_strokes_holds_the_truth(bound: Truths) -> None:
    pairs = bound.pairs["solid, mm"]
    assert len(pairs) == 8
    assert bound.coverage("solid, mm") == 1.0
    assert max(u for _, u in pairs) < 0.5
