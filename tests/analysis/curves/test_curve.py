"""A spring's curve: worked figures of the trade, SciPy's regressions, and simulated presses."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest
from msgspec.structs import replace
from numpy.typing import NDArray
from scipy import stats

from coilbench.analysis.curves.curve import BranchChoice, SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.hand_repeats import with_repeats
from coilbench.analysis.curves.not_measured import HeightNotMeasured
from coilbench.analysis.curves.points import OUTSIDE_MM
from coilbench.analysis.curves.readings import CurveNote
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep
from coilbench.capture.unit_factors import KGF_N

Array = NDArray[np.float64]
NONE = Branch(np.empty(0), np.empty(0))

FREE_MM, RATE, BEND, LOOP = 53.0, 14.0, 0.12, 0.02  # the simulated spring, of our invention


def keyed(
    loading: list[tuple[float, float]],
    unloading: list[tuple[float, float]] | None = None,
    *,
    load_u_n: float = 1.0,
    load_u_relative: float = 0.0,
    height_u_mm: float = 0.0,
) -> Sweep:
    down = np.array(loading, float).reshape(-1, 2)
    up = np.array([] if unloading is None else unloading, float).reshape(-1, 2)
    return Sweep(
        "sweep",
        "larch-01",
        Origin.KEYED,
        Branch(down[:, 0], down[:, 1]),
        Branch(up[:, 0], up[:, 1]),
        load_u_n,
        load_u_relative,
        height_u_mm,
    )


def true_load_n(height_mm: Array | float) -> Array:
    """Mean of both branches: a slightly progressive spring."""
    depth = np.maximum(FREE_MM - np.asarray(height_mm, float), 0.0)
    return RATE * depth + BEND * depth**2


def pressed_load_n(height_mm: Array) -> Array:
    """Load along a path: friction of LOOP times the load, turned round over about 0.25 mm."""
    depth = np.maximum(FREE_MM - height_mm, 0.0)
    return true_load_n(height_mm) * (1.0 + LOOP * _drag(depth.tobytes()))


@cache
def _drag(depths: bytes) -> Array:
    """Friction's share of its full size along a path; hundreds of presses share one."""
    depth = np.frombuffer(depths)
    drag, state = np.empty_like(depth), 0.0
    for at, step in enumerate(np.diff(depth, prepend=depth[0]).tolist()):
        state += (math.copysign(step != 0.0, step) - state) * (1.0 - math.exp(-abs(step) / 0.25))
        drag[at] = state
    return drag


def path_mm(bottom_mm: float = 27.0, samples: int = 500) -> Array:
    """An even press from above the spring and back."""
    down = np.linspace(FREE_MM + 1.5, bottom_mm, samples)
    return np.concatenate([down, down[::-1]])


def press(
    height_mm: Array,
    rng: np.random.Generator,
    *,
    zero_n: float = 0.0,
    gain: float = 1.0,
    datum_mm: float = 0.0,
    noise_n: float = 0.4,
    step_mm: float = 0.01,
) -> Sweep:
    """What the bench records of a path: noise, encoder steps, and its own three errors."""
    load = pressed_load_n(height_mm) * gain + zero_n + rng.normal(0.0, noise_n, height_mm.size)
    shown = np.round((height_mm + datum_mm) / step_mm) * step_mm
    turn = int(np.argmin(shown)) + 1
    return Sweep(
        "sweep",
        "larch-01",
        Origin.RIG,
        Branch(shown[:turn], load[:turn]),
        Branch(shown[turn:], load[turn:]),
        load_u_n=0.6,
        load_u_relative=0.002,
        height_u_mm=0.03,
    )


# ------------------------------------------------------------------------- chosen points


