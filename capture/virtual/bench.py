"""What a person may do at the rig, step by step, and what is then true at each moment. Pure.

A day at the bench: a plan of steps becomes samples, chunk by chunk. Pure.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import RawBlock
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.virtual.instrument import Instrument, RigModel
from coilbench.capture.virtual.setup import HandStroke, Job, StrokeKind, draw_stroke, ease
from coilbench.capture.virtual.spring import SpringModel

CLEARANCE_MM = 1.5  # where the hand slows down above the spring
TREMOR_MM = 0.04  # standard deviation of the quill's height under an unsteady hand
TREMOR_LOAD_FRACTION = 0.01  # the same for the load on a solid block
CONTACT_N = 1.0  # what a quill weighs that just lies on something
PLACE_S = 0.6  # to lay a mass on, and for the quill to come down on a gauge block
SETTLE_S = 0.4  # after that, until the ADC's filter has forgotten it


@dataclass(frozen=True)
class Rest:
    """Leave the rig as it is."""

    seconds: float


@dataclass(frozen=True)
class PutMass:
    """Bring the mass that stands on the cell to mass_kg; it stays there after the step."""

    mass_kg: float
    seconds: float = 4.0


@dataclass(frozen=True)
class GaugeBlock:
    """Let the quill rest on a gauge block between the faces: height is the block's length."""

    length_mm: float
    seconds: float = 2.5


@dataclass(frozen=True)
class FacesTogether:
    """Let the faces touch: height is 0."""

    seconds: float = 2.5


@dataclass(frozen=True)
class PressBlock:
    """Press a solid block: the height stays, load rises and falls, the press gives."""

    length_mm: float
    max_load_n: float
    stroke: StrokeKind = StrokeKind.SLOW


@dataclass(frozen=True)
class PressSpring:
    """Press a spring down to a height and let it up; the hand stops at the cell's rating."""

    spring: SpringModel
    to_height_mm: float
    stroke: StrokeKind = StrokeKind.STEADY


Step = Rest | PutMass | GaugeBlock | FacesTogether | PressBlock | PressSpring


class Truth(NamedTuple):
    """What is true at n moments, each of shape (n,).

    Attributes:
        height_mm: distance between the faces.
        pressed_n: load that the quill puts on the cell; the press gives under it.
        standing_n: load of what merely stands on the cell.
    """

    height_mm: NDArray[np.float64]
    pressed_n: NDArray[np.float64]
    standing_n: NDArray[np.float64]


@dataclass(frozen=True)
class Act:
    """A step made ready.

    Attributes:
        seconds: how long it takes.
        settled_s: from when to when the reading belongs to the step alone.
        standing_n: load of what stands on the cell afterwards.
        truth: what is true at moments since the step began, shape (n,); to be asked once, for
            all moments of the step in order.
    """

    seconds: float
    settled_s: tuple[float, float]
    standing_n: float
    truth: Callable[[NDArray[np.float64]], Truth]


def prepare(
    step: Step,
    rig: RigModel,
    rng: np.random.Generator,
    *,
    standing_n: float = 0.0,
    presses_before: int = 0,
) -> Act:
    """Make a step ready.

    Args:
        step: what is done.
        rig: the rig it is done on.
        rng: where the hand's whims come from.
        standing_n: load of what stands on the cell already.
        presses_before: how often the step's spring was pressed before.

    Raises:
        CoilbenchError: it can't be done on this rig.
    """
    match step:
        case Rest():
            return _rest(step, rig, standing_n)
        case PutMass():
            placed = 1.0 + rng.normal(0.0, rig.placing_fraction)
            weight_n = step.mass_kg * rig.gravity_m_per_s2 * placed
            return _put_mass(weight_n, step.seconds, rig, standing_n)
        case GaugeBlock():
            _fit_between_faces(step.length_mm, rig)
            seated_mm = step.length_mm + rng.normal(0.0, rig.seating_mm)
            return _lie_on(seated_mm, step.seconds, rig, standing_n)
        case FacesTogether():
            return _lie_on(0.0, step.seconds, rig, standing_n)
        case PressBlock():
            return _press_block(step, rig, draw_stroke(step.stroke, rng), standing_n)
        case PressSpring():
            stroke = draw_stroke(step.stroke, rng)
            return _press_spring(step, rig, stroke, standing_n, presses_before)


