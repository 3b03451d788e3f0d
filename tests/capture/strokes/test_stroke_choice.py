"""Which strokes are read: the rule, the user's word before it, and two strokes that differ."""

from __future__ import annotations

import json
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from coilbench.analysis.inputs.measured import doubt_of
from coilbench.analysis.report.document import describe, document
from coilbench.analysis.report.units import Units
from coilbench.analysis.sets.rulings import Doubt
from coilbench.capture.calibration.lag import Press
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.stroke_choice import JudgedStroke, judge_strokes
from coilbench.capture.strokes.sweep import Origin, Sweep

HEIGHT = np.concatenate([np.linspace(55.0, 27.0, 400), np.linspace(27.0, 55.0, 400)])


def stroke(name: str, off: float = 0.0, *, slip_mm: float = 0.0, loop: float = 0.01) -> Sweep:
    """16 N/mm; loads off by a share, a slip at 40 mm on the way down, a friction loop."""
    way = np.where(np.arange(800) < 400, 1.0 + loop, 1.0 - loop)
    slipped = np.maximum.accumulate(HEIGHT < 40.0)
    load = np.maximum(16.0 * (53.0 - HEIGHT - slip_mm * slipped), 0.0) * way * (1.0 + off)
    press = Press(np.arange(800) * 0.01, load, HEIGHT, np.zeros(800))
    down, up = Branch(HEIGHT[:400], load[:400]), Branch(HEIGHT[400:], load[400:])
    return Sweep(name, "s", Origin.CONVERTED_FILE, down, up, 0.0, 0.0, 0.0, press)


def judged(
    sweeps: Sequence[Sweep], reach_mm: float | None = None, **words: str | None
) -> tuple[JudgedStroke, ...]:
    numbers = {sweep.sweep_id: at + 1 for at, sweep in enumerate(sweeps)}
    rulings = {name: words.get(name) for name in numbers}
    return judge_strokes(sweeps, numbers, rulings, reach_mm)  # type: ignore[arg-type]


def kept(strokes: Sequence[JudgedStroke]) -> list[int]:
    return [one.number for one in strokes if one.kept]


def kinds(strokes: Sequence[JudgedStroke]) -> list[list[str]]:
    return [[finding.kind for finding in one.findings] for one in strokes]


def test_a_slip_is_left_out_while_another_stroke_is_left() -> None:
    strokes = judged([stroke("a"), stroke("b", slip_mm=1.0)])
    assert kept(strokes) == [1]
    assert (strokes[1].why, strokes[1].spoilt_by) == ("spoilt", ("slipped",))
    alone = judged([stroke("b", slip_mm=1.0)])
    assert kept(alone) == [1]
    assert alone[0].why == "spoilt_too_few_others"
    assert kept(judged([stroke("a", slip_mm=1.0), stroke("b", slip_mm=1.0)])) == [1, 2]


def test_one_that_was_too_fast_is_left_out_while_another_is_left() -> None:
    fast = replace(stroke("b"), too_fast=True)
    strokes = judged([stroke("a"), fast])
    assert kept(strokes) == [1]
    assert kinds(strokes) == [[], ["too_fast"]]
    assert kept(judged([fast])) == [1]


def test_one_that_lies_apart_does_not_make_the_others_odd() -> None:
    strokes = judged([stroke("a"), stroke("b", 0.08), stroke("c")])
    assert kinds(strokes) == [[], ["apart"], []]
    assert kept(strokes) == [1, 3]
    (apart,) = strokes[1].findings
    assert apart.facts["off_share"] == pytest.approx(0.08)
    assert apart.facts["others"] == 2


def test_a_slip_takes_no_part_in_what_most_strokes_say() -> None:
    strokes = judged([stroke("a"), stroke("b", slip_mm=1.0), stroke("c", 0.08), stroke("d")])
    assert kinds(strokes) == [[], ["slipped"], ["apart"], []]
    assert kept(strokes) == [1, 4]


def test_without_a_majority_none_is_left_out() -> None:
    strokes = judged([stroke("a"), stroke("b", 0.08), stroke("c", -0.08)])
    assert kinds(strokes)[0] == []
    assert all(strokes[at].findings[0].spoils for at in (1, 2))
    assert kept(strokes) == [1, 2, 3]
    assert strokes[1].why == "spoilt_too_few_others"


def test_of_two_that_differ_nobody_knows_which_is_odd() -> None:
    strokes = judged([stroke("a"), stroke("b", 0.08)])
    assert kinds(strokes) == [["apart"], ["apart"]]
    assert kept(strokes) == [1, 2]
    assert "press it once more to tell which" in describe(strokes[0].findings[0], Units())
    assert kinds(judged([stroke("a"), stroke("b", 0.02)])) == [[], []]


def test_a_loop_wider_than_the_others_is_a_spring_askew() -> None:
    strokes = judged([stroke("a"), stroke("b", loop=0.04), stroke("c")])
    assert kinds(strokes) == [[], ["cocked"], []]
    (cocked,) = strokes[1].findings
    assert cocked.facts["loop_share"] == pytest.approx(0.06, rel=0.01)  # 8 % where 2 % are usual
    assert kept(strokes) == [1, 3]