def test_the_notebook_spring() -> None:
    """53 mm free, 22.4 kg at 15 mm down and 40.7 kg at 25.9 mm down: 1.68 kg/mm.

    Common practice, no source.
    """
    points = [(53.0 - 15.0, 22.4 * KGF_N), (53.0 - 25.9, 40.7 * KGF_N)]
    curve = fit_curve("larch-01", [keyed(points)], free_length_mm=53.0)
    assert curve.load_at(38.0).load_n / KGF_N == pytest.approx(22.4, rel=1e-12)
    rate = curve.rate_between(38.0, 27.1)
    assert rate.rate_n_per_mm / KGF_N == pytest.approx(1.68, abs=0.005)
    assert curve.rate_between(27.1, 38.0) == rate
    # a 1 mm washer adds 1.68 kg
    washer_n = curve.load_at(37.0).load_n - curve.load_at(38.0).load_n
    assert washer_n / KGF_N == pytest.approx(1.68, abs=0.005)
    assert curve.free_length_mm == 53.0
    assert curve.solid_height_mm is None
    assert curve.rate == rate  # the window was not measured whole


@pytest.mark.parametrize("height_mm", [39.51, 25.59, 0.0, 60.0])
def test_a_curve_is_not_extended_by_more_than_a_little(height_mm: float) -> None:
    curve = fit_curve("larch-01", [keyed([(38.0, 220.0), (27.1, 399.0)])])
    with pytest.raises(HeightNotMeasured, match=r"\b27\.1 mm.*\b38 mm") as caught:
        curve.load_at(height_mm)
    assert isinstance(caught.value, CoilbenchError)
    with pytest.raises(HeightNotMeasured):
        curve.rate_between(30.0, height_mm)
    assert curve.load_at(38.0 + 1e-9).load_n == pytest.approx(220.0)  # inches round unevenly


def test_both_branches_are_averaged_where_both_were_measured(loop_n) -> None:
    sweep = keyed([(38.0, 220.0), (30.0, 350.0)], [(38.0, 210.0)])
    curve = fit_curve("larch-01", [sweep])
    both, one = curve.load_at(38.0), curve.load_at(30.0)
    assert (both.load_n, both.notes) == (215.0, ())
    assert (one.load_n, one.notes) == (350.0, (CurveNote("one_branch", side="loading"),))
    assert loop_n(curve, 38.0) == 10.0
    with pytest.raises(HeightNotMeasured):
        loop_n(curve, 30.0)
    # the rate compares like with like, not the mean at one height with loading at the other
    assert curve.rate_between(30.0, 38.0).rate_n_per_mm == pytest.approx(130.0 / 8.0)
    assert fit_curve("larch-01", [sweep], "loading").load_at(38.0).load_n == 220.0
    up = fit_curve("larch-01", [sweep], "unloading")
    assert up.load_at(38.0).load_n == 210.0
    assert up.rate is None
    with pytest.raises(HeightNotMeasured):
        up.load_at(30.0)


def test_uncertainties_add_in_squares() -> None:
    """JCGM 100:2008, 5.1.2, by hand: 2 sqrt(1^2 + (0.01 220)^2 + (0.1 16.25)^2)."""
    points = [(38.0, 220.0), (30.0, 350.0)]
    sweep = keyed(points, load_u_n=1.0, load_u_relative=0.01, height_u_mm=0.1)
    reading = fit_curve("larch-01", [sweep]).load_at(38.0)
    want = 2.0 * math.sqrt(1.0 + (0.01 * 220.0) ** 2 + (0.1 * 130.0 / 8.0) ** 2)
    assert reading.load_u_n == pytest.approx(want, rel=1e-12)


def test_points_of_a_rate_are_read_independently_and_share_the_masses() -> None:
    points = [(38.0, 220.0), (30.0, 350.0)]
    sweep = keyed(points, load_u_n=1.0, load_u_relative=0.01, height_u_mm=0.1)
    rate = fit_curve("larch-01", [sweep]).rate_between(38.0, 30.0)
    height = 0.1 * 130.0 / 8.0
    want = 2.0 * math.sqrt(2.0 * 1.0 + 2.0 * height**2 + (0.01 * 130.0) ** 2) / 8.0
    assert rate.rate_u_n_per_mm == pytest.approx(want, rel=1e-12)


