"""Odd strokes by name: on a simulated rig with its faults, and on plain arrays as of a file."""

from __future__ import annotations

import numpy as np
import pytest

from bench_strokes import CASES, Case, odd_one, three_strokes
from coilbench.capture.calibration.lag import Press
from coilbench.capture.strokes.bins import Array
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.stroke_findings import (
    StrokeFinding,
    stroke_findings,
)
from coilbench.capture.strokes.sweep import Origin, Sweep
from coilbench.capture.virtual.spring import OUTER, draw_set

# ------------------------------------------------------------------------- the simulated rig


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.words)
def test_the_simulated_rig_makes_it_and_it_is_named(case: Case) -> None:
    """Four springs, one tired, one cracked; three presses each, the second odd."""
    springs = draw_set(OUTER, 4, 3, tired=1, cracked=1)
    pairs = [(spring, odd_one(spring, case)) for spring in springs]
    for one, two, three in three_strokes(pairs, case.kinds, seed=3):
        names = [finding.kind for finding in two.findings]
        if case.name == "ends_close":  # another spring than before: apart too, on some
            assert case.name in names or "cocked" in names
        else:
            assert names == [name for name in (case.name,) if name]
        assert two.kept == (case.name in ("", "pressed_twice", "paused", "short"))
        for good in (one, three):
            assert good.findings == ()
            assert good.kept


# ------------------------------------------------------------------------- plain arrays

RATE, FREE_MM = 16.0, 53.0


def stroke(
    height_mm: Array, load_n: Array | None = None, step_s: float = 0.01, loop: float = 0.01
) -> Sweep:
    """A stroke as a file of converted samples brings it."""
    turn = int(np.argmin(height_mm)) + 1
    if load_n is None:
        way = np.where(np.arange(height_mm.size) < turn, 1.0 + loop, 1.0 - loop)
        load_n = np.maximum(RATE * (FREE_MM - height_mm), 0.0) * way
    t_s = np.arange(height_mm.size) * step_s
    press = Press(t_s, load_n, height_mm, np.zeros_like(load_n))
    down = Branch(height_mm[:turn], load_n[:turn])
    up = Branch(height_mm[turn:], load_n[turn:])
    return Sweep("1", "s", Origin.CONVERTED_FILE, down, up, 0.0, 0.0, 0.0, press)


def path(*points: tuple[float, float]) -> Array:
    """Heights every 0.01 s through (seconds, height) points, straight between."""
    at_s, mm = np.array(points).T
    return np.interp(np.arange(0.0, at_s[-1], 0.01), at_s, mm)


PLAIN = path((0, 55), (2, 27), (4, 55))


def names(sweep: Sweep) -> list[str]:
    return [finding.kind for finding in stroke_findings(sweep)]


def only(sweep: Sweep) -> StrokeFinding:
    (finding,) = stroke_findings(sweep)
    return finding


def test_a_plain_stroke_has_no_finding_with_noise_or_without() -> None:
    assert names(stroke(PLAIN)) == []
    rng = np.random.default_rng(1)
    for share in (0.001, 0.005, 0.01):
        load = np.maximum(RATE * (FREE_MM - PLAIN), 0.0) * rng.normal(1.0, share, PLAIN.size)
        assert names(stroke(PLAIN, load)) == []


@pytest.mark.parametrize("step_n", [1.0, 4.903325, 9.80665])
def test_a_coarse_scales_staircase_is_no_slip(step_n: float) -> None:
    """Shown to 0.1, 0.5 and 1 kg; on a strong and on a weak spring."""
    for rate in (4.0, 16.0):
        load = np.maximum(rate * (FREE_MM - PLAIN), 0.0)
        assert "slipped" not in names(stroke(PLAIN, step_n * np.round(load / step_n)))


def test_a_pause_is_named_with_its_place_and_length() -> None:
    finding = only(stroke(path((0, 55), (1, 41), (2.2, 41), (3.2, 27), (5.2, 55))))
    assert finding.kind == "paused"
    assert not finding.spoils
    (pause,) = finding.facts["pauses"]
    assert pause["way"] == "down"
    assert pause["pause_s"] == pytest.approx(1.2, abs=0.05)
    assert pause["height_mm"] == pytest.approx(41.0, abs=1.0)
    up = only(stroke(path((0, 55), (2, 27), (3, 41), (4, 41), (5, 55))))
    assert [pause["way"] for pause in up.facts["pauses"]] == ["up"]


