"""A stroke in counts, read by a calibration: its load above its own zero, its height. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from coilbench.capture.blocks import UNUSABLE, RawBlock
from coilbench.capture.calibration.lag import Press
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.regression import slope, value
from coilbench.capture.calibration.zero import Zero, sample_noise_counts, zero_before_touch

# Common practice, no source.
ZERO_UNKNOWN_U_N = 1.0  # k = 1: how far a zero wanders from its calibration over a day
CLEAR_MM = 0.3  # the quill moved so far while the load stood still: surely clear of the spring
STROKE_UNSEEN_U_MM = 0.005  # k = 1: how a spring seats and takes its set from stroke to stroke
DEAD_WEIGHT_N = 20.0  # a spring, its cup and some drift weigh less; above it a spring is pressed


class StrokeRepeat(NamedTuple):
    """How well one stroke repeats another, as a height.

    Attributes:
        u_mm: standard deviation of one stroke.
        degrees_of_freedom: strokes behind it; infinite where it is assumed.
        seen: whether strokes showed it.
    """

    u_mm: float = STROKE_UNSEEN_U_MM
    degrees_of_freedom: float = math.inf
    seen: bool = False


_UNSEEN = StrokeRepeat()


@dataclass(frozen=True)
class RigReading:
    """How a stroke's numbers came about.

    Attributes:
        calibration: what turned counts into N and mm.
        calibration_id: its id, the same for all strokes that share its errors.
        zero_counts: load counts that were taken as no load.
        zero_u_n: standard uncertainty of the zero, k = 1, this stroke's own.
        zero_known: whether the zero was read with the stroke; else the calibration's own is taken,
            which all strokes share, good to ZERO_UNKNOWN_U_N.
        travel_step_mm: the smallest step that the travel shows.
        repeat: how well a stroke repeats, where there is one alone.
    """

    calibration: Calibration
    calibration_id: str
    zero_counts: float
    zero_u_n: float
    zero_known: bool
    travel_step_mm: float
    repeat: StrokeRepeat = _UNSEEN


def read_stroke(
    raw: RawBlock, calibration: Calibration, calibration_id: str, zero_counts: float | None = None
) -> tuple[Press, RigReading]:
    """Read one stroke.

    Args:
        raw: one press down and back up, with what there is of the time before the touch.
        calibration: the fits.
        calibration_id: its id.
        zero_counts: the zero as the capture read it; None looks for it before the touch.
    """
    samples = raw.samples[(raw.samples["flags"] & UNUSABLE) == 0]
    t_s = (samples["t_us"] - samples["t_us"][:1]) * 1e-6
    counts = samples["load_counts"].astype(np.float64)
    travel_counts = samples["travel_counts"].astype(np.float64)
    per_count_mm = abs(float(slope(calibration.travel, calibration.travel.x_min)))
    found = _believed(zero_before_touch(t_s, counts, travel_counts), calibration, per_count_mm)
    if zero_counts is not None:
        zero, known = zero_counts, True
    else:
        zero = _own_zero(calibration) if found is None else found.counts
        known = found is not None
    zero_u_counts = 0.0 if found is None else found.u_counts
    if found is None and zero_counts is not None:
        zero_u_counts = sample_noise_counts(counts)
    per_count_n = abs(float(slope(calibration.load, zero)))
    load_n = value(calibration.load, counts) - float(value(calibration.load, zero))
    press = Press(
        t_s, load_n, value(calibration.travel, travel_counts), calibration.flex_mm(load_n)
    )
    reading = RigReading(
        calibration=calibration,
        calibration_id=calibration_id,
        zero_counts=zero,
        zero_u_n=zero_u_counts * per_count_n,
        zero_known=known,
        travel_step_mm=_step(travel_counts) * per_count_mm,
    )
    return press, reading


def _believed(zero: Zero | None, calibration: Calibration, per_count_mm: float) -> Zero | None:
    """Return the zero if the quill surely was clear of the spring, or the load is hardly any."""
    if zero is None:
        return None
    clear = zero.moved_counts * per_count_mm >= CLEAR_MM
    light = abs(float(value(calibration.load, zero.counts))) <= DEAD_WEIGHT_N
    return zero if clear or light else None


def _own_zero(calibration: Calibration) -> float:
    """Return the counts at which the calibration's load is 0 (Newton's steps from its line)."""
    load = calibration.load
    counts = -load.coefficients[0] / load.coefficients[1]
    for _ in range(3):
        counts -= float(value(load, counts) / slope(load, counts))
    return counts


def _step(travel_counts: np.typing.NDArray[np.float64]) -> float:
    """Return the greatest step that all travel counts are whole numbers of."""
    whole = np.unique(np.rint(travel_counts).astype(np.int64))
    return float(np.gcd.reduce(np.diff(whole))) if whole.size > 1 else 1.0
