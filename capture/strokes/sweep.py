"""A sweep: one press of one spring, read by a calibration; where its numbers came from. Pure.

A dense sweep's two directions are its first passes on the way down and its last passes on the way
up.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from enum import StrEnum
from functools import cached_property
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import LOAD_DTYPE, LoadBlock, RawBlock, usable_of
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.calibration.lag import Lag, Press
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.polynomial import slope, value
from coilbench.capture.calibration.statistics import (
    LEAST_SD_COUNTS,
    ROBUST_SD_PER_MAD,
    median,
    medians,
    noise_sd,
)
from coilbench.capture.strokes.branch import Branch

Array = NDArray[np.float64]
MAX_SLACK_MM = 0.1  # jitter of a height never excuses going back further than this
JITTER_SDS = 3.0
RATE_WINDOW = (0.3, 0.7)  # share of the deflection; EN 13906-1's window, from memory
# Common practice, no source.
TOUCH_SHARE = 0.01  # of the whole rise: above it the spring is surely touched
FEWEST = 3  # samples that make a zero
TOUCH_SDS = 3.0  # of the noise: above it the load may be rising
GUARD_S = 0.05  # before that, the load may be rising within its noise
RISE_SDS = 6.0  # from its begin to its end, by more than this, it rises: no zero
ZERO_UNKNOWN_U_N = 1.0  # k = 1: how far a zero wanders from its calibration over a day
CLEAR_MM = 0.3  # the quill moved so far while the load stood still: surely clear of the spring
STROKE_UNSEEN_U_MM = 0.005  # k = 1: how a spring seats and takes its set from stroke to stroke
DEAD_WEIGHT_N = 20.0  # a spring, its cup and some drift weigh less; above it a spring is pressed


class _Passes(NamedTuple):
    """The samples of a dense sweep that belong to its two branches, both in time order."""

    loading: Branch
    unloading: Branch


def _split_passes(loading: Branch, unloading: Branch) -> _Passes:
    """Split a dense sweep at its deepest point; keep first passes down and last passes up.

    A pass back up (a wobbling hand, a double press) reads between the two branches where there
    is friction, so that only the first visit to a height counts on the way down and only the
    last on the way up. Going back by no more than the height's own jitter is no pass.
    """
    whole = _chained([loading, unloading])
    whole = whole.at(np.isfinite(whole.height_mm) & np.isfinite(whole.load_n))
    if len(whole) == 0:
        return _Passes(whole, whole)
    down, up = passing(whole.height_mm[None])
    return _Passes(whole.at(down[0]), whole.at(up[0]))


def passing(height_mm: Array) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Tell which samples belong to the first pass down, and which to the last pass up.

    Args:
        height_mm: shape (k, n), n above 0: of one dense sweep, by k lags.

    Returns:
        Two of the shape of height_mm.
    """
    slack_mm = np.minimum(JITTER_SDS * _jitter_mm(height_mm), MAX_SLACK_MM)[:, None]
    deepest, at = height_mm.argmin(axis=1)[:, None], np.arange(height_mm.shape[1])
    so_far = np.minimum.accumulate(height_mm, axis=1)
    from_here = np.minimum.accumulate(height_mm[:, ::-1], axis=1)[:, ::-1]
    down = (at <= deepest) & (height_mm <= so_far + slack_mm)
    up = (at >= deepest) & (height_mm <= from_here + slack_mm)
    return down, up


def _chained(branches: Sequence[Branch]) -> Branch:
    """Put the samples of some branches, one or more, behind each other."""
    by_lag = [branch.by_lag for branch in branches if branch.by_lag is not None]
    return Branch(
        np.concatenate([branch.height_mm for branch in branches]),
        np.concatenate([branch.load_n for branch in branches]),
        np.concatenate(by_lag) if len(by_lag) == len(branches) else None,
    )