def test_repeats_are_averaged_and_their_scatter_counts() -> None:
    loads = [220.0, 221.0, 223.0]
    sweeps = [keyed([(38.0, load)], load_u_n=0.0) for load in loads]
    reading = fit_curve("larch-01", with_repeats({"x": sweeps})["x"]).load_at(38.0)
    assert reading.load_n == pytest.approx(float(np.mean(loads)))
    low, high = stats.t.interval(0.95, 2, loc=np.mean(loads), scale=stats.sem(loads))
    assert reading.load_u_n == pytest.approx(0.5 * float(high - low), rel=1e-9)


def test_single_readings_at_two_heights_make_a_curve_between() -> None:
    sweeps = [keyed([(38.0, 220.0)]), keyed([(30.0, 350.0)]), keyed([], [(38.0, 212.0)])]
    sweeps = [replace(sweep, height_u_mm=0.1) for sweep in sweeps]
    curve = fit_curve("larch-01", sweeps)
    assert curve.load_at(38.0).load_n == pytest.approx(216.0)
    assert curve.load_at(34.0).load_n == pytest.approx(285.0)
    assert curve.rate_between(38.0, 30.0).rate_n_per_mm == pytest.approx(130.0 / 8.0)
    want = 2.0 * math.hypot(1.0, 0.1 * 130.0 / 8.0)
    assert curve.load_at(30.0).load_u_n == pytest.approx(want)  # the rate comes from the others


def test_a_lone_reading_says_what_it_leaves_out() -> None:
    sweep = replace(keyed([(38.0, 225.0)]), height_u_mm=0.2)
    alone = fit_curve("larch-01", [sweep])
    assert CurveNote("no_rate") in alone.load_at(38.0).notes
    assert alone.rate is None
    known = fit_curve("larch-01", [sweep], free_length_mm=53.0).load_at(38.0)
    assert known.load_u_n == pytest.approx(2.0 * math.hypot(1.0, 0.2 * 225.0 / 15.0))
    assert CurveNote("no_rate") not in known.notes


def test_nothing_to_read_is_refused() -> None:
    for sweeps in ([], [keyed([])], [keyed([(38.0, math.nan)])]):
        with pytest.raises(CoilbenchError, match=r"larch-01.*reading"):
            fit_curve("larch-01", sweeps)
    with pytest.raises(CoilbenchError, match=r"reading.*unloading"):
        fit_curve("larch-01", [keyed([(38.0, 220.0)])], "unloading")
    curve = fit_curve("larch-01", [keyed([(38.0, 220.0), (30.0, 350.0)])])
    with pytest.raises(CoilbenchError, match="two heights"):
        curve.rate_between(34.0, 34.0)


def test_sampled_stays_inside_and_skips_gaps() -> None:
    curve = fit_curve("larch-01", [keyed([(50.0, 40.0), (44.0, 130.0)], [(38.0, 210.0)])])
    heights, loads = curve.sampled(25)
    assert heights[0] == 38.0
    assert heights[-1] == 50.0
    assert loads[0] == 210.0
    assert np.all((heights == 38.0) | (heights >= 44.0 - OUTSIDE_MM))
    assert np.all(np.isfinite(loads))


# ------------------------------------------------------------------------- dense presses


def hits(sweeps_each: int, seeds: range) -> int:
    """How often the interval at one height holds the truth, every error drawn again."""
    held = 0
    for seed in seeds:
        rng = np.random.default_rng([seed, sweeps_each])
        errors = {
            "zero_n": rng.normal(0.0, 0.6),
            "gain": 1.0 + rng.normal(0.0, 0.002),
            "datum_mm": rng.normal(0.0, 0.03),
        }
        height = path_mm(samples=250)
        sweeps = [press(height, rng, **errors) for _ in range(sweeps_each)]
        at = float(rng.uniform(29.0, 46.0))
        reading = fit_curve("larch-01", sweeps).load_at(at)
        held += abs(reading.load_n - float(true_load_n(at))) <= reading.load_u_n
    return held


