"""Slips of a hand on the simulated rig, as they were seen: each is noticed, said, and not taken."""

from itertools import islice

import numpy as np
import pytest

from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding, RawBlock
from coilbench.capture.calibration.gauge_guide import GaugeGuide
from coilbench.capture.calibration.guide import HoldGuide
from coilbench.capture.calibration.regression import fit_polynomial
from coilbench.capture.calibration.standing import StandingLoad
from coilbench.capture.calibration.weigh_guide import WeighGuide
from coilbench.capture.virtual.bench import (
    Bench,
    FacesTogether,
    GaugeBlock,
    PauseInAir,
    PutMass,
    Rest,
    Step,
)
from coilbench.capture.virtual.instrument import RigModel

RIG = RigModel.draw(6)
STEP_MM = -0.005  # as the rig's hello states it
REST = Rest(3.0)
LOADS_N = np.linspace(0.0, 1200.0, 9)
LOAD_FIT = fit_polynomial(RIG.cell_counts(LOADS_N), LOADS_N, 2)
ZERO = float(RIG.cell_counts(np.array(0.0)))
KG_PER_COUNT = 1.0 / (RIG.counts_per_n * RIG.gravity_m_per_s2)
STANDING = StandingLoad(LOAD_FIT, RIG.gravity_m_per_s2)


class Hand:
    """Does steps one after another on one rig; a guide watches."""

    def __init__(self, guide: HoldGuide, *steps: Step) -> None:
        self.guide = guide
        self.said: list[Finding] = []
        self.states: list[Finding] = []
        self._blocks = Bench(RIG, steps, 2).blocks()

    def does(self, steps: int) -> None:
        """Do the next steps; keeps what was said in them, and each state that was new."""
        self.said, self.states = [], []
        for block in islice(self._blocks, steps):
            for start in range(0, len(block), 16):
                self.said += self.guide.feed(RawBlock(block.samples[start : start + 16], 7))
                if not self.states or self.guide.state != self.states[-1]:
                    self.states.append(self.guide.state)
        for one in (*self.said, *self.states):
            assert describe(one, Units())

    def found(self, kind: str) -> list[Finding]:
        """Return what was said of a kind."""
        return [one for one in self.said if one.kind == kind]

    @property
    def whys(self) -> set[str]:
        """Why nothing was taken, as the states said."""
        return {one["why"]["kind"] for one in self.states if one.kind == "standing"}


def fed(guide: HoldGuide, block: RawBlock, until: str = "") -> list[Finding]:
    """Feed a block in small pieces, until a kind is said; returns what was said."""
    said: list[Finding] = []
    for at in range(0, len(block), 16):
        said += guide.feed(RawBlock(block.samples[at : at + 16], 7))
        if until in {one.kind for one in said}:
            break
    return said


# A quill paused 10 mm up, with nothing on the cell, was taken for a 20 mm gauge.
PAUSED = (REST, FacesTogether(4.0), REST, PauseInAir(10.0, 4.0))


def test_a_quill_paused_in_the_air_is_no_gauge_where_the_load_is_calibrated() -> None:
    guide = GaugeGuide((0.0, 20.0, 40.0), load_fit=LOAD_FIT)
    hand = Hand(guide, *PAUSED, REST, GaugeBlock(20.0, 4.0), REST, GaugeBlock(40.0, 4.0))
    hand.does(8)
    assert len(hand.found("no_touch")) == 1
    assert guide.done
    heights = [RIG.rest_height_mm - h.travel_counts / RIG.travel_counts_per_mm for h in guide.holds]
    assert heights == pytest.approx((0.0, 20.0, 40.0), abs=0.1)


def test_and_where_it_is_not_the_scales_own_step_tells() -> None:
    guide = GaugeGuide((0.0, 20.0, 40.0), mm_per_count=STEP_MM)
    hand = Hand(guide, *PAUSED)
    hand.does(4)
    (off,) = hand.found("step_off")
    assert off["mm_per_count"] == pytest.approx(-0.01, rel=0.01)
    assert off["seems_mm"] == pytest.approx(10.0, abs=0.1)
    assert guide.taken == 1


def test_without_either_the_same_pause_is_taken() -> None:
    """Nothing on this rig tells it from a gauge; the card says that nothing was compared."""
    guide = GaugeGuide((0.0, 20.0, 40.0))
    Hand(guide, *PAUSED).does(4)
    assert guide.taken == 2


