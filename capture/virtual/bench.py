"""A day at the bench: a plan of steps becomes samples, chunk by chunk. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from coilbench.capture.blocks import RawBlock
from coilbench.capture.virtual.hand import StrokeKind
from coilbench.capture.virtual.instrument import Instrument, RigModel
from coilbench.capture.virtual.setup import Job
from coilbench.capture.virtual.spring import SpringModel
from coilbench.capture.virtual.steps import (
    Act,
    FacesTogether,
    GaugeBlock,
    PressBlock,
    PressSpring,
    PutMass,
    Rest,
    Step,
    prepare,
)

IDLE = Rest(5.0)  # what goes on after the plan, again and again


@dataclass(frozen=True)
class Span:
    """Where a step's samples are: sequence numbers from first_seq up to, not with, end_seq.

    Attributes:
        step: the step.
        first_seq, end_seq: all of it.
        settled_seq, settled_end_seq: the part in which the reading belongs to the step alone
            (the mass stands, the quill lies on the block); of a press it is all of it, of a very
            short rest nothing.
    """

    step: Step
    first_seq: int
    end_seq: int
    settled_seq: int
    settled_end_seq: int


class Bench:
    """A rig, and what is done on it.

    Args:
        rig: the rig.
        steps: the plan, in order.
        seed: where the hand, the noise and the clock's jitter come from; the same seed gives
            the same samples.

    Raises:
        CoilbenchError: a step can't be done on this rig.
    """

    def __init__(self, rig: RigModel, steps: Sequence[Step], seed: int) -> None:
        self.rig = rig
        self.seed = seed
        self._plan = _plan(rig, steps, np.random.default_rng([seed, 0xA2D]))

    @property
    def spans(self) -> tuple[Span, ...]:
        """Where each step's samples are, known before the first of them is made."""
        return tuple(span for span, _ in self._plan)

    def blocks(self, *, endless: bool = False) -> Iterator[RawBlock]:
        """Make the samples, a block a step; sequence and clock run on from 0 over all of them.

        Args:
            endless: let the rig rest for ever after the plan instead of ending.
        """
        instrument = Instrument(self.rig, self.seed)
        start, standing_n = 0, 0.0
        for span, act in self._plan:
            yield self._block(instrument, act, span.first_seq, span.end_seq)
            start, standing_n = span.end_seq, act.standing_n
        idle = prepare(IDLE, self.rig, np.random.default_rng(self.seed), standing_n=standing_n)
        while endless:
            end = start + _samples(self.rig, idle.seconds)
            yield self._block(instrument, idle, start, end)
            start = end

    def _block(self, instrument: Instrument, act: Act, first_seq: int, end_seq: int) -> RawBlock:
        t_s = instrument.tick_s(end_seq - first_seq)
        truth = act.truth(t_s - first_seq / self.rig.rate_hz)
        return RawBlock(instrument.read(t_s, *truth))


def _plan(rig: RigModel, steps: Sequence[Step], rng: np.random.Generator) -> list[tuple[Span, Act]]:
    plan: list[tuple[Span, Act]] = []
    presses: Counter[SpringModel] = Counter()
    start = 0
    standing_n = 0.0
    for step in steps:
        before = presses[step.spring] if isinstance(step, PressSpring) else 0
        act = prepare(step, rig, rng, standing_n=standing_n, presses_before=before)
        first, end = (_samples(rig, settled_s) for settled_s in act.settled_s)
        span = Span(
            step=step,
            first_seq=start,
            end_seq=start + _samples(rig, act.seconds),
            settled_seq=start + first,
            settled_end_seq=start + end,
        )
        plan.append((span, act))
        start = span.end_seq
        standing_n = act.standing_n
        if isinstance(step, PressSpring):
            presses[step.spring] += 1
    return plan


def _samples(rig: RigModel, seconds: float) -> int:
    return round(seconds * rig.rate_hz)


def calibration_steps(
    masses_kg: Sequence[float] = (5.0, 10.0, 20.0, 30.0, 40.0, 50.0),
    gauges_mm: Sequence[float] = (10.0, 20.0, 30.0, 40.0, 50.0, 60.0),
    block_mm: float = 40.0,
    block_load_n: float = 900.0,
) -> list[Step]:
    """Return what a calibration asks for.

    Nothing on the cell, masses up, the same down, nothing again; the faces together and gauge
    blocks; a solid block pressed twice.
    """
    down = list(reversed(masses_kg))[1:]
    steps: list[Step] = [Rest(2.0)]
    steps += [PutMass(mass) for mass in (0.0, *masses_kg, *down, 0.0)]
    steps += [FacesTogether(), *(GaugeBlock(length) for length in gauges_mm), Rest(1.0)]
    steps += [PressBlock(block_mm, block_load_n), Rest(1.0)] * 2
    return steps


def job_steps(job: Job, hold_s: float = 4.0) -> list[Step]:
    """Return what one guided calibration asks for, as a person does it.

    Masses 0, 5, 10, 20, 10, 5, 0 kg; gauges 0, 20, 30, 40, 50 mm; a block pressed to 900 N.
    """
    steps: list[Step] = [Rest(hold_s)]
    if job is Job.WEIGH:
        return steps + [PutMass(mass, hold_s) for mass in (5.0, 10.0, 20.0, 10.0, 5.0, 0.0)]
    if job is Job.GAUGE:
        blocks = [GaugeBlock(length, hold_s) for length in (20.0, 30.0, 40.0, 50.0)]
        return [*steps, FacesTogether(hold_s), *blocks, Rest(1.0)]
    return [*steps, PressBlock(40.0, 900.0), Rest(1.0)]


def capture_steps(
    springs: Sequence[SpringModel],
    *,
    to_margin_mm: float = 1.5,
    presses: int = 5,
    stroke: StrokeKind = StrokeKind.STEADY,
    change_s: float = 1.5,
    between_s: float = 0.2,
) -> list[Step]:
    """Return the pressing of springs, one after another.

    Args:
        springs: in the order in which they come under the quill.
        to_margin_mm: how far above its solid height each is pressed.
        presses: of each, the conditioning ones included.
        stroke: how.
        change_s: time to put the next spring in.
        between_s: time between two presses of one spring.
    """
    steps: list[Step] = []
    for spring in springs:
        press = PressSpring(spring, spring.solid_height_mm + to_margin_mm, stroke)
        strokes: list[Step] = [press, Rest(between_s)] * presses
        steps += [Rest(change_s), *strokes]
    return [*steps, Rest(change_s)]
