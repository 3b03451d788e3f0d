"""The uncertainty of a load at a height: each input's effect, by the law of propagation. Pure.

Errors of the rig (its calibrations, masses, lag) are common to all loads of all springs and stay
correlated here: for a difference of two loads, the difference of their sensitivities is taken
before squaring (JCGM 100:2008, 5.2.2).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterable, Iterator, Sequence
from itertools import chain
from typing import NamedTuple

import numpy as np

from coilbench.analysis.curves.effects import (
    Effect,
    counts_at,
    curve_effect,
    plain,
    powers,
)
from coilbench.analysis.curves.hand_budget import point_effects
from coilbench.analysis.curves.sweep_fit import HeightReading, HeightReadings, SweepFit
from coilbench.analysis.curves.uncertainty import SHAPE_SOURCE, Budget, BudgetLine, SourceKind
from coilbench.capture.calibration.keyed_setup import RESTS_U_N
from coilbench.capture.calibration.lag import Lag
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.polynomial import Reals, slope, value
from coilbench.capture.strokes.bins import Array
from coilbench.capture.strokes.sweep import (
    ZERO_UNKNOWN_U_N,
    RigReading,
    StrokeRepeat,
)

COMMON_SHARE = 0.5  # of the variance of a converted sweep's instrument errors that is one offset
#   for the whole sweep (zero, datum) and leaves a difference; the rest (nonlinearity, steps)
#   stays. Our convention, no source.
# How much a press gives that was not measured: 0 to some 1.2 mm at 1000 N. Common practice at
# bench and pillar drills, no source; k = 1 as of a normal law that holds 95 % of it.
FLEX_UNKNOWN_U_MM_PER_N = 6.0e-4

_Read = HeightReading | HeightReadings
ROUNDING_N = 1e-9  # what is left of an error that cancels in a difference


def budget_lines(weighted: Iterable[tuple[float, HeightReading]]) -> list[BudgetLine]:
    """Combine the effects of some readings, each with its weight, into independent lines.

    Args:
        weighted: the result is the sum of weight times load: {1/n each} for a mean of n strokes.
    """
    sources = _sources(weighted)
    return [
        one.line(float(one.u_n), float(one.sensitivity)) for one in sources if one.u_n > ROUNDING_N
    ]


def budgets_at(
    weighted: Sequence[tuple[float, HeightReadings]], heights: int
) -> list[list[BudgetLine]]:
    """Combine them as budget_lines does, at each of the same heights."""
    found: list[list[BudgetLine]] = [[] for _ in range(heights)]
    stacked = len(weighted) > 1 and _one_bench([reading for _, reading in weighted])
    for one in _found(_stacked(weighted)) if stacked else _sources(weighted):
        columns = (
            x.tolist() if isinstance(x, np.ndarray) and x.ndim else [float(x)] * heights
            for x in (one.u_n, one.sensitivity)
        )
        for lines, u_n, sensitivity in zip(found, *columns, strict=True):
            if u_n > ROUNDING_N:
                lines.append(one.line(u_n, sensitivity))
    return found


def _one_bench(readings: Sequence[HeightReadings]) -> bool:
    """Whether all are of strokes on a rig of which only the zero is each stroke's own."""
    rigs = [reading.sweep.rig for reading in readings]
    first, lag = rigs[0], readings[0].sweep.lag
    return first is not None and all(
        reading.sweep.lag is lag
        and rig is not None
        and rig.calibration is first.calibration
        and (rig.calibration_id, rig.zero_known) == (first.calibration_id, first.zero_known)
        and (rig.rests_n, rig.gain_u_relative) == (first.rests_n, first.gain_u_relative)
        and rig.moved_u_mm == first.moved_u_mm
        for rig, reading in zip(rigs, readings, strict=True)
    )


def _stacked(
    weighted: Sequence[tuple[float, HeightReadings]],
) -> Iterator[tuple[Effect, Reals, Reals]]:
    """Return the effects on the sum of some readings on one bench, all strokes worked on at once.

    To the last digit as stroke by stroke: they are added in the same order.
    """
    readings = [reading for _, reading in weighted]
    weights = np.array([[weight] for weight, _ in weighted])
    height_mm, first = readings[0].height_mm, readings[0].sweep
    zeros = np.array([[one.sweep.rig.zero_counts] for one in readings if one.sweep.rig is not None])
    load_n, slope, se_n, turn_u_n = (np.array(x) for x in [*zip(*readings, strict=True)][1:5])
    by_lag = np.stack([one.by_lag for one in readings], axis=1)
    together = HeightReadings(height_mm, load_n, slope, se_n, turn_u_n, by_lag, first)

    def summed(x: Reals) -> Reals:
        each = weights * x  # (..., strokes, m)
        total: Reals = each[..., 0, :]
        for at in range(1, len(readings)):
            total = total + each[..., at, :]
        return total if np.size(total) > 1 else float(np.reshape(total, ()))

    for effect in _effects(together, zeros):
        yield effect, summed(effect.gradient), summed(effect.sensitivity)