def _rest(step: Rest, rig: RigModel, standing_n: float) -> Act:
    def truth(t_s: NDArray[np.float64]) -> Truth:
        still = np.zeros_like(t_s)
        return Truth(still + rig.rest_height_mm, still, still + standing_n)

    return Act(step.seconds, (min(SETTLE_S, step.seconds), step.seconds), standing_n, truth)


def _put_mass(weight_n: float, seconds: float, rig: RigModel, standing_n: float) -> Act:
    def truth(t_s: NDArray[np.float64]) -> Truth:
        load_n = standing_n + (weight_n - standing_n) * ease(t_s / PLACE_S)
        return Truth(np.full_like(t_s, rig.rest_height_mm), np.zeros_like(t_s), load_n)

    return Act(seconds, _settled(PLACE_S + SETTLE_S, seconds), weight_n, truth)


def _lie_on(length_mm: float, seconds: float, rig: RigModel, standing_n: float) -> Act:
    lift_s = seconds - PLACE_S

    def truth(t_s: NDArray[np.float64]) -> Truth:
        down = ease(t_s / PLACE_S) - ease((t_s - lift_s) / PLACE_S)
        height_mm = rig.rest_height_mm - (rig.rest_height_mm - length_mm) * down
        load_n = np.where(down >= 1.0, CONTACT_N, 0.0)
        return Truth(height_mm, load_n, np.full_like(t_s, standing_n))

    return Act(seconds, _settled(PLACE_S + SETTLE_S, lift_s), standing_n, truth)


def _press_block(step: PressBlock, rig: RigModel, stroke: HandStroke, standing_n: float) -> Act:
    _fit_between_faces(step.length_mm, rig)

    def truth(t_s: NDArray[np.float64]) -> Truth:
        air_mm = rig.rest_height_mm - step.length_mm
        shake = 1.0 + TREMOR_LOAD_FRACTION * stroke.shake_at(t_s)
        load_n = np.clip(step.max_load_n * stroke.press_at(t_s) * shake, 0.0, None)
        height_mm = rig.rest_height_mm - air_mm * stroke.approach_at(t_s)
        return Truth(height_mm, load_n, np.full_like(t_s, standing_n))

    return Act(stroke.duration_s, (0.0, stroke.duration_s), standing_n, truth)


def _press_spring(
    step: PressSpring, rig: RigModel, stroke: HandStroke, standing_n: float, presses_before: int
) -> Act:
    touch_mm = step.spring.free_length_mm + CLEARANCE_MM
    _fit_between_faces(touch_mm, rig)
    lowest_mm = step.spring.lowest_height_mm(rig.cell_range_n)
    bottom_mm = max(step.to_height_mm, lowest_mm)

    def truth(t_s: NDArray[np.float64]) -> Truth:
        press = stroke.press_at(t_s)
        height_mm = rig.rest_height_mm - (rig.rest_height_mm - touch_mm) * stroke.approach_at(t_s)
        height_mm = height_mm - (touch_mm - bottom_mm) * press
        height_mm = height_mm + TREMOR_MM * stroke.shake_at(t_s) * np.minimum(5.0 * press, 1.0)
        height_mm = np.maximum(height_mm, lowest_mm)
        load_n = step.spring.pressed_load_n(height_mm, presses_before)
        return Truth(height_mm, load_n, np.full_like(t_s, standing_n))

    return Act(stroke.duration_s, (0.0, stroke.duration_s), standing_n, truth)


def _settled(start_s: float, end_s: float) -> tuple[float, float]:
    if end_s <= start_s:
        raise CoilbenchError(
            "a step is over before its reading has settled",
            hint=f"Give it more than {start_s + PLACE_S:g} seconds",
        )
    return start_s, end_s


def _fit_between_faces(length_mm: float, rig: RigModel) -> None:
    if not 0.0 <= length_mm < rig.rest_height_mm:
        raise CoilbenchError(
            f"{length_mm:g} mm doesn't fit between the faces, {rig.rest_height_mm:g} mm apart",
            hint="Take a shorter one",
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