@pytest.mark.parametrize("sweeps_each", [1, 3])
def test_the_interval_holds_the_truth_as_often_as_it_says(sweeps_each: int) -> None:
    """k = 2 of a normal law holds 95.45 %; the bounds are its binomial 0.1 % quantiles.

    Both sides bite: an interval a quarter too narrow holds 87 %, one half again too wide 99.7 %.
    """
    count = 300
    low, high = stats.binom.ppf([0.001, 0.999], count, 0.9545)
    assert low <= hits(sweeps_each, range(count)) <= high


def test_load_at_is_unbiased() -> None:
    grid = np.arange(28.0, 50.0, 0.37)
    away = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        curve = fit_curve("larch-01", [press(path_mm() + rng.uniform(0, 0.01), rng)])
        away.append([curve.load_at(float(h)).load_n - float(true_load_n(h)) for h in grid])
    bias = np.mean(away, axis=0)
    # 30 presses know the mean error to about 0.02 N; the spring pushes 75 to 420 N there
    assert float(np.max(np.abs(bias))) < 0.08


@pytest.mark.parametrize("branch", ["mean", "loading", "unloading"])
def test_many_loads_at_once_are_those_read_one_by_one(branch: BranchChoice) -> None:
    """Over ends, the turn, a way up that broke off, a stroke less deep, and outside."""
    rng = np.random.default_rng(4)
    broken = press(path_mm()[:700], rng)
    sweeps = [press(path_mm(), rng), press(path_mm(bottom_mm=29.0), rng), broken]
    curve = fit_curve("larch-01", sweeps, branch)
    heights = np.append(np.linspace(26.5, 54.0, 300), [curve.lowest_mm, curve.highest_mm])
    loads = curve.loads_n_at(heights)
    for height_mm, load_n in zip(heights.tolist(), loads.tolist(), strict=True):
        if math.isnan(load_n):
            with pytest.raises(HeightNotMeasured):
                curve.load_at(height_mm)
        else:
            assert load_n == pytest.approx(curve.load_at(height_mm).load_n, abs=1e-10)
    assert 0 < np.isnan(loads).sum() < 60
    at_once = replace(curve)
    at_once.read(heights.tolist())
    down = replace(broken, unloading=NONE)  # no way up at all: read one by one
    fit_curve("larch-01", [*sweeps, down], branch).read(heights.tolist())
    for height_mm in heights[~np.isnan(loads)].tolist():
        one, other = at_once.load_at(height_mm), curve.load_at(height_mm)
        assert one == other  # to the last digit: what is kept is read beside what is not
    knots_mm = curve.knots_mm  # down into the turn, where friction is still missing
    between_mm = rng.uniform(knots_mm[0], knots_mm[-1], 200)
    straight_n = np.interp(between_mm, knots_mm, curve.loads_n_at(knots_mm))
    assert curve.loads_n_at(between_mm) == pytest.approx(straight_n, abs=1e-9)


def test_just_above_the_turn_friction_is_not_taken_for_load() -> None:
    away, widths = [], []
    for seed in range(10):
        curve = fit_curve("larch-01", [press(path_mm(), np.random.default_rng(seed))])
        readings = [curve.load_at(at) for at in (27.05, 27.3, 27.8, 28.4)]
        away.append(
            [reading.load_n - float(true_load_n(reading.height_mm)) for reading in readings]
        )
        widths.append([reading.load_u_n for reading in readings])
    # half the loop is 8 N there, and the plain mean of both branches is that much too high at first
    assert np.all(np.abs(away) < 1.0)
    assert np.all(np.abs(away) < np.array(widths))
    assert float(np.mean(widths, axis=0)[0]) > 4.0  # and it says that it knows less there


def test_friction_is_the_loop_and_stays_out_of_the_mean(loop_n) -> None:
    curve = fit_curve("larch-01", [press(path_mm(), np.random.default_rng(2))])
    loop = loop_n(curve, 35.0)
    assert loop == pytest.approx(2.0 * LOOP * float(true_load_n(35.0)), rel=0.02)