def _jitter_mm(height_mm: Array) -> Array:
    """Noise of heights (standard deviation), shape (k,): robust scale of the second differences.

    A steady hand leaves none; of white noise they have a variance six times the noise's.
    """
    if height_mm.shape[1] < 5:
        return np.zeros(height_mm.shape[0])
    bend = np.diff(height_mm, 2)
    scale = ROBUST_SD_PER_MAD * medians(np.abs(bend - medians(bend)[:, None]))
    return np.asarray(scale / 6.0**0.5)


class StrokeZero(msgspec.Struct, frozen=True):
    """Load counts with nothing pressed, found in a whole stroke.

    Attributes:
        u_counts: its standard uncertainty, k = 1, from its noise.
        moved_counts: how far the travel went meanwhile; far shows that the quill was clear.
    """

    counts: float
    u_counts: float
    samples: int
    moved_counts: float


def zero_before_touch(
    t_s: NDArray[np.float64],
    load_counts: NDArray[np.float64],
    travel_counts: NDArray[np.float64],
) -> StrokeZero | None:
    """Read the zero, with its uncertainty, from the samples before the load begins to rise.

    `StrokeRules.read_zero` gives that of a running stroke, from what came before and how clear of
    the spring the quill was; where the capture kept it, it is used.

    Args:
        t_s, load_counts, travel_counts: shape (n,), usable samples of one stroke in time order,
            the deepest point where the load is farthest from where it began.

    Returns:
        None where the load rises from the first samples on.
    """
    if t_s.size < FEWEST:
        return None
    base = median(load_counts[:FEWEST])
    departure = load_counts - base
    rise = float(departure[np.argmax(np.abs(departure))])
    if rise == 0.0:
        return None
    share = departure / rise
    before = int(np.argmax(share > TOUCH_SHARE))
    if before < FEWEST:
        return None
    lead = load_counts[:before]
    middle = median(lead[: max(before // 2, FEWEST)])
    noise = noise_sd(lead, 2)
    still = np.flatnonzero((lead - middle) * np.sign(rise) <= TOUCH_SDS * noise)
    if still.size == 0:
        return None
    end = int(np.searchsorted(t_s, t_s[still[-1]] - GUARD_S, side="right"))
    end = max(end, min(FEWEST, before))
    kept = lead[:end]
    half = max(end // 2, 1)
    if abs(float(kept[-half:].mean() - kept[:half].mean())) > RISE_SDS * noise:
        return None
    mean = float(kept.mean())
    sd = max(float(kept.std(ddof=1)), noise)
    moved = float(np.ptp(travel_counts[:end]))
    return StrokeZero(mean, sd / math.sqrt(end), end, moved)


def known_zero_u_counts(load_counts: NDArray[np.float64]) -> float:
    """Return the standard uncertainty (k = 1) of a zero of which only its counts are known.

    That of one sample's noise.

    Args:
        load_counts: shape (n,), the whole stroke.
    """
    return noise_sd(load_counts, 2) if load_counts.size > FEWEST else LEAST_SD_COUNTS


class StrokeRepeat(NamedTuple):
    """How well one stroke repeats another, as a height."""

    u_mm: float = STROKE_UNSEEN_U_MM  # standard deviation of one stroke
    degrees_of_freedom: float = math.inf  # of the strokes behind it; infinite where it is assumed
    seen: bool = False  # whether strokes showed it


_UNSEEN = StrokeRepeat()


class RigReading(msgspec.Struct, frozen=True):
    """How a stroke's numbers came about.

    Attributes:
        calibration_id: the same for all strokes that share the calibration's errors.
        zero_counts: load counts that were taken as no load.
        zero_u_n: standard uncertainty of the zero, k = 1, this stroke's own.
        zero_known: whether the zero was read with the stroke; else the calibration's own is taken,
            which all strokes share, good to ZERO_UNKNOWN_U_N.
        travel_step_mm: the smallest step that the travel shows.
        repeat: how well a stroke repeats, where there is one alone.
        rests_n: weight on the spring that the zero contains; None where it is not told.
        gain_u_relative: standard uncertainty (k = 1) of the cell's gain since its calibration.
        moved_u_mm: the same of heights that may have moved meanwhile, by a closing press.
    """

    calibration: Calibration
    calibration_id: str
    zero_counts: float
    zero_u_n: float
    zero_known: bool
    travel_step_mm: float
    repeat: StrokeRepeat = _UNSEEN
    rests_n: float | None = None
    gain_u_relative: float = 0.0
    moved_u_mm: float = 0.0


def read_stroke(
    raw: RawBlock, calibration: Calibration, calibration_id: str, zero_counts: float | None = None
) -> tuple[Press, RigReading]:
    """Read one stroke.

    Args:
        raw: one press down and back up, with what there is of the time before the touch.
        zero_counts: the zero as the capture read it; None looks for it before the touch.
    """
    samples = usable_of(raw.samples)
    t_s = (samples["t_us"] - samples["t_us"][:1]) * 1e-6
    counts = samples["load_counts"].astype(np.float64)
    travel_counts = samples["travel_counts"].astype(np.float64)
    per_count_mm = abs(float(slope(calibration.travel, calibration.travel.x_min)))
    found = _believed(zero_before_touch(t_s, counts, travel_counts), calibration, per_count_mm)
    zero, zero_u_counts = zero_counts, 0.0 if found is None else found.u_counts
    if zero is None:
        zero = _own_zero(calibration) if found is None else found.counts
    elif found is None:
        zero_u_counts = known_zero_u_counts(counts)
    reading = RigReading(
        calibration=calibration,
        calibration_id=calibration_id,
        zero_counts=zero,
        zero_u_n=zero_u_counts * abs(float(slope(calibration.load, zero))),
        zero_known=zero_counts is not None or found is not None,
        travel_step_mm=_step(travel_counts) * per_count_mm,
    )
    return convert(calibration, samples, zero), reading


def _believed(
    zero: StrokeZero | None, calibration: Calibration, per_count_mm: float
) -> StrokeZero | None:
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


def _step(travel_counts: NDArray[np.float64]) -> float:
    """Return the greatest step that all travel counts are whole numbers of."""
    steps = np.diff(np.rint(travel_counts).astype(np.int64))
    return float(np.gcd.reduce(steps) or 1)  # it is 0 where there is none


class SweepStatus(StrEnum):
    """How a stroke ended; stored with it in the same transaction."""

    COMPLETE = "complete"
    ABORTED = "aborted"  # too short, or redone by the user
    INTERRUPTED = "interrupted"  # the rig restarted, the cable came out, the program was killed
    GAPPED = "gapped"  # samples were lost inside it


class Origin(StrEnum):
    """Where a sweep's numbers came from."""

    RIG = "rig"
    RAW_FILE = "raw file"
    CONVERTED_FILE = "converted file"
    POINTS_FILE = "points file"
    KEYED = "keyed"


class RepeatsApart(NamedTuple):
    """Readings of one load so far apart that one of them must be wrong."""

    height_mm: float
    apart_n: float


class PointRepeat(NamedTuple):
    """How readings of one load repeat, as repeats of the set show it."""

    u_n: float  # standard deviation of one reading beyond what its steps explain
    degrees_of_freedom: float
    apart: tuple[RepeatsApart, ...] = ()  # the spring's own slips, of which alone it then is


class HandReading(msgspec.Struct, frozen=True):
    """How chosen points were read, one press each, off a scale and a quill.

    Attributes:
        run, day: what was set or read once holds for all readings of it: the stop, the tare.
        one_run, one_tare: whether all readings of the set are of one run, and of one tare, so that
            its springs have that error in common.
    """

    setup: KeyedSetup
    run: str = ""
    day: str = ""
    one_run: bool = True
    one_tare: bool = True


class Sweep(msgspec.Struct, frozen=True, dict=True):
    """One sweep of one spring, calibrated.

    Attributes:
        origin: where the numbers came from. Dense samples for RIG, RAW_FILE and CONVERTED_FILE;
            a few points at chosen heights for POINTS_FILE and KEYED.
        loading, unloading: samples on the way down and on the way up; may be empty.
        load_u_n: standard uncertainty (k = 1) of a load, common to all samples of the
            instrument (calibration residual, the scale's resolution), N.
        load_u_relative: standard uncertainty (k = 1) proportional to the load (reference
            masses, lever ratio), as a fraction.
        height_u_mm: standard uncertainty (k = 1) of a height, mm.
        press: the stroke in time order, for the lag; None for chosen points.
        rig: by which calibration and zero; where it is known it tells the uncertainties, and the
            three above are not used. None where the numbers came converted.
        hand: how chosen points were read; where it is known it tells the uncertainties. None for
            samples, and for points of which nothing but the three above is known.
        point_repeat: what repeats of chosen points showed; None where there are none, or too few.
        stated_u_n: standard uncertainties (k = 1) that came with chosen points, one each of both
            branches; None where none did.
        lag: what was undone in the branches; None where nothing was.
        turned_mm: the height on the way up above which friction has reversed and the filter
            has forgotten the turn; None where it is not known.
        too_fast: whether it was over before the rig's filter could follow.
        works: whether it only worked the spring.
    """

    sweep_id: str
    label: str
    origin: Origin
    loading: Branch
    unloading: Branch
    load_u_n: float
    load_u_relative: float
    height_u_mm: float
    press: Press | None = None
    rig: RigReading | None = None
    hand: HandReading | None = None
    point_repeat: PointRepeat | None = None
    stated_u_n: tuple[tuple[float, ...], tuple[float, ...]] | None = None
    lag: Lag | None = None
    turned_mm: float | None = None
    too_fast: bool = False
    works: bool = False

    @property
    def dense(self) -> bool:
        """Whether the samples are a sampled curve rather than a few chosen points."""
        return self.origin in (Origin.RIG, Origin.RAW_FILE, Origin.CONVERTED_FILE)

    @cached_property
    def passes(self) -> _Passes:
        """Its samples on the first way down and the last way up."""
        return _split_passes(self.loading, self.unloading)


class Provenance(msgspec.Struct, frozen=True):
    """Counted measured sweeps of one set that came the same way.

    Attributes:
        calibration_id: what raw counts were captured with; None where there are none.
        scale: what the calibrated scale that showed keyed readings is called at this bench; None
            without one.
    """

    origin: Origin
    calibration_id: str | None
    scale: str | None
    sweeps: int
    springs: int
    first_utc: str
    last_utc: str


def convert(
    calibration: Calibration, samples: NDArray[np.void], zero_counts: float | None = None
) -> Press:
    """Turn counts into load and travel: the one place where it is done.

    Args:
        zero_counts: load counts with nothing on the rig, measured just before; the load at
            them is subtracted. None keeps the calibration's own zero.

    Raises:
        ValueError: zero_counts is not finite.
    """
    load_n = value(calibration.load, samples["load_counts"])
    if zero_counts is not None:
        if not math.isfinite(zero_counts):
            raise ValueError(f"zero_counts must be finite, not {zero_counts}")
        load_n = load_n - value(calibration.load, zero_counts)
    return Press(
        (samples["t_us"] - samples["t_us"][:1]) * 1e-6,
        load_n,
        value(calibration.travel, samples["travel_counts"]),
        calibration.flex_mm(load_n),
    )


def apply(calibration: Calibration, raw: RawBlock, zero_counts: float | None = None) -> LoadBlock:
    """Turn counts into load and height; see convert.

    height_mm = travel(travel_counts) + flex(load_n): the press deflects under load, so the quill
    moves further than the faces close.
    """
    press = convert(calibration, raw.samples, zero_counts)
    out = np.empty(len(raw), dtype=LOAD_DTYPE)
    out["t_s"], out["load_n"] = press.t_s, press.load_n
    out["height_mm"] = press.travel_mm + press.flex_mm
    out["flags"] = raw.samples["flags"]
    return LoadBlock(out)
