"""What a person may do at the rig, step by step, and what is then true at each moment. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.virtual.hand import HandStroke, StrokeKind, draw_stroke, ease
from coilbench.capture.virtual.instrument import RigModel
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
            mend=f"Give it more than {start_s + PLACE_S:g} seconds",
        )
    return start_s, end_s


def _fit_between_faces(length_mm: float, rig: RigModel) -> None:
    if not 0.0 <= length_mm < rig.rest_height_mm:
        raise CoilbenchError(
            f"{length_mm:g} mm doesn't fit between the faces, {rig.rest_height_mm:g} mm apart",
            mend="Take a shorter one",
        )