class _Source(NamedTuple):
    """What one source leaves of a result, at one height or m: u_n and sensitivity (m,)."""

    effect: Effect
    u_n: Reals
    sensitivity: Reals

    def line(self, u_n: float, sensitivity: float) -> BudgetLine:
        """Return its line at one height."""
        one, unit = self.effect, self.effect.unit
        if sensitivity == 0.0 or u_n > 1e3 * abs(sensitivity):
            sensitivity, unit = 1.0, "N"
        freedom, u = one.degrees_of_freedom, u_n / abs(sensitivity)
        return BudgetLine(one.source, one.kind, u, unit, sensitivity, freedom, one.shared)


def _sources(weighted: Iterable[tuple[float, _Read]]) -> list[_Source]:
    """Add what is the very same error with its sign, and what is independent by its squares."""
    every = list(weighted)
    alone = len({id(reading.sweep) for _, reading in every}) == 1
    sums: dict[Hashable, tuple[Effect, Reals, Reals]] = {}
    for weight, reading in every:
        for effect in chain(_effects(reading), _repeat_effect(reading) if alone else ()):
            at = (effect.source, effect.key)
            gradient, sensitivity = weight * effect.gradient, weight * effect.sensitivity
            if (before := sums.get(at)) is not None:
                gradient = gradient + before[1]
                sensitivity = sensitivity + before[2]
            sums[at] = effect, gradient, sensitivity
    return _found(sums.values())


def _found(sums: Iterable[tuple[Effect, Reals, Reals]]) -> list[_Source]:
    """Return what each source leaves, of effects each added up already: gradient, sensitivity."""
    found: dict[str, _Source] = {}
    for one, gradient, sensitivity in sums:
        u_n: Reals = np.abs(gradient)
        if one.covariance is not None:
            u_n = _mixed_u(np.asarray(gradient), one.covariance)
        if (other := found.get(one.source)) is not None:  # of several strokes: independent
            u_n = (u_n * u_n + other.u_n * other.u_n) ** 0.5
            sensitivity = sensitivity + other.sensitivity
        found[one.source] = _Source(one, u_n, sensitivity)
    return list(found.values())


def _mixed_u(gradient: Array, covariance: Array) -> Reals:
    """Return what correlated inputs leave: the root of the gradient's form with the covariance.

    No matrix product: its last digits depend on how many heights are asked at once.
    """
    each: list[Reals] = gradient.tolist() if gradient.ndim == 1 else [*gradient]
    variance: Reals = 0.0
    for row, left in zip(covariance.tolist(), each, strict=True):
        for cell, right in zip(row, each, strict=True):
            variance = variance + cell * left * right
    return np.sqrt(np.maximum(variance, 0.0))


def _effects(reading: _Read, zeros: Array | None = None) -> Iterator[Effect]:
    """Return what moves a reading; zeros: of the strokes that are read at once, shape (k, 1)."""
    sweep = reading.sweep
    if isinstance(reading, HeightReading) and reading.points:
        yield from point_effects(reading.points, reading.slope_n_per_mm)
    elif sweep.rig is None:
        yield from _converted_effects(reading)
    else:
        zero = sweep.rig.zero_counts if zeros is None else zeros
        yield from _load_effects(reading, sweep.rig, zero)
        yield from _height_effects(reading, sweep.rig)
    if sweep.lag is not None:
        yield _lag_effect(reading, sweep.lag)
    if isinstance(reading, HeightReading) and reading.between.u_n > 0.0:
        u_n, gap_mm, _, shared = reading.between
        yield plain(SHAPE_SOURCE, gap_mm, "N", 1.0, u_n, shared=shared)
    if np.any(reading.turn_u_n):
        turn = np.sign(reading.turn_u_n)
        yield plain("turn_friction", _there(reading), "N", turn, reading.turn_u_n, shared=False)


def _there(reading: _Read) -> Hashable:
    """The height or the heights, as what is the same for errors of them."""
    at = reading.height_mm
    return at.tobytes() if isinstance(at, np.ndarray) else at


def _converted_effects(reading: _Read) -> Iterator[Effect]:
    """What came converted: the errors as stated, partly common to the whole sweep.

    Several sweeps on one bench share them: what is left at one height is left in each.
    """
    sweep, rate = reading.sweep, reading.slope_n_per_mm
    part, rest = math.sqrt(COMMON_SHARE), math.sqrt(1.0 - COMMON_SHARE)
    load_n, at_mm, there = sweep.load_u_n, sweep.height_u_mm, _there(reading)
    yield plain("load", "common", "N", 1.0, part * load_n)
    yield plain("height", "common", "mm", rate, part * at_mm)
    yield plain("load_there", there, "N", 1.0, rest * load_n, shared=False)
    yield plain("height_there", there, "mm", rate, rest * at_mm, shared=False)
    yield plain("load_in_proportion", "common", "1", reading.load_n, sweep.load_u_relative)