def test_the_very_first_gauge_paused_over_is_noticed_too() -> None:
    guide = GaugeGuide((20.0, 40.0), load_fit=LOAD_FIT)
    hand = Hand(guide, REST, PauseInAir(30.0, 4.0))
    hand.does(2)
    assert hand.found("no_touch")
    assert guide.taken == 0


def test_a_datum_on_no_gauge_is_none() -> None:
    guide = GaugeGuide([30.0], load_fit=LOAD_FIT)
    hand = Hand(guide, REST, PauseInAir(40.0, 4.0), REST, GaugeBlock(30.0, 4.0))
    hand.does(2)
    assert not guide.done
    hand.does(2)
    assert guide.done


@pytest.mark.parametrize(("lies_n", "taken"), [(19.0, 1), (21.0, 0), (186.0, 0)])
def test_what_pushes_above_where_it_is_touched_is_asked_about(lies_n: float, taken: int) -> None:
    """A spring, held at 19 kg, rises by few newtons over its last half millimetre."""
    guide = GaugeGuide((30.0, 40.0), load_fit=LOAD_FIT)
    rest, down = Bench(RIG, (REST, GaugeBlock(30.0, 4.0)), 2).blocks()
    down.samples["load_counts"] += round(lies_n * RIG.counts_per_n)
    fed(guide, rest)
    doubts = [one for one in fed(guide, down, until="no_gauge") if one.kind == "no_gauge"]
    assert (len(doubts), guide.taken) == (1 - taken, taken)
    for one in doubts:
        assert one["load_n"] == pytest.approx(lies_n, abs=1.0)
        assert "A spring?" in describe(one, Units())
        guide.take()
    assert guide.taken == 1


@pytest.mark.parametrize("known", [{"load_fit": LOAD_FIT}, {"mm_per_count": STEP_MM}])
def test_a_gauge_under_the_quill_at_the_start_is_not_its_stop_for_long(known: dict) -> None:
    """Else the stop would be read as that gauge, or that gauge never again."""
    guide = GaugeGuide((20.0, 40.0), **known)
    hand = Hand(
        guide, GaugeBlock(20.0, 6.0), REST, GaugeBlock(20.0, 4.0), REST, GaugeBlock(40.0, 4.0)
    )
    hand.does(2)
    assert hand.found("stop_higher")
    assert guide.taken == 0
    hand.does(3)
    assert guide.done
    heights = [RIG.rest_height_mm - h.travel_counts / RIG.travel_counts_per_mm for h in guide.holds]
    assert heights == pytest.approx((20.0, 40.0), abs=0.1)


def test_at_the_stop_and_on_the_last_gauge_the_screen_says_what_it_waits_for() -> None:
    guide = GaugeGuide((0.0, 20.0), load_fit=LOAD_FIT)
    hand = Hand(guide, Rest(1.0), Rest(2.0), FacesTogether(6.0))
    hand.does(1)
    assert hand.states[-1].kind == "stop_awaited"
    hand.does(1)
    assert hand.whys == {"at_stop"}
    assert "the quill rests: at its stop?" in describe(guide.state, Units())
    hand.does(1)
    assert "quill_not_moved" in hand.whys


def test_a_mass_that_still_stands_is_said_and_so_is_an_empty_cell() -> None:
    guide = WeighGuide((0.0, 5.0, 10.0))
    hand = Hand(guide, REST, PutMass(5.0, 4.0), Rest(4.0), PutMass(0.0, 4.0))
    hand.does(2)
    assert guide.taken == 2
    hand.does(1)
    assert hand.whys == {"mass_still_on"}
    hand.does(1)
    assert "cell_empty" in hand.whys


def test_a_mass_is_asked_about_only_where_the_last_reading_was_one() -> None:
    """Nothing was put on yet; or the plan comes back to an empty cell before the next mass."""
    guide = WeighGuide((0.0, 5.0, 0.0, 10.0))
    hand = Hand(guide, Rest(6.0), PutMass(5.0, 6.0), PutMass(0.0, 6.0))
    for masses, why in ((1, "cell_empty"), (2, "mass_still_on"), (3, "cell_empty")):
        hand.does(1)
        assert guide.taken == masses
        assert masses > 1 or hand.whys == {why}
        assert hand.states[-1].kind == "standing"
        assert hand.states[-1]["why"]["kind"] == why