def test_the_users_word_goes_before_the_rule() -> None:
    three = [stroke("a"), stroke("b", 0.08), stroke("c")]
    used = judged(three, b="use")
    assert kept(used) == [1, 2, 3]
    assert used[1].why == "ruled"
    assert kinds(used)[1] == ["apart"]  # it is still said
    left = judged(three, a="leave", b="use")
    assert kept(left) == [2, 3]


def test_a_stroke_that_stopped_above_what_is_asked_for_is_named_and_kept() -> None:
    (one,) = judged([stroke("a")], reach_mm=26.0)
    assert [finding.kind for finding in one.findings] == ["short"]
    assert "stopped at 27.00 mm, asked for 26.00 mm" in describe(one.findings[0], Units())
    assert "stopped at 1.063 in" in describe(one.findings[0], Units("lbf", "in"))
    assert one.kept
    assert kinds(judged([stroke("a")], reach_mm=27.0)) == [[]]


def test_keyed_readings_are_kept_and_can_be_left_out() -> None:
    points = Branch(np.array([38.5, 27.6]), np.array([230.0, 400.0]))
    keyed = [
        Sweep(name, "s", Origin.KEYED, points, points.at(slice(0)), 0.5, 0.0, 0.0) for name in "ab"
    ]
    assert kept(judged(keyed, reach_mm=20.0)) == [1, 2]
    assert kept(judged(keyed, a="leave")) == [2]


def test_doubt_is_about_all_of_a_springs_strokes() -> None:
    slipped = [stroke("a", slip_mm=1.0), stroke("b", slip_mm=1.0)]
    assert doubt_of(judged(slipped)) == Doubt(2, ("slipped",))
    assert doubt_of(judged(slipped[:1])) == Doubt(1, ("slipped",))
    assert doubt_of(judged([*slipped, stroke("c")])) is None
    assert doubt_of(judged(slipped, a="use")) is None  # somebody has looked
    assert doubt_of(judged([stroke("a"), stroke("b", 0.08)])) is None
    assert doubt_of(()) is None


def test_what_is_said_of_a_stroke() -> None:
    two = judged([stroke("a"), stroke("b", slip_mm=1.0)])
    assert describe(two[0], Units()) == "kept, nothing against it"
    assert describe(two[1], Units()).startswith(
        "left out, slipped. slipped: the load suddenly lost 1.6"
    )
    refused = JudgedStroke(
        3, "c", False, "not_counted", None, (), "stopped at 30.1 mm, wanted 27.6 mm"
    )
    assert describe(refused, Units()) == (
        "left out, the capture did not count it: stopped at 30.1 mm, wanted 27.6 mm"
    )
    found = document((*two, refused))
    assert json.loads(json.dumps(found, allow_nan=False)) == found


@given(offs=st.lists(st.floats(-0.2, 0.2), min_size=1, max_size=5), seed=st.integers(0, 9))
@settings(max_examples=20)
def test_some_stroke_is_always_kept_and_the_order_does_not_matter(
    offs: list[float], seed: int
) -> None:
    strokes = [stroke(str(at), off) for at, off in enumerate(offs)]
    mixed = [strokes[at] for at in np.random.default_rng(seed).permutation(len(strokes))]
    one, two = judged(strokes), judged(mixed)
    assert kept(one)
    assert {s.sweep_id: (s.kept, s.findings) for s in one} == {
        s.sweep_id: (s.kept, s.findings) for s in two
    }


@pytest.mark.parametrize("scale", [0.1, 10.0])
def test_a_weak_or_strong_spring_is_judged_alike(scale: float) -> None:
    def scaled(sweep: Sweep) -> Sweep:
        assert sweep.press is not None
        press = Press(
            sweep.press.t_s, scale * sweep.press.load_n, sweep.press.travel_mm, sweep.press.flex_mm
        )
        down = Branch(sweep.loading.height_mm, scale * sweep.loading.load_n)
        up = Branch(sweep.unloading.height_mm, scale * sweep.unloading.load_n)
        return Sweep(sweep.sweep_id, "s", sweep.origin, down, up, 0.0, 0.0, 0.0, press)

    three = [stroke("a"), stroke("b", 0.08), stroke("c", slip_mm=1.0), stroke("d")]
    assert kinds(judged([scaled(one) for one in three])) == kinds(judged(three))


def test_what_an_unknown_lag_may_do_is_no_finding() -> None:
    """Load 0.06 s behind the travel, at 14 and 56 mm/s: the loop is up to 7 mm of travel wide."""

    def lagging(name: str, step_s: float) -> Sweep:
        t_s = np.arange(800) * step_s
        late = np.interp(t_s - 0.06, t_s, HEIGHT)
        load = np.maximum(16.0 * (53.0 - late), 0.0)
        press = Press(t_s, load, HEIGHT, np.zeros(800))
        down, up = Branch(HEIGHT[:400], load[:400]), Branch(HEIGHT[400:], load[400:])
        return Sweep(name, "s", Origin.CONVERTED_FILE, down, up, 0.0, 0.0, 0.0, press)

    strokes = judged([lagging("a", 0.005), lagging("b", 0.00125), lagging("c", 0.005)])
    assert kinds(strokes) == [[], [], []]