def _load_effects(reading: _Read, rig: RigReading, zero: Reals) -> Iterator[Effect]:
    # by the part of the calibration, not the whole: a datum set again leaves the cell's errors
    fit = rig.calibration.load
    rests_n = reading.sweep.rests_n
    counts = counts_at(fit, reading.load_n - rests_n, zero)
    yield curve_effect("load_curve", fit, "N", 1.0, powers(counts, fit, zero), fit)
    if fit.hidden_bend:
        yield plain("hidden_bend", fit, "N", 1.0, fit.hidden_at(counts, zero))
    yield plain("masses", fit, "1", reading.load_n - rests_n, rig.calibration.load_u_relative)
    if rig.gain_u_relative > 0.0:
        yield plain("gain_since", fit, "1", reading.load_n - rests_n, rig.gain_u_relative)
    if rests_n > 0.0:
        yield plain("resting_weight", rests_n, "N", 1.0, RESTS_U_N)
    if not rig.zero_known:
        yield plain("zero_not_read", rig.calibration_id, "N", 1.0, ZERO_UNKNOWN_U_N)


def _height_effects(reading: _Read, rig: RigReading) -> Iterator[Effect]:
    calibration, rig_id, rate = rig.calibration, rig.calibration_id, reading.slope_n_per_mm
    travel, flex = calibration.travel, calibration.flex
    load_n = reading.load_n - reading.sweep.rests_n  # what the press bears
    give_mm = calibration.flex_mm(load_n)
    counts = counts_at(travel, reading.height_mm - give_mm, None)
    yield curve_effect("travel_curve", rig_id, "mm", rate, rate * powers(counts, travel), travel)
    rounded_mm = rig.travel_step_mm / math.sqrt(12.0 * max(travel.points, 1))
    yield plain("travel_steps", rig_id, "mm", rate, rounded_mm)
    if rig.moved_u_mm > 0.0:
        yield plain("heights_moved", rig_id, "mm", rate, rig.moved_u_mm, shared=False)
    if flex is None:
        give_u_mm = FLEX_UNKNOWN_U_MM_PER_N * load_n
        yield plain("flex_not_measured", rig_id, "mm", rate, give_u_mm)
        return
    yield curve_effect("press_flex", flex, "mm", rate, rate * powers(load_n, flex), flex)


# The sources of what another stroke would have shown: seen on others of the set, or assumed.
REPEATS: tuple[SourceKind, SourceKind] = ("stroke_repeat", "stroke_repeat_assumed")


def _repeat_effect(reading: _Read) -> Iterator[Effect]:
    """What another stroke would have shown, where there is one alone."""
    if reading.sweep.rig is None:
        return
    repeat, rate = reading.sweep.rig.repeat, reading.slope_n_per_mm
    yield Effect(
        REPEATS[0 if repeat.seen else 1],
        reading.sweep.sweep_id,
        "mm",
        rate,
        rate * repeat.u_mm,
        shared=False,
        kind="A" if repeat.seen else "B",
        degrees_of_freedom=repeat.degrees_of_freedom,
    )


def _lag_effect(reading: _Read, lag: Lag) -> Effect:
    source: SourceKind = "lag" if lag.known else "lag_not_known"
    return Effect(
        source,
        lag,
        "s",
        reading.by_lag[0],
        reading.by_lag,
        np.array(lag.covariance),
        kind="A" if lag.known else "B",
        degrees_of_freedom=lag.degrees_of_freedom,
    )


TYPICAL_RATE_N_PER_MM = 20.0  # of a valve spring of a road engine; common practice, no source
TYPICAL_SHARE = 0.5  # of the largest mass


def typical_load_n(calibration: Calibration) -> float:
    """Return the load that the card's budget is drawn up for: half of the largest calibrated."""
    load = calibration.load
    return TYPICAL_SHARE * float(np.max(value(load, [load.x_min, load.x_max])))


def typical_budget(
    calibration: Calibration, *, rests_n: float | None = None, gain_u_relative: float = 0.0
) -> Budget:
    """Return the budget of a load of typical_load_n on a spring of TYPICAL_RATE_N_PER_MM.

    In the middle of the gauged heights, by the very chain that a stroke's load goes through. What
    a moving press adds (lag, friction, the strokes' scatter) is not in it.
    """
    load, travel = calibration.load, calibration.travel
    ends = np.array([load.x_min, load.x_max])
    rig = RigReading(
        calibration=calibration,
        calibration_id="",
        zero_counts=float(ends[np.argmin(np.abs(value(load, ends)))]),
        zero_u_n=0.0,
        zero_known=True,
        travel_step_mm=abs(float(slope(travel, travel.x_min))),
        repeat=StrokeRepeat(u_mm=0.0),
        rests_n=rests_n,
        gain_u_relative=gain_u_relative,
    )
    load_n = typical_load_n(calibration)
    middle_mm = float(value(travel, 0.5 * (travel.x_min + travel.x_max)))
    reading = HeightReading(
        height_mm=middle_mm + float(calibration.flex_mm(load_n)),
        load_n=load_n,
        slope_n_per_mm=TYPICAL_RATE_N_PER_MM,
        se_n=0.0,
        loop_n=0.0,
        turn_u_n=0.0,
        by_lag=np.zeros(2),
        sweep=SweepFit(None, None, 0.0, 0.0, 0.0, dense=True, rig=rig),
    )
    return Budget(tuple(budget_lines([(1.0, reading)])))
