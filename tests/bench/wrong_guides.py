"""What goes wrong at a guided calibration, each case on a simulated rig: asked, and not taken.

A case says in which step it goes wrong; "after" counts from there on the rig's own clock, so that
the time to bring the thing on, and for it to stand still, is in it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import NamedTuple

import msgspec
import numpy as np
from msgspec.structs import replace

from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding, RawBlock, SampleFlag
from coilbench.capture.calibration.block_guide import BlockGuide
from coilbench.capture.calibration.gauge_guide import GaugeGuide
from coilbench.capture.calibration.guide import Guide
from coilbench.capture.calibration.polynomial import PolynomialFit
from coilbench.capture.calibration.regression import fit_polynomial
from coilbench.capture.calibration.standing import StandingLoad
from coilbench.capture.calibration.weigh_guide import WeighGuide
from coilbench.capture.virtual.bench import (
    Bench,
    FacesTogether,
    GaugeBlock,
    PauseInAir,
    PressBlock,
    PressSpring,
    PutMass,
    Rest,
    Step,
    StrokeKind,
)
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.spring import OUTER, draw_set

RIG = RigModel.draw(4)
SLOW_RIG = replace(RIG, rate_hz=10.5, nominal_rate_hz=10.0)
SPRING = draw_set(OUTER, 1, 4)[0]
SHOWN_S = (
    4.0  # so soon it must be asked: a second to bring it on, and a hold of a second and a half
)
STEP_MM = -1.0 / RIG.travel_counts_per_mm
PRESS_S = 15.0  # where only a whole press tells
PIECE = 4  # samples, as a screen gets them
_LOADS_N = np.linspace(0.0, 1200.0, 9)


def _load_fit(rig: RigModel) -> PolynomialFit:
    return fit_polynomial(rig.cell_counts(_LOADS_N), _LOADS_N, 2)


LOAD_FIT = _load_fit(RIG)
STANDING = StandingLoad(LOAD_FIT, RIG.gravity_m_per_s2)
Alter = Callable[[RawBlock], RawBlock]


class GuideCase(msgspec.Struct, frozen=True):
    """One thing that goes wrong while a guide is followed.

    Attributes:
        guide: makes the guide.
        wrong: the step, counted from 0, in which it goes wrong.
        kind: of what is said, or shown, of it.
        taken: how many points may be read by the end, and must.
        within_s: how soon it must be said.
        alter: changes what the instruments read in that step.
    """

    name: str
    guide: Callable[[], Guide]
    steps: Sequence[Step]
    wrong: int
    kind: str
    taken: int
    within_s: float = SHOWN_S
    rig: RigModel = RIG
    alter: Alter | None = None


class GuideOutcome(NamedTuple):
    """What came of a case; after_s is None where it was never said."""

    after_s: float | None
    words: str
    taken: int


def _pressed(height_mm: float, *, absent: bool = False) -> Alter:
    """Return a spring that is held pressed to a height, from the first half second on."""

    def alter(block: RawBlock) -> RawBlock:
        samples = block.samples.copy()
        held = np.arange(samples.size) > 0.5 * RIG.rate_hz
        load_n = float(SPRING.pressed_load_n(np.array([height_mm]), 0)[0])
        samples["load_counts"][held] += round(load_n * RIG.counts_per_n)
        travel = RIG.travel_mm(np.array([height_mm]), np.array([load_n]))[0]
        samples["travel_counts"][held] = round(travel * RIG.travel_counts_per_mm)
        if absent:
            samples["flags"] |= np.uint8(SampleFlag.TRAVEL_ABSENT)
        return replace(block, samples=samples)

    return alter


def _soft(from_mm: float, n_per_mm: float) -> Alter:
    """Return a soft thing between the faces, which pushes from a height on."""

    def alter(block: RawBlock) -> RawBlock:
        samples = block.samples.copy()
        height_mm = RIG.rest_height_mm - samples["travel_counts"] / RIG.travel_counts_per_mm
        load_n = n_per_mm * np.maximum(from_mm - height_mm, 0.0)
        samples["load_counts"] += np.rint(load_n * RIG.counts_per_n).astype(np.int32)
        return replace(block, samples=samples)

    return alter


def _sways(amplitude_n: float, hz: float) -> Alter:
    """Return a load that a hand leans on, or a mass that swings."""

    def alter(block: RawBlock) -> RawBlock:
        samples = block.samples.copy()
        sway_n = amplitude_n * np.sin(2.0 * np.pi * hz * 1e-6 * samples["t_us"])
        samples["load_counts"] += np.round(sway_n * RIG.counts_per_n).astype(np.int32)
        return replace(block, samples=samples)

    return alter


def _lies(load_n: float) -> Alter:
    """Return something that lies on the cell all the time."""

    def alter(block: RawBlock) -> RawBlock:
        samples = block.samples.copy()
        samples["load_counts"] += round(load_n * RIG.counts_per_n)
        return replace(block, samples=samples)

    return alter


def _load_stands(block: RawBlock) -> RawBlock:
    samples = block.samples.copy()
    samples["load_counts"] = samples["load_counts"][:1]
    return replace(block, samples=samples)


MASSES = (0.0, 5.0, 10.0, 20.0, 0.0)
TUBES = (30.0, 40.0, 50.0)
REST = Rest(3.0)
weigh = partial(WeighGuide, MASSES, mm_per_count=STEP_MM)
weigh_again = partial(weigh, standing=STANDING)
gauge = partial(GaugeGuide, TUBES, mm_per_count=STEP_MM, load_fit=LOAD_FIT)
flex = partial(BlockGuide, LOAD_FIT, 600.0, mm_per_count=STEP_MM)
_ON = tuple(PutMass(mass_kg) for mass_kg in MASSES[1:4])
_BLOCK = PressBlock(40.0, 700.0)
_SPRING = PressSpring(SPRING, SPRING.solid_height_mm + 2.0, StrokeKind.SLOW)

GUIDE_CASES = (
    GuideCase("a spring is pressed in a mass's place", weigh, [REST, Rest(6.0)], 1, "quill_moved",
              1, alter=_pressed(45.0)),
    GuideCase("the same, without a travel scale", weigh, [REST, PutMass(5.0), Rest(6.0)], 2,
              "point_refused", 2, alter=_pressed(42.0, absent=True)),
    GuideCase("the quill is held down when it is empty", weigh, [Rest(4.0), PutMass(5.0, 6.0)], 0,
              "quill_moved", 1, 8.0, alter=_pressed(45.0)),
    GuideCase("5.22 kg for 5", weigh_again, [REST, PutMass(5.22, 6.0)], 1, "point_refused", 1),
    GuideCase("5.22 kg for 5, the first calibration of all", weigh,
              [REST, PutMass(5.22), PutMass(10.0, 6.0)], 2, "point_refused", 2),
    GuideCase("10 and 20 kg swapped", weigh, [REST, PutMass(5.0), PutMass(20.0, 6.0)], 2,
              "point_refused", 2),
    GuideCase("0.10 kg left on at the end", weigh, [REST, *_ON, PutMass(0.1, 6.0)], 4, "left_on",
              4),
    GuideCase("0.10 kg left on at the start", weigh_again, [PutMass(0.1, 6.0)], 0, "left_on", 0),
    GuideCase("a mass swings", weigh, [REST, PutMass(5.0), PutMass(10.0, 6.0)], 2, "moving", 2,
              alter=_sways(3.0, 0.9)),
    GuideCase("a mass swings, 10 samples/s", weigh, [REST, PutMass(5.0), PutMass(10.0, 6.0)], 2,
              "moving", 2, rig=SLOW_RIG, alter=_sways(3.0, 0.9)),
    GuideCase("the last mass still on", weigh, [REST, PutMass(5.0), Rest(6.0)], 2, "mass_still_on",
              2),
    GuideCase("the quill stops in the air", gauge, [REST, PauseInAir(35.0, 6.0)], 1, "no_touch", 0),
    GuideCase("a spring in a tube's place", gauge, [REST, PauseInAir(35.0, 6.0)], 1,
              "no_gauge", 0, alter=_soft(38.0, 12.0)),
    GuideCase("a 29.5 mm tube for 30", gauge,
              [REST, GaugeBlock(29.5, 4.0), REST, GaugeBlock(40.0, 4.0), REST,
               GaugeBlock(50.0, 6.0)], 5, "point_refused", 2),
    GuideCase("tubes in another order", gauge,
              [REST, GaugeBlock(30.0, 4.0), REST, GaugeBlock(50.0, 6.0)], 3, "step_off", 1),
    GuideCase("the first tube taken for the stop", gauge,
              [GaugeBlock(30.0, 4.0), Rest(0.8), GaugeBlock(40.0, 4.0), Rest(1.0)], 0,
              "stop_higher", 0),
    GuideCase("a tube under the quill from the start", gauge, [GaugeBlock(30.0, 5.0), REST], 0,
              "stop_higher", 0, 6.0),
    GuideCase("every tube 5 mm off, then the faces together",
              partial(GaugeGuide, (35.0, 45.0, 55.0, 0.0), load_fit=LOAD_FIT),
              [REST, *(step for mm in TUBES for step in (GaugeBlock(mm, 4.0), REST)),
               FacesTogether(6.0)], 7, "point_refused", 3),
    GuideCase("a spring in the block's place", flex, [REST, _SPRING, REST], 1, "spring_no_block",
              0),
    GuideCase("the quill presses on nothing", flex, [REST, PauseInAir(20.0, 6.0)], 1,
              "press_awaited", 0),
    GuideCase("a mass in the block's place",
              partial(BlockGuide, LOAD_FIT, 150.0, mm_per_count=STEP_MM),
              [REST, PutMass(20.0, 4.0), PutMass(0.0, 4.0)], 2, "no_give", 0),
    GuideCase("the load stands still at a block", flex, [REST, _BLOCK, REST], 1, "press_awaited",
              0, alter=_load_stands),
    GuideCase("a mass lies on the cell before the press", flex, [Rest(6.0)], 0, "loaded_already",
              0, alter=_lies(98.0)),
    GuideCase("a block pressed past the cell's rating",
              partial(BlockGuide, LOAD_FIT, 600.0, mm_per_count=STEP_MM, cell_n=650.0),
              [REST, _BLOCK, REST], 1, "pressed_over", 0, PRESS_S),
    GuideCase("nothing is wrong, weigh", weigh_again, [REST, *_ON, PutMass(0.0, 5.0)], 4,
              "points_read", 5),
    GuideCase("nothing is wrong, weigh, 10 samples/s", weigh, [REST, *_ON, PutMass(0.0, 5.0)], 4,
              "points_read", 5, rig=SLOW_RIG),
    GuideCase("nothing is wrong, gauge", gauge,
              [REST, *(step for mm in TUBES for step in (GaugeBlock(mm, 4.0), REST))], 5,
              "points_read", 3),
    GuideCase("nothing is wrong, flex", flex, [REST, _BLOCK, REST], 1, "block_read", 1,
              PRESS_S),
)  # fmt: skip


def run(case: GuideCase) -> GuideOutcome:
    """Follow a case's guide, and say what came of it."""
    guide, since_us, after_s, words = case.guide(), None, None, ""
    for number, block in enumerate(_blocks(case)):
        if number == case.wrong:
            since_us = int(block.samples["t_us"][0])
        for start in range(0, len(block), PIECE):
            piece = RawBlock(block.samples[start : start + PIECE], block.boot_id)
            seen = [*guide.feed(piece), guide.state, guide.task]
            named = next((one for one in seen if case.kind in (one.kind, _why(one))), None)
            if since_us is not None and after_s is None and named is not None:
                after_s = (int(piece.samples["t_us"][-1]) - since_us) * 1e-6
                words = describe(named, Units())
    return GuideOutcome(after_s, words, guide.taken)


def _why(finding: Finding) -> str | None:
    why = finding.facts.get("why")
    return why["kind"] if why is not None else None


def _blocks(case: GuideCase) -> Iterator[RawBlock]:
    for number, block in enumerate(Bench(case.rig, case.steps, 4).blocks()):
        altered = case.alter is not None and number == case.wrong
        yield case.alter(block) if altered else block
