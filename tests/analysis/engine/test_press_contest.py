"""The contest of choices and the next presses, against brute force."""

from __future__ import annotations

import math
from itertools import islice

import numpy as np
import pytest
from msgspec.structs import replace
from scipy.optimize import approx_fprime
from scipy.stats import multivariate_normal

from coilbench.analysis.engine import press_contest
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.coil import SpringSize
from coilbench.analysis.engine.pairing import pair_sets
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.press_contest import (
    MARGIN_N,
    STOP_RISK,
    Contest,
    Ruling,
    Standing,
    contest_of,
)
from coilbench.analysis.engine.press_lookahead import Candidates, Chosen, in_turn
from coilbench.analysis.engine.press_model import (
    Expected,
    Loads,
    PressReading,
    SetModel,
    fit_set,
)
from coilbench.analysis.engine.press_shop import press_heights
from support.shops import make_shop

TEXT = """
[cam]
name = "card"
valve_lift = "11 mm"
seat_load = "330 N"
seat_tolerance = "20 N"
open_load = "700 N"
open_tolerance = "30 N"
[head]
inner_offset = "2 mm"
[head.valves]
"1 in" = "39.0 mm"
"1 ex" = "39.2 mm"
"2 in" = "39.0 mm"
[[shims]]
thickness = "0.5 mm"
count = 3
[limits]
max_shims = 2
[springs]
outer = ["larch", "rowan"]
inner = ["heron"]
"""
WINDOWS = {"larch": 0.0, "rowan": 0.0, "heron": 2.0}
LINES = {"larch": (205.0, 22.0), "rowan": (218.0, 21.0), "heron": (125.0, 12.0)}


def build(text: str = TEXT) -> BuildFile:
    return parse_build(text, "b.toml")


def sets(**solid_mm: float) -> dict[str, SetCurves]:
    labels = {name: tuple(f"{name}-{n}" for n in range(4)) for name in WINDOWS}
    return {
        name: SetCurves(
            name,
            "inner" if name == "heron" else "outer",
            (),
            solid_mm.get(name),
            None,
            None,
            labels[name],
        )
        for name in WINDOWS
    }


def standing() -> dict[str, Standing]:
    return {
        name: Standing.over(name, [(27.0 - lower, 28.2 - lower), (38.0 - lower, 39.2 - lower)])
        for name, lower in WINDOWS.items()
    }


def contest(text: str = TEXT, **solid_mm: float) -> Contest:
    found = contest_of(build(text), sets(**solid_mm), standing())
    assert found is not None
    return found


def line_n(name: str, height_mm: float) -> float:
    shut_n, rate = LINES[name]
    return shut_n + rate * (39.0 - WINDOWS[name] - height_mm)


def knot_loads(one: Contest, sd_n: float = 0.0) -> dict[str, Loads]:
    found = {}
    for each in one.sets:
        mean = np.array([line_n(each.name, float(mm)) for mm in each.knots_mm])
        apart = np.abs(each.knots_mm[:, None] - each.knots_mm[None, :])
        found[each.name] = Loads.normal(mean, sd_n**2 * np.exp(-apart / 5.0))
    return found


def stacked(loads: dict[str, Loads]) -> np.ndarray:
    return np.concatenate([each.merged_n for each in loads.values()])


def miss_by_hand(outer: str, change_mm: float, more: dict[str, float] | None = None) -> float:
    """From the card's distance at each valve: root of the mean, in the narrowest tolerance."""
    cam, off = build().cam, more or {}
    squares = []
    for valve_mm in (39.0, 39.2, 39.0):
        ends = [
            line_n(outer, valve_mm + change_mm - lift_mm)
            + line_n("heron", valve_mm + change_mm - lift_mm - 2.0)
            + off.get(outer, 0.0)
            + off.get("heron", 0.0)
            for lift_mm in (0.0, 11.0)
        ]
        squares.append(cam.distance(*ends))
    return 20.0 * math.sqrt(np.mean(squares))


def test_how_far_a_choice_is_from_the_card() -> None:
    one = contest()
    found = one.miss_n(stacked(knot_loads(one))[None, :])[0]
    for choice, miss_n in zip(one.choices, found, strict=True):
        wanted = miss_by_hand(choice.outer, choice.choice.height_change_mm)
        assert miss_n == pytest.approx(wanted, rel=1e-9)
    # two shims under each of three valves are more than there are
    assert {(c.outer, c.choice.shim_mm) for c in one.choices} == {
        ("larch", 0.0),
        ("larch", 0.5),
        ("rowan", 0.0),
        ("rowan", 0.5),
    }


