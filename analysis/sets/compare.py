"""The same springs measured again: what changed, and whether one can tell. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from statistics import fmean
from typing import Literal, get_args

import msgspec
import numpy as np

from coilbench.analysis.curves.curve import SIDES, SpringCurve
from coilbench.analysis.curves.load_budget import REPEATS, budget_lines
from coilbench.analysis.curves.sweep_fit import HeightReading, Side
from coilbench.analysis.curves.uncertainty import Budget, BudgetLine, Measured, scatter_lines, split
from coilbench.analysis.sets.columns import Centre
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed

Verdict = Literal["lower", "higher", "cannot_tell"]
SharedRig = Literal["all", "load", "scale", "none"]
Stroke = list[
    tuple[float, HeightReading]
]  # one stroke's readings, each with its weight in the value


class Change(msgspec.Struct, frozen=True):
    """A load (N) or rate (N/mm) before, one spring's or some springs' mean, and how it changed.

    Attributes:
        measured: after less before.
        shared: what both were read with, so that its errors cancel: all of one calibration, its
            load part (the travel's datum was set again), one scale by hand, or none; the least of
            some springs.
        springs: measured both times.
    """

    before: float
    measured: Measured
    shared: SharedRig
    springs: int = 1

    @property
    def after(self) -> float:
        """The load or rate afterwards."""
        return self.before + self.measured.value

    @property
    def verdict(self) -> Verdict:
        """Lower or higher where the change is larger than its uncertainty."""
        if abs(self.measured.value) <= self.measured.u:
            return "cannot_tell"
        return "lower" if self.measured.value < 0.0 else "higher"


class SpringChange(msgspec.Struct, frozen=True):
    """One spring's changes: its loads at each height, and its rate; None where not measured."""

    label: str
    loads: tuple[Change | None, ...]
    rate: Change | None

    @property
    def changed(self) -> bool:
        """Whether any of them really changed."""
        known = [one for one in (*self.loads, self.rate) if one is not None]
        return any(one.verdict != "cannot_tell" for one in known)


class Comparison(msgspec.Struct, frozen=True):
    """Two measurements of the same springs.

    Attributes:
        means: one a height; None where no spring was measured there both times.
        unmatched: labels that stand in one of the two sets only.
    """

    before: str
    after: str
    heights_mm: tuple[float, ...]
    springs: tuple[SpringChange, ...]
    means: tuple[Change | None, ...]
    rate_mean: Change | None
    unmatched: tuple[str, ...]


def compare_sets(
    names: tuple[str, str],
    before: Sequence[SpringCurve],
    after: Sequence[SpringCurve],
    heights_mm: Sequence[float],
) -> Comparison:
    """Compare two measurements of the same springs, matched by their labels.

    Like is compared with like: loads of a branch that was measured both times. A change's
    uncertainty has the scatter of both; the rig's errors only where they don't cancel, since that
    part of the calibration is another one, or not known.

    Raises:
        CoilbenchError: no height, or no label stands in both.
    """
    if not heights_mm:
        raise CoilbenchError("no height to compare at", hint="Give one, like --at 38.5mm")
    then = {curve.label: curve for curve in before}
    now = {curve.label: curve for curve in after}
    both = [label for label in then if label in now]
    if not both:
        raise CoilbenchError(
            f"sets {names[0]!r} and {names[1]!r} have no measured spring of the same label",
            hint="Register the second with: coilbench set new "
            f"{as_typed(names[1])} --again {as_typed(names[0])}",
        )
    low_mm, high_mm = min(heights_mm), max(heights_mm)
    span_mm = high_mm - low_mm
    rate = {low_mm: 1.0 / span_mm, high_mm: -1.0 / span_mm} if span_mm > 0.0 else None
    springs = tuple(
        SpringChange(
            label,
            tuple(_change(then[label], now[label], {mm: 1.0}) for mm in heights_mm),
            None if rate is None else _change(then[label], now[label], rate),
        )
        for label in both
    )
    return Comparison(
        *names,
        tuple(heights_mm),
        springs,
        tuple(_mean([s.loads[at] for s in springs]) for at in range(len(heights_mm))),
        _mean([spring.rate for spring in springs]),
        tuple(label for label in dict.fromkeys([*then, *now]) if label not in both),
    )


def _change(
    before: SpringCurve, after: SpringCurve, weights: Mapping[float, float]
) -> Change | None:
    """Compare a sum of loads, {height_mm: weight}; None where no branch was measured both times."""
    for side in SIDES[before.branch]:
        strokes = _strokes(before, side, weights), _strokes(after, side, weights)
        if all(strokes):
            break
    else:
        return None
    values = [
        [math.fsum(w * reading.load_n for w, reading in one) for one in each] for each in strokes
    ]
    means = [float(np.mean(each)) for each in values]
    readings = [
        [(sign * w / len(each), reading) for one in each for w, reading in one]
        for sign, each in zip((-1.0, 1.0), strokes, strict=True)
    ]
    every = [reading for _, reading in readings[0] + readings[1]]
    known, by_hand = _zeros_known(every), _one_scale(every)
    together = [readings[0] + readings[1]] if known or by_hand else readings
    lines = [line for each in together for line in budget_lines(each)]
    lines += [line for each in readings if known for line in _repeats(each)]
    for each, value in zip(strokes, values, strict=True):
        lines += scatter_lines(value, _noises(each))
    measured = split(means[1] - means[0], Budget(tuple(lines)))
    shared: SharedRig = _shared(every) if known else "scale" if by_hand else "none"
    return Change(means[0], measured, shared)


def _strokes(curve: SpringCurve, side: Side, weights: Mapping[float, float]) -> list[Stroke]:
    """What each stroke says, all chosen points being one."""
    strokes = []
    for sweep in curve.sweeps:
        readings = [(weight, sweep.read(side, mm)) for mm, weight in weights.items()]
        seen = [(weight, reading) for weight, reading in readings if reading]
        if len(seen) == len(readings):
            strokes.append(seen)
    return strokes


def _one_scale(readings: Sequence[HeightReading]) -> bool:
    """Whether all were read off scales of one curve, or of none that is known: taken as one.

    Its calibration then is the same in all, and cancels.
    """
    hands = [one.sweep.hand for reading in readings for _, one in reading.points]
    curves = {None if h is None or h.setup.scale is None else h.setup.scale.fit for h in hands}
    by_hand = all(reading.points for reading in readings) and all(
        hand is not None for hand in hands
    )
    return by_hand and len(curves) == 1


def _zeros_known(readings: Sequence[HeightReading]) -> bool:
    """Whether all were read from a rig's counts with zeros of their own.

    What a calibration that they share is out by is then the same in all, and cancels.
    """
    return all(
        reading.sweep.rig is not None and reading.sweep.rig.zero_known for reading in readings
    )


def _shared(readings: Sequence[HeightReading]) -> SharedRig:
    """What of the calibration is one and the same for all of them."""
    rigs = [reading.sweep.rig for reading in readings if reading.sweep.rig is not None]
    if len({rig.calibration_id for rig in rigs}) == 1:
        return "all"
    return "load" if len({rig.calibration.load for rig in rigs}) == 1 else "none"


def _repeats(weighted: Sequence[tuple[float, HeightReading]]) -> list[BudgetLine]:
    """What another stroke would have shown, where there is one alone."""
    if len({id(reading.sweep) for _, reading in weighted}) > 1:
        return []
    return [line for line in budget_lines(weighted) if line.source in REPEATS]


def _noises(strokes: Sequence[Stroke]) -> list[float]:
    """Each stroke's own noise and that of its zero."""
    return [
        math.hypot(
            *(weight * math.hypot(reading.se_n, reading.sweep.zero_u_n) for weight, reading in one)
        )
        for one in strokes
    ]


def _mean(changes: Sequence[Change | None]) -> Change | None:
    known = [change for change in changes if change is not None]
    if not known:
        return None
    centre, u = Centre.of([change.measured for change in known]), 0.0
    shared = max((change.shared for change in known), key=get_args(SharedRig).index)
    if shared == "none":
        # another scale may read all springs alike too high: averaging does not reduce that
        u = fmean(change.measured.u for change in known)
    measured = Measured(centre.mean, u or centre.mean_u, u or centre.mean_u, strokes_rule=False)
    return Change(fmean(change.before for change in known), measured, shared, len(known))