def test_holding_still_at_the_bottom_and_slow_ends_are_no_pause() -> None:
    assert names(stroke(path((0, 55), (2, 27), (5, 27), (7, 55)))) == []
    slow = 41.0 + 14.0 * np.cos(np.linspace(0.0, 2.0 * np.pi, 3000))  # half a minute
    assert names(stroke(slow)) == []


@pytest.mark.parametrize("presses", [2, 3])
def test_pressed_again_before_it_was_let_go(presses: int) -> None:
    points = [(0.0, 55.0)]
    for number in range(presses):
        points += [(2.0 * number + 1.0, 27.0 - 0.01 * number), (2.0 * number + 2.0, 40.0)]
    points[-1] = (points[-1][0], 55.0)
    finding = only(stroke(path(*points)))
    assert finding.kind == "pressed_twice"
    assert finding.facts["presses"] == presses


@pytest.mark.parametrize("way", ["down", "up"])
@pytest.mark.parametrize("slip_mm", [0.8, -0.8])
def test_a_step_in_the_load_is_a_slip_where_it_was(way: str, slip_mm: float) -> None:
    turn = int(np.argmin(PLAIN))
    time = np.arange(PLAIN.size)
    crossed = np.flatnonzero(np.abs(PLAIN - 40.0) < 0.08)
    at = crossed[0] if way == "down" else crossed[crossed > turn][0]
    free = np.where(time >= at, FREE_MM - slip_mm, FREE_MM)
    finding = only(stroke(PLAIN, np.maximum(RATE * (free - PLAIN), 0.0)))
    assert finding.kind == "slipped"
    assert finding.spoils
    # 0.8 mm at 16 N/mm; on the way up the load after it is that at the greater height
    lost = (slip_mm > 0.0) == (way == "down")
    assert finding.facts["way"] == way
    assert finding.facts["step_n"] == pytest.approx(-12.8 if lost else 12.8, rel=0.1)
    assert finding.facts["height_mm"] == pytest.approx(40.0, abs=1.0)


def test_bends_are_no_slips() -> None:
    """A knee, coil bind and a progressive spring: their rates change, their loads don't jump."""
    depth = np.maximum(FREE_MM - PLAIN, 0.0)
    knee = 10.0 * depth + 12.0 * np.maximum(depth - 12.0, 0.0)
    bind = RATE * depth + 800.0 * np.maximum(depth - 25.7, 0.0)
    progressive = 8.0 * depth + 0.4 * depth**2
    for load in (knee, bind, progressive):
        assert "slipped" not in names(stroke(PLAIN, load))


def test_a_large_friction_loop_is_no_slip() -> None:
    """A hand that goes back a little turns part of the friction round: the load dips by that."""
    for loop in (0.05, 0.15):
        assert names(stroke(PLAIN, loop=loop)) == []


def test_end_coils_that_close_over_much_of_the_way() -> None:
    depth = np.maximum(FREE_MM - PLAIN, 0.0)
    load = RATE * (depth - 0.5 * 2.0 * -np.expm1(-depth / 2.0))
    finding = only(stroke(PLAIN, load))
    assert finding.kind == "ends_close"
    assert not finding.spoils
    # softer than 0.9 of the rate where 0.5 exp(-depth/2) > 0.1: 3.2 mm
    assert finding.facts["closed_mm"] == pytest.approx(FREE_MM - 2.0 * np.log(5.0), abs=0.5)


def test_points_and_scraps_show_nothing() -> None:
    points = Branch(np.array([38.5, 27.6]), np.array([230.0, 400.0]))
    nothing = Branch(np.empty(0), np.empty(0))
    keyed = Sweep("1", "s", Origin.KEYED, points, nothing, 0.5, 0.0, 0.0)
    assert names(keyed) == []
    assert names(stroke(PLAIN[:30])) == []
    assert names(stroke(np.full(200, 40.0))) == []
    assert names(stroke(PLAIN, np.zeros_like(PLAIN))) == []