def test_a_load_that_moves_is_said_with_how_much() -> None:
    """A mass that swings on the cell by 0.3 kg: nothing is read of it."""
    guide = WeighGuide((0.0, 10.0, 20.0))
    (rest, ten, twenty) = Bench(RIG, (REST, PutMass(10.0), PutMass(20.0, 6.0)), 2).blocks()
    swing = 0.15 / KG_PER_COUNT * np.sin(2.0 * np.pi * 0.7e-6 * twenty.samples["t_us"])
    twenty.samples["load_counts"] += swing.astype(np.int32)
    for block in (rest, ten, twenty):
        for start in range(0, len(block), 16):
            guide.feed(RawBlock(block.samples[start : start + 16], 7))
    assert guide.taken == 2
    assert guide.state.kind == "moving"
    assert guide.state["by_kg"] == pytest.approx(0.3, abs=0.1)
    assert "still moving by 0." in describe(guide.state, Units())


def test_a_zero_read_with_the_quill_down_is_left_by_undoing_it() -> None:
    """The quill is up for every mass, so that nothing else leads on."""
    guide = WeighGuide((0.0, 5.0, 10.0), mm_per_count=STEP_MM)
    hand = Hand(guide, PauseInAir(20.0, 4.0), PutMass(5.0, 4.0), PutMass(0.0, 4.0), PutMass(5.0))
    hand.does(2)
    assert guide.taken == 1
    (moved,) = hand.found("quill_moved")
    assert "if it is up, it was down" in describe(moved, Units())
    assert "undo back to there (u)" in describe(moved, Units())
    guide.undo()
    hand.does(2)
    assert guide.taken == 2


def test_masses_in_the_wrong_order_or_not_of_the_list_are_named() -> None:
    guide = WeighGuide((0.0, 5.0, 10.0, 20.0))
    hand = Hand(guide, REST, PutMass(5.0), PutMass(20.0), PutMass(13.0))
    hand.does(3)
    (refused,) = hand.found("point_refused")
    assert refused["listed_kg"] == 20.0
    assert "in_question" in hand.whys
    hand.does(1)
    (refused,) = hand.found("point_refused")
    assert refused["listed_kg"] is None
    assert guide.taken == 2


def test_the_first_two_masses_swapped_are_noticed_with_an_earlier_calibration() -> None:
    guide = WeighGuide((0.0, 5.0, 10.0), standing=STANDING)
    hand = Hand(guide, REST, PutMass(10.0))
    hand.does(2)
    (refused,) = hand.found("point_refused")
    assert (refused["wanted_kg"], refused["listed_kg"]) == (5.0, 10.0)


@pytest.mark.parametrize("known", [False, True])
def test_an_empty_cell_is_not_taken_for_a_fifth_of_a_kilogram(known: bool) -> None:
    """Its zero comes back 0.08 kg higher, by friction: more than its noise."""
    plan = (0.0, 0.2) if known else (0.0, 10.0, 0.2)
    guide = WeighGuide(plan, standing=STANDING if known else None)
    hand = Hand(guide, REST, PutMass(10.0, 1.0 if known else 4.0), PutMass(0.08))
    hand.does(3)
    assert [one["wanted_kg"] for one in hand.found("point_refused")] == [0.2]
    assert guide.taken == len(plan) - 1


def test_what_is_asked_about_can_be_taken_only_while_it_stands() -> None:
    guide = WeighGuide((0.0, 5.0, 10.0, 20.0))
    hand = Hand(guide, REST, PutMass(5.0), PutMass(12.0), PutMass(0.0, 1.0), PutMass(12.0))
    hand.does(4)
    assert [one.kind for one in guide.take()] == ["nothing_to_take"]
    hand.does(1)
    assert [one.kind for one in guide.take()] == ["load_read", "point_wanted"]
    assert guide.taken == 3


def test_an_undone_point_wants_a_move() -> None:
    guide = WeighGuide((0.0, 5.0))
    Hand(guide, REST, PutMass(5.0)).does(2)
    guide.undo()
    assert guide.state["why"]["kind"] == "lift_once"