def test_many_draws_are_taken_in_parts(monkeypatch: pytest.MonkeyPatch) -> None:
    one = contest()
    loads = stacked(knot_loads(one)) + np.random.default_rng(1).normal(0, 5, (50, 30))
    whole = one.miss_n(loads)
    monkeypatch.setattr(press_contest, "MOST_NUMBERS", 7 * one.rows[:, :, 0].size)
    assert one.miss_n(loads) == pytest.approx(whole)


def test_the_slope_is_that_of_finite_differences(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(press_contest, "FLAT", 0.0)
    one = contest()
    at = stacked(knot_loads(one))
    for choice in range(len(one.choices)):
        wanted = approx_fprime(at, lambda x, c=choice: one.miss_n(x[None, :])[0, c], 1e-4)
        assert one.slope(at)[choice] == pytest.approx(wanted, abs=1e-5)


@pytest.mark.parametrize("sd_n", [2.0, 8.0])
def test_the_risk_is_that_of_brute_force(sd_n: float) -> None:
    """60,000 draws by SciPy, each choice's miss from its own loads; ours has 4,000 draws."""
    one = contest()
    loads = knot_loads(one, sd_n)
    ruling = one.rule(loads)
    rng = np.random.default_rng(3)
    drawn = np.concatenate(
        [
            multivariate_normal.rvs(each.merged_n, each.rest_n2, 60_000, random_state=rng)
            for each in loads.values()
        ],
        axis=1,
    )
    miss = one.miss_n(drawn)
    better = miss < miss[:, [ruling.best]] - MARGIN_N
    beaten = [(miss < miss[:, [c]] - MARGIN_N).any(axis=1).mean() for c in range(miss.shape[1])]
    assert beaten[ruling.best] < min(beaten) + 0.02
    assert ruling.risk == pytest.approx(better.any(axis=1).mean(), abs=0.025)
    assert ruling.chances == pytest.approx(better.mean(axis=0), abs=0.025)
    rivals = one.rivals(ruling)
    assert [each.chance for each in rivals] == sorted((r.chance for r in rivals), reverse=True)
    assert one.choices[ruling.best] not in {each.other for each in rivals}


def test_nothing_is_at_risk_where_all_is_known_but_for_a_common_error() -> None:
    """An error of all loads together moves the sums against the card, so another choice may be
    nearer; it is left out unless it is asked for."""
    one = contest()
    loads = knot_loads(one)
    assert one.rule(loads).risk == 0.0
    assert one.rule(loads, common_u=0.02).risk > 0.05


@pytest.mark.parametrize(("solid_mm", "kept"), [(26.3, True), (26.31, False)])
def test_what_would_bind_is_no_choice(solid_mm: float, kept: bool) -> None:
    """1.2 mm over solid at the lowest valve with one shim: 39 - 0.5 - 11 - 1.2 = 26.3."""
    found = {(c.outer, c.choice.shim_mm) for c in contest(larch=solid_mm).choices}
    assert (("larch", 0.5) in found) is kept
    assert ("rowan", 0.5) in found


def test_what_cannot_be_read_is_no_choice() -> None:
    short = standing() | {"larch": Standing.over("larch", [(27.5, 28.2), (38.5, 39.2)])}
    found = contest_of(build(), sets(), short)
    assert found is not None
    assert ("larch", 0.5) in {(c.outer, c.choice.shim_mm) for c in found.choices}
    short["larch"] = Standing.over("larch", [(27.51, 28.2), (38.5, 39.2)])
    found = contest_of(build(), sets(), short)
    assert found is not None
    assert ("larch", 0.5) not in {(c.outer, c.choice.shim_mm) for c in found.choices}
    none = {name: one for name, one in standing().items() if name != "heron"}
    assert contest_of(build(), sets(), none) is None


def models() -> dict[str, SetModel]:
    rng, found = np.random.default_rng(8), {}
    for name, lower in WINDOWS.items():
        labels = [f"{name}-{n}" for n in range(4)]
        readings = [
            PressReading(label, mm - lower, line_n(name, mm - lower) + rng.normal(0, 2), 3.0)
            for label in labels[:2]
            for mm in (27.0, 28.2, 38.0, 39.2)
        ]
        found[name] = fit_set(labels, readings, 39.0 - lower, 33.0 - lower, Expected(700.0, 34.0))
    return found


HEIGHTS = {name: (27.0 - low, 28.2 - low, 38.6 - low) for name, low in WINDOWS.items()}
NOISE_N2 = 9.0


def conditioned(one: Contest, known: dict[str, SetModel], made: list[Chosen]):
    """Covariance of each set's knots after presses, whatever they show: by whole matrices."""
    found = {}
    for each in one.sets:
        model, heights, k = known[each.name], HEIGHTS[each.name], len(each.knots_mm)
        cov = model.mean_and_springs(each.knots_mm, heights).merged_cov_n2
        at = [
            k + model.labels.index(press.label) * len(heights) + heights.index(press.height_mm)
            for press in made
            if press.set_name == each.name
        ]
        seen = cov[np.ix_(at, at)] + NOISE_N2 * np.eye(len(at))
        found[each.name] = cov[:k, :k] - cov[:k, at] @ np.linalg.inv(seen) @ cov[at, :k]
    return found


def spread_n2(
    one: Contest, ruling: Ruling, known: dict[str, SetModel], at: np.ndarray, made: list[Chosen]
) -> np.ndarray:
    """Variance of best minus each choice."""
    slope = one.slope(at)
    apart = slope[ruling.best] - slope
    total = np.zeros(len(slope))
    for name, cov in conditioned(one, known, made).items():
        part = apart[:, one.part(name)]
        total += np.einsum("ck,kl,cl->c", part, cov, part)
    return total


def test_presses_ahead_narrow_as_readings_do_and_the_first_is_the_best_there_is() -> None:
    """Against textbook conditioning of loads with the moments of all cases together."""
    one, known = contest(), models()
    loads = {name: m.mean_loads(standing()[name].knots_mm) for name, m in known.items()}
    at = stacked(loads)
    ruling = one.rule(loads)
    assert one.rivals(ruling)
    candidates = {name: Candidates(m, HEIGHTS[name], NOISE_N2) for name, m in known.items()}
    weight = np.where(ruling.chances >= press_contest.MATTERS, ruling.chances, 0.0)
    chosen = list(islice(in_turn(one, ruling, loads, candidates), 3))
    first = chosen[0][0]
    before = spread_n2(one, ruling, known, at, [])
    gains = {
        (name, label, mm): float(
            weight @ (before - spread_n2(one, ruling, known, at, [Chosen(name, label, mm, 0)]))
        )
        for name in WINDOWS
        for label in known[name].labels
        for mm in HEIGHTS[name]
    }
    best = max(gains.values())
    assert gains[first.set_name, first.label, first.height_mm] == pytest.approx(best, rel=1e-6)
    for count in range(1, 4):
        made = [press for press, _ in chosen[:count]]
        variance = spread_n2(one, ruling, known, at, made)
        off = ruling.miss_n - ruling.miss_n[ruling.best] + MARGIN_N
        wanted = max(
            0.5 * math.erfc(off[i] / math.sqrt(2.0 * variance[i])) for i in np.flatnonzero(weight)
        )
        assert chosen[count - 1][1] == pytest.approx(wanted, rel=1e-4)


@pytest.mark.parametrize("inside", [True, False])
def test_choices_that_cannot_be_told_from_the_best(inside: bool) -> None:
    """Expected to be farther by the margin at most, just inside and outside; rivals that would
    leave too much risk, while there is too much."""
    one = contest()
    behind_n = MARGIN_N * (1 - 1e-9 if inside else 1 + 1e-9)
    miss_n = np.array([50.0, 50.0 + behind_n, 90.0, 95.0])
    sure = Ruling(0, STOP_RISK / 2, np.array([0.0, 0.0, STOP_RISK, 0.001]), miss_n)
    assert one.ties(sure) == ((one.choices[1],) if inside else ())
    capped = replace(sure, risk=STOP_RISK)
    assert set(one.ties(capped)) == {one.choices[2]} | set(one.ties(sure))


@pytest.mark.parametrize("seed", range(8))
def test_choices_and_misses_are_those_of_pairing(seed: int) -> None:
    """Where every spring was read everywhere: the same choices keep the limits, as near the card.

    The root of pairing's distance, in the narrowest tolerance.
    """
    shop = make_shop(seed)
    known = shop.sets(shop.all_heights())
    sizes = {name: SpringSize(None, one.known_solid_mm) for name, one in known.items()}
    heights = press_heights(shop.build, sizes)
    stand = {name: Standing.over(name, at.windows_mm) for name, at in heights.items()}
    one = contest_of(shop.build, known, stand)
    paired = [each for each in pair_sets(shop.build, known).combinations if each.limits_kept]
    named = {(each.outer, each.inner, each.choice): each for each in paired}
    assert one is not None
    assert {tuple(choice) for choice in one.choices} == set(named)
    knot_n = np.concatenate(
        [
            np.mean(
                [[s.load_n(mm) for mm in each.knots_mm] for s in shop.springs[each.name].values()],
                axis=0,
            )
            for each in one.sets
        ]
    )
    for choice, miss_n in zip(one.choices, one.miss_n(knot_n[None, :])[0], strict=True):
        distance = named[tuple(choice)].distance
        assert distance is not None
        assert miss_n == pytest.approx(one.miss_unit_n * math.sqrt(distance), abs=0.15)
