"""Simulated work at the rig: a person's actions, step by step, as samples. Pure.

The hand on the quill's lever is smooth on the whole, never steady.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from enum import StrEnum
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import RawBlock
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.virtual.instrument import Instrument, RigModel
from coilbench.capture.virtual.spring import SpringModel

CLEARANCE_MM = 1.5  # where the hand slows down above the spring
TREMOR_MM = 0.04  # standard deviation of the quill's height under an unsteady hand
TREMOR_LOAD_FRACTION = 0.01  # the same for the load on a solid block
CONTACT_N = 1.0  # what a quill weighs that just lies on something
PLACE_S = 0.6  # to lay a mass on, and for the quill to come down on a gauge block
ABOVE_SOLID_MM = 1.5  # where a press ends
CHANGE_S = 1.5  # to put the next spring in
HOLD_S = 4.0  # how long a mass stands and the quill rests in a calibration


class StrokeKind(StrEnum):
    """How a hand presses."""

    STEADY = "steady"
    FAST = "fast"
    HASTY = "hasty"  # down in a fifth of a second
    SLOW = "slow"
    SHORT = "short"  # released before the bottom
    DOUBLE = "double"  # half up and down again
    PAUSED = "paused"  # stops on the way down and on the way up


class HandStroke(msgspec.Struct, frozen=True):
    """One press: down through the air, press, hold, release, up.

    Attributes:
        at_s: shape (k,), rising from 0.
        approach: shape (k,), 0 at the upper stop, 1 at the touch.
        press: shape (k,), 0 at the touch, 1 at the bottom.
        tremor: shape (m, 3), the shake's amplitudes (sum of squares 2), frequencies (Hz), phases.
    """

    at_s: NDArray[np.float64]
    approach: NDArray[np.float64]
    press: NDArray[np.float64]
    tremor: NDArray[np.float64]

    def approach_at(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the way through the air, 0 to 1."""
        return _smooth(t_s, self.at_s, self.approach)

    def press_at(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the way from touch to bottom, 0 to 1."""
        return _smooth(t_s, self.at_s, self.press)

    def shake_at(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the hand's shake, standard deviation about 1 over a long time."""
        amplitude, frequency_hz, phase = self.tremor.T
        waves = np.sin(2.0 * np.pi * np.outer(t_s, frequency_hz) + phase)
        return np.asarray(waves @ amplitude, dtype=np.float64)


# (seconds, press) one after another; seconds scatter by a fifth.
_PLANS: dict[StrokeKind, tuple[tuple[float, float], ...]] = {
    StrokeKind.STEADY: ((1.5, 1), (0.4, 1), (1.2, 0)),
    StrokeKind.FAST: ((0.5, 1), (0.15, 1), (0.45, 0)),
    StrokeKind.HASTY: ((0.22, 1), (0.1, 1), (0.2, 0)),
    StrokeKind.SLOW: ((6.0, 1), (1.0, 1), (5.0, 0)),
    StrokeKind.SHORT: ((0.9, 0.45), (0.2, 0.45), (0.7, 0)),
    StrokeKind.DOUBLE: ((1.5, 1), (0.3, 1), (0.8, 0.45), (0.8, 1), (0.3, 1), (1.2, 0)),
    StrokeKind.PAUSED: (
        *((1.0, 0.5), (1.2, 0.5), (1.0, 1), (0.4, 1)),
        *((0.8, 0.4), (0.8, 0.4), (0.6, 0)),
    ),
}
_APPROACH_S = 0.45
_RETURN_S = 0.35
_TREMOR_LINES = 5


def draw_stroke(kind: StrokeKind, rng: np.random.Generator) -> HandStroke:
    """Draw one stroke; the generator's state decides how this one differs from the last."""
    press = [(seconds, 1.0, share) for seconds, share in _PLANS[kind]]
    plan = np.array([(0.0, 0.0, 0.0), (_APPROACH_S, 1.0, 0.0), *press, (_RETURN_S, 0.0, 0.0)])
    seconds = plan[:, 0] * rng.uniform(0.8, 1.2, size=len(plan))
    amplitude = rng.uniform(0.3, 1.0, size=_TREMOR_LINES)
    tremor = np.column_stack(
        [
            amplitude * np.sqrt(2.0 / np.sum(amplitude**2)),
            rng.uniform(0.5, 8.0, size=_TREMOR_LINES),
            rng.uniform(0.0, 2.0 * np.pi, size=_TREMOR_LINES),
        ]
    )
    return HandStroke(at_s=np.cumsum(seconds), approach=plan[:, 1], press=plan[:, 2], tremor=tremor)


def ease(fraction: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the minimum-jerk course from 0 to 1, at rest at both ends.

    Formula: Flash and Hogan, J. Neurosci. 5 (1985) 1688 (recalled from memory).
    """
    u = np.clip(fraction, 0.0, 1.0)
    return u**3 * (10.0 + u * (-15.0 + 6.0 * u))


def _smooth(
    t_s: NDArray[np.float64], at_s: NDArray[np.float64], value: NDArray[np.float64]
) -> NDArray[np.float64]:
    place = np.clip(np.searchsorted(at_s, t_s, side="right") - 1, 0, len(at_s) - 2)
    length_s = at_s[place + 1] - at_s[place]
    share = ease((t_s - at_s[place]) / length_s)
    return value[place] + (value[place + 1] - value[place]) * share


class Rest(msgspec.Struct, frozen=True):
    """Leave the rig as it is."""

    seconds: float


class PutMass(msgspec.Struct, frozen=True):
    """Bring the mass that stands on the cell to mass_kg; it stays there after the step."""

    mass_kg: float
    seconds: float = HOLD_S


class GaugeBlock(msgspec.Struct, frozen=True):
    """Let the quill rest on a gauge block between the faces: height is the block's length."""

    length_mm: float
    seconds: float = 2.5


class PauseInAir(msgspec.Struct, frozen=True):
    """Stop the quill on its way, nothing under it, and let it up again."""

    height_mm: float
    seconds: float = 2.5


class FacesTogether(msgspec.Struct, frozen=True):
    """Let the faces touch: height is 0."""

    seconds: float = 2.5


class PressBlock(msgspec.Struct, frozen=True):
    """Press a solid block: the height stays, load rises and falls, the press gives."""

    length_mm: float
    max_load_n: float
    stroke: StrokeKind = StrokeKind.SLOW


class PressSpring(msgspec.Struct, frozen=True):
    """Press a spring down to a height and let it up; the hand stops at the cell's rating."""

    spring: SpringModel
    to_height_mm: float
    stroke: StrokeKind = StrokeKind.STEADY


Step = Rest | PutMass | GaugeBlock | PauseInAir | FacesTogether | PressBlock | PressSpring


class Truth(NamedTuple):
    """What is true at n moments, each of shape (n,); see Instrument.read."""

    height_mm: NDArray[np.float64]
    pressed_n: NDArray[np.float64]
    standing_n: NDArray[np.float64]


class Act(msgspec.Struct, frozen=True):
    """A step made ready.

    Attributes:
        standing_n: load of what stands on the cell afterwards.
        truth: what is true at times since the step began, shape (n,), all of them at once.
    """

    seconds: float
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
        rng: decides how the hand presses and where it puts things.
        presses_before: how often the step's spring was pressed before.

    Raises:
        CoilbenchError: it can't be done on this rig.
    """
    match step:
        case Rest():
            return _put_mass(standing_n, step.seconds, rig, standing_n)
        case PutMass():
            placed = 1.0 + rng.normal(0.0, rig.placing_fraction)
            weight_n = step.mass_kg * rig.gravity_m_per_s2 * placed
            return _put_mass(weight_n, step.seconds, rig, standing_n)
        case GaugeBlock():
            _fit_between_faces(step.length_mm, rig)
            seated_mm = step.length_mm + rng.normal(0.0, rig.seating_mm)
            return _lie_on(seated_mm, step.seconds, rig, standing_n)
        case PauseInAir():
            return _lie_on(step.height_mm, step.seconds, rig, standing_n, contact_n=0.0)
        case FacesTogether():
            return _lie_on(0.0, step.seconds, rig, standing_n)
        case PressBlock():
            return _press_block(step, rig, draw_stroke(step.stroke, rng), standing_n)
        case PressSpring():
            stroke = draw_stroke(step.stroke, rng)
            return _press_spring(step, rig, stroke, standing_n, presses_before)


def _put_mass(weight_n: float, seconds: float, rig: RigModel, standing_n: float) -> Act:
    def truth(t_s: NDArray[np.float64]) -> Truth:
        load_n = standing_n + (weight_n - standing_n) * ease(t_s / PLACE_S)
        return Truth(np.full_like(t_s, rig.rest_height_mm), np.zeros_like(t_s), load_n)

    return Act(seconds, weight_n, truth)


def _lie_on(
    length_mm: float,
    seconds: float,
    rig: RigModel,
    standing_n: float,
    contact_n: float = CONTACT_N,
) -> Act:
    lift_s = seconds - PLACE_S

    def truth(t_s: NDArray[np.float64]) -> Truth:
        down = ease(t_s / PLACE_S) - ease((t_s - lift_s) / PLACE_S)
        height_mm = rig.rest_height_mm - (rig.rest_height_mm - length_mm) * down
        load_n = np.where(down >= 1.0, contact_n, 0.0)
        return Truth(height_mm, load_n, np.full_like(t_s, standing_n))

    return Act(seconds, standing_n, truth)


def _press_block(step: PressBlock, rig: RigModel, stroke: HandStroke, standing_n: float) -> Act:
    _fit_between_faces(step.length_mm, rig)

    def truth(t_s: NDArray[np.float64]) -> Truth:
        air_mm = rig.rest_height_mm - step.length_mm
        shake = 1.0 + TREMOR_LOAD_FRACTION * stroke.shake_at(t_s)
        load_n = np.clip(step.max_load_n * stroke.press_at(t_s) * shake, 0.0, None)
        height_mm = rig.rest_height_mm - air_mm * stroke.approach_at(t_s)
        return Truth(height_mm, load_n, np.full_like(t_s, standing_n))

    return Act(float(stroke.at_s[-1]), standing_n, truth)


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
        load_n = np.maximum(load_n - rig.rests_n, 0.0)  # the cell bears the cup, pressed or not
        return Truth(height_mm, load_n, np.full_like(t_s, standing_n))

    return Act(float(stroke.at_s[-1]), standing_n, truth)


def _fit_between_faces(length_mm: float, rig: RigModel) -> None:
    if not 0.0 <= length_mm < rig.rest_height_mm:
        raise CoilbenchError(
            f"{length_mm:g} mm doesn't fit between the faces, {rig.rest_height_mm:g} mm apart",
            hint="Take a shorter one",
        )


IDLE = Rest(5.0)  # what goes on after the plan, again and again


class Span(msgspec.Struct, frozen=True):
    """Where a step's samples are, as sequence numbers; an end is the first that is not in it."""

    step: Step
    first_seq: int
    end_seq: int
    act: Act


class Bench:
    """A rig, and what is done on it; `spans`: where each step's samples are, known beforehand.

    Args:
        seed: of the hand, the noise and the clock's jitter: the same one gives the same samples.

    Raises:
        CoilbenchError: a step can't be done on this rig.
    """

    def __init__(self, rig: RigModel, steps: Sequence[Step], seed: int) -> None:
        self.rig = rig
        self.seed = seed
        self.spans = list(_spans(rig, steps, seed))

    def blocks(self, *, endless: bool = False) -> Iterator[RawBlock]:
        """Make the samples, a block a step; sequence and clock count on from 0 over all of them.

        With endless the rig rests after the plan without an end.
        """
        instrument = Instrument(self.rig, self.seed)
        start, standing_n = 0, 0.0
        for span in self.spans:
            yield _block(instrument, span.act, span.first_seq, span.end_seq)
            start, standing_n = span.end_seq, span.act.standing_n
        idle = prepare(IDLE, self.rig, np.random.default_rng(self.seed), standing_n=standing_n)
        while endless:
            end = start + _samples(self.rig, idle.seconds)
            yield _block(instrument, idle, start, end)
            start = end


def worked(rig: RigModel, steps: Iterable[Step], seed: int) -> Iterator[RawBlock]:
    """Make the samples of steps that are decided on as they come, a block a step; as of a Bench."""
    instrument = Instrument(rig, seed)
    for span in _spans(rig, steps, seed):
        yield _block(instrument, span.act, span.first_seq, span.end_seq)


def _block(instrument: Instrument, act: Act, first_seq: int, end_seq: int) -> RawBlock:
    t_s = instrument.tick_s(end_seq - first_seq)
    truth = act.truth(t_s - first_seq / instrument.rig.rate_hz)
    return RawBlock(instrument.read(t_s, *truth))


def _spans(rig: RigModel, steps: Iterable[Step], seed: int) -> Iterator[Span]:
    rng = np.random.default_rng([seed, 0xA2D])
    presses: Counter[SpringModel] = Counter()
    start, standing_n = 0, 0.0
    for step in steps:
        before = presses[step.spring] if isinstance(step, PressSpring) else 0
        act = prepare(step, rig, rng, standing_n=standing_n, presses_before=before)
        span = Span(step, start, start + _samples(rig, act.seconds), act)
        yield span
        start, standing_n = span.end_seq, act.standing_n
        if isinstance(step, PressSpring):
            presses[step.spring] += 1


def _samples(rig: RigModel, seconds: float) -> int:
    return round(seconds * rig.rate_hz)


def calibration_steps(
    masses_kg: Sequence[float] = (),
    gauges_mm: Sequence[float] = (),
    block: tuple[float, float] | None = None,
    *,
    rest_s: float = 0.0,
) -> list[Step]:
    """Return what guided calibrations ask for, as a person does it.

    Args:
        gauges_mm: lengths of gauge blocks, after the faces were put together.
        block: length of a solid block and the load it is pressed to, mm and N.
        rest_s: how long the rig is left as it is before.
    """
    steps: list[Step] = [Rest(rest_s)] if rest_s > 0.0 else []
    steps += [PutMass(mass_kg) for mass_kg in masses_kg]
    if gauges_mm:
        blocks = [GaugeBlock(length_mm, HOLD_S) for length_mm in gauges_mm]
        steps += [Rest(HOLD_S), FacesTogether(HOLD_S), *blocks, Rest(1.0)]
    return steps if block is None else [*steps, PressBlock(*block), Rest(1.0)]


def capture_steps(
    springs: Sequence[SpringModel], *, presses: int = 5, stroke: StrokeKind = StrokeKind.STEADY
) -> list[Step]:
    """Return the pressing of springs, one after another, `presses` with the conditioning ones."""
    steps: list[Step] = []
    for spring in springs:
        press = PressSpring(spring, spring.solid_height_mm + ABOVE_SOLID_MM, stroke)
        strokes: list[Step] = [press, Rest(0.2)] * presses
        steps += [Rest(CHANGE_S), *strokes]
    return [*steps, Rest(CHANGE_S)]