def disturbed(kind: str) -> Array:
    """A path of the same press with something that hands do."""
    down = np.linspace(FREE_MM + 1.5, 27.0, 500)
    at = int(np.argmin(np.abs(down - 35.0)))
    extra = {
        "pause": np.full(800, down[at]),
        "wobble": down[at] + 1.5 * np.sin(np.linspace(0.0, np.pi, 80)),
        "double press": down[at] + 12.0 * np.sin(np.linspace(0.0, np.pi, 300)),
    }[kind]
    return np.concatenate([down[:at], extra, down[at:], down[::-1]])


@pytest.mark.parametrize("kind", ["pause", "wobble", "double press"])
def test_what_hands_do_does_not_move_the_curve(kind: str, loop_n) -> None:
    for seed in range(5):
        rng = np.random.default_rng(seed)
        curve = fit_curve("larch-01", [press(disturbed(kind), rng)])
        for at in (33.0, 34.8, 35.0, 35.2, 36.0, 40.0):
            # 0.25 N is far below the 20 N loop that a pass back up would let in
            assert curve.load_at(at).load_n == pytest.approx(float(true_load_n(at)), abs=0.25)
            assert loop_n(curve, at) == pytest.approx(2.0 * LOOP * float(true_load_n(at)), abs=0.5)


def straight(seed: int) -> tuple[Sweep, SpringCurve]:
    """A press of a straight spring without friction."""
    rng = np.random.default_rng(seed)
    height = np.linspace(FREE_MM, 27.0, 600)
    load = 16.0 * (FREE_MM - height) + rng.normal(0.0, 0.5, height.size)
    sweep = Sweep("s", "larch-01", Origin.RIG, Branch(height, load), NONE, 0.05, 0.0, 0.0)
    return sweep, fit_curve("larch-01", [sweep])


def test_the_rate_agrees_with_scipy_regressions() -> None:
    for seed in range(10):
        sweep, curve = straight(seed)
        rate = curve.rate
        assert rate is not None
        assert curve.free_length_mm is not None
        deflection = curve.free_length_mm - curve.lowest_mm
        depth = curve.free_length_mm - sweep.loading.height_mm
        window = (depth >= 0.3 * deflection) & (depth <= 0.7 * deflection)
        heights, loads = sweep.loading.height_mm[window], sweep.loading.load_n[window]
        least_squares = -stats.linregress(heights, loads).slope
        robust = -stats.theilslopes(loads, heights).slope
        assert rate.rate_n_per_mm == pytest.approx(least_squares, abs=rate.rate_u_n_per_mm)
        assert rate.rate_n_per_mm == pytest.approx(robust, abs=rate.rate_u_n_per_mm)
        assert rate.rate_u_n_per_mm < 0.01 * 16.0


def test_a_zero_error_leaves_the_rate_and_a_gain_error_does_not() -> None:
    def sweep_rate(**errors: float) -> float:
        curve = fit_curve("larch-01", [press(path_mm(), np.random.default_rng(9), **errors)])
        return curve.rate_between(38.0, 29.0).rate_n_per_mm

    assert sweep_rate(zero_n=5.0) == pytest.approx(sweep_rate(), abs=1e-9)
    assert sweep_rate(gain=1.01) == pytest.approx(1.01 * sweep_rate(), rel=1e-3)


def test_free_length_comes_from_contact_before_what_was_given() -> None:
    dense = fit_curve("larch-01", [press(path_mm(), np.random.default_rng(1))], free_length_mm=60)
    assert dense.free_length_mm == pytest.approx(FREE_MM, abs=0.1)
    assert dense.free_length_u_mm is not None
    assert abs(dense.free_length_mm - FREE_MM) < dense.free_length_u_mm
    assert dense.solid_height_mm is None
    given = fit_curve("larch-01", [press(path_mm(), np.random.default_rng(1))], solid_height_mm=25)
    assert given.solid_height_mm == 25
