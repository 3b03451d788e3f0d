"""All springs of a set side by side, and every rule's ruling on each of them. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import msgspec
import numpy as np

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.lengths import LEAST_SPAN_MM, FoundHeight
from coilbench.analysis.curves.loads_end import LengthContradicted, contradicted
from coilbench.analysis.curves.not_measured import HeightNotMeasured
from coilbench.analysis.curves.uncertainty import split
from coilbench.analysis.sets.columns import FEWEST_FOR_MIDDLE, Alike, Column, Sided
from coilbench.analysis.sets.outliers import FEWEST_FOR_ESD, Esd
from coilbench.analysis.sets.rulings import (
    Doubt,
    LengthTarget,
    Nominal,
    Outcome,
    Ruling,
    Target,
    guarded,
)
from coilbench.capture.calibration.statistics import median, medians
from coilbench.capture.errors import CoilbenchError

if TYPE_CHECKING:
    from coilbench.analysis.curves.curve import SpringCurve


SHORT_SHARE = 0.02  # of the free length; common practice, no source
ODD_SHARE = 0.01  # of the mean load; ours, no source
# The shape's rules are ours, no source.
SHAPE_HEIGHTS = 60
SHAPE_BIND_MM = 1.0  # heights nearer to solid than this are coil bind's, not the spring's shape
SHAPE_TOP_SHARE = 0.1  # of the deflection, where end coils are still closing
OutlierTest = float | Literal["rate", "shape"]  # a load's at a height in mm, or another


class _Departure(NamedTuple):
    """How far a spring's shape departs from the set's (rms, and most where), over its mean load."""

    rms: float
    largest: float
    height_mm: float


def _shape_departures(curves: Sequence[SpringCurve]) -> list[_Departure] | None:
    """How far each spring's shape departs from the set's.

    Every curve is divided by its own mean, so that a weak spring of good shape stays in. The
    set's shape is the median at each height. Each curve is then laid on it with the best scale
    and shift (least squares: a rate and a free length of its own), and what is left is its
    departure: a bend that the others don't have.

    None where the springs are few, were not sampled densely, or share no range of heights.
    """
    if len(curves) < FEWEST_FOR_ESD or not all(s.dense for curve in curves for s in curve.sweeps):
        return None
    bottom, top = _shared_range_mm(curves)
    if top - bottom < SHAPE_BIND_MM:
        return None
    heights = np.linspace(bottom, top, SHAPE_HEIGHTS)
    loads = np.array([curve.loads_n_at(heights) for curve in curves])
    means = loads.mean(axis=1, keepdims=True)
    if np.any(means <= 0.0):
        return None
    shapes = loads / means
    design = np.column_stack([medians(shapes.T), np.ones(heights.size)])
    laid, *_ = np.linalg.lstsq(design, shapes.T)
    left = np.abs(shapes.T - design @ laid)
    worst = np.argmax(left, axis=0)
    rms = np.sqrt(np.mean(left**2, axis=0))
    return [
        _Departure(float(rms[i]), float(left[at, i]), float(heights[at]))
        for i, at in enumerate(worst)
    ]


def _odd_shapes(departures: Sequence[_Departure], alpha: float) -> Esd | None:
    """Look for departures that are larger than the others'.

    The mean square of a smooth residual is a sum of a few chi-square variables; its cube root is
    nearly normal (Wilson and Hilferty, Proc. Natl. Acad. Sci. 17, 1931, from memory), so that the
    outlier test keeps its false-alarm rate on it.
    """
    return Esd.of([departure.rms ** (2.0 / 3.0) for departure in departures], alpha)


def _shared_range_mm(curves: Sequence[SpringCurve]) -> tuple[float, float]:
    """Heights that every branch of every sweep has, between coil bind and closing end coils."""
    fits = [
        fit
        for curve in curves
        for sweep in curve.sweeps
        for fit in (sweep.loading, sweep.unloading)
        if fit is not None
    ]
    bottom = max(fit.lowest_mm for fit in fits)
    top = min(fit.highest_mm for fit in fits)
    solids = [c.solid_height_mm for c in curves if c.solid_height_mm is not None]
    if solids:
        bottom = max(bottom, max(solids) + SHAPE_BIND_MM)
    lengths = [c.free_length_mm for c in curves if c.free_length_mm is not None]
    if lengths:
        top = min(top, min(lengths) - SHAPE_TOP_SHARE * (min(lengths) - bottom))
    return bottom, top


class SetColumns(msgspec.Struct, frozen=True, dict=True):
    """A set laid out for judging: its columns are made once, each spring is judged in turn.

    Attributes:
        nominals: one a height.
        free_length_nominal_mm: the free length asked for; None for none.
    """

    curves: tuple[SpringCurve, ...]
    heights_mm: tuple[float, ...]
    nominals: tuple[Nominal | None, ...]
    nominal_rate: Target | None
    free_length_nominal_mm: float | None
    tolerance: float
    alpha: float
    doubts: Mapping[str, Doubt]

    @cached_property
    def _rates(self) -> Alike:
        """Between the highest and the lowest height, else over each spring's own window."""
        return rates_between(self.curves, max(self.heights_mm), min(self.heights_mm))

    @cached_property
    def _departures(self) -> list[_Departure] | None:
        return _shape_departures(self.curves)

    @cached_property
    def tests(self) -> tuple[OutlierTest, ...]:
        """What shares alpha: each height, the rate, the shape."""
        tests: list[OutlierTest] = list(dict.fromkeys(self.heights_mm))
        tests += ["rate"] if any(rate is not None for rate in self._rates.measured) else []
        tests += [] if self._departures is None else ["shape"]
        return tuple(tests)

    @property
    def _alpha_each(self) -> float:
        return self.alpha / len(self.tests)

    @cached_property
    def loads(self) -> tuple[Column, ...]:
        """One column a height."""
        for curve in self.curves:
            curve.read(self.heights_mm)  # all at once is sooner
        return tuple(
            Column.of(mm, loads_at(self.curves, mm), self._alpha_each) for mm in self.heights_mm
        )

    @cached_property
    def rate(self) -> Column:
        """The rates."""
        return Column.of(None, self._rates, self._alpha_each)

    @cached_property
    def _odd(self) -> Esd | None:
        return None if self._departures is None else _odd_shapes(self._departures, self._alpha_each)

    @cached_property
    def _lengths(self) -> list[tuple[LengthTarget, float]]:
        """Free lengths to hold against, mm."""
        nominal_mm, lengths = self.free_length_nominal_mm, list[tuple[LengthTarget, float]]()
        if nominal_mm is not None:
            lengths.append(("nominal", nominal_mm))
        known = [
            one.own_length.height_mm
            for one in self.curves
            if one.own_length is not None and length_contradicted(one) is None
        ]
        if len(known) >= FEWEST_FOR_MIDDLE:
            lengths.append(("set", median(np.array(known))))
        return lengths

    def rulings(self, at: int) -> Iterator[Ruling]:
        """Return what every rule that looked at a spring says of it."""
        curve = self.curves[at]
        label = curve.label
        doubt = self.doubts.get(label)
        if doubt is not None:
            facts: dict[str, Any] = {"strokes": doubt.strokes, "kinds": doubt.kinds}
            yield Ruling("strokes", label, None, "unsure", math.inf, facts)
        for column, nominal in zip(self.loads, self.nominals, strict=True):
            if column.measured[at] is None:
                facts = {"lowest_mm": curve.lowest_mm, "highest_mm": curve.highest_mm}
                yield Ruling("measured", label, column.height_mm, "unsure", math.inf, facts)
            target = None if nominal is None else nominal.target(self.tolerance)
            yield from column.rulings(label, at, self.tolerance, target)
        yield from self.rate.rulings(label, at, self.tolerance, self.nominal_rate)
        yield from _length_loads_ruling(curve)
        for target_is, target_mm in self._lengths:
            yield from _length_ruling(curve, target_is, target_mm)
        if self._departures is not None:
            yield _shape_ruling(label, self._departures[at], self._odd, at)


def _length_ruling(
    curve: SpringCurve, target_is: LengthTarget, target_mm: float
) -> Iterator[Ruling]:
    """Judge a free length: short where it is below SHORT_SHARE by more than its uncertainty.

    An unsure length is no flag: the loads decide. So is one that its own loads contradict. Nothing
    where the length was not measured.
    """
    if curve.own_length is None:
        return
    length_mm, u_mm = curve.own_length
    short_mm, limit_mm = target_mm - length_mm, SHORT_SHARE * target_mm
    wrong = length_contradicted(curve) is not None
    outcome = "unsure" if wrong else guarded(short_mm, limit_mm, u_mm, "short")
    facts: dict[str, Any] = {"length_mm": length_mm, "target_mm": target_mm, "target": target_is}
    facts |= {"length_u_mm": u_mm, "length_from": curve.length_from}
    facts["contradicted"] = wrong
    times, flagged = short_mm / limit_mm, outcome == "short"
    yield Ruling("free_length", curve.label, None, outcome, times, facts, flagged)


def _length_loads_ruling(curve: SpringCurve) -> Iterator[Ruling]:
    """Find a free length by caliper that the spring's own loads contradict; nothing where none."""
    found = length_contradicted(curve)
    if found is not None:
        facts = {"length_mm": found.length.height_mm, "length_u_mm": found.length.height_u_mm}
        facts |= {"ends_mm": found.ends.height_mm, "ends_u_mm": found.ends.height_u_mm}
        facts["shape_known"] = found.shape_known
        yield Ruling("length_loads", curve.label, None, "unsure", math.inf, facts)


def _shape_ruling(spring: str, departure: _Departure, esd: Esd | None, at: int) -> Ruling:
    """Judge a curve's shape: apart from the set's, and by more than ODD_SHARE of its mean load."""
    facts = {"departure_share": departure.largest, "departure_mm": departure.height_mm}
    facts |= {} if esd is None else esd.distance(at)
    apart = facts.get("apart", False) and facts["deviations"] > 0.0
    outcome: Outcome = "odd" if apart and departure.largest > ODD_SHARE else "pass"
    facts["apart_within"] = apart and outcome == "pass"
    return Ruling("shape", spring, None, outcome, departure.largest / ODD_SHARE, facts)


def loads_at(curves: Sequence[SpringCurve], height_mm: float) -> Alike:
    """Read every spring at a height.

    Raises:
        HeightNotMeasured: no spring at all was measured there.
    """

    def read(curve: SpringCurve) -> Sided:
        with suppress(HeightNotMeasured):
            found = curve.load_at(height_mm)
            one = next((note.side for note in found.notes if note.kind == "one_branch"), None)
            return split(found.load_n, found.budget), one or "both"
        return None

    found = Alike.of(curves, read)
    if all(one is None for one in found.measured):
        curves[0].load_at(height_mm)  # raises, and says what was measured
    return found


def rates_between(curves: Sequence[SpringCurve], high_mm: float, low_mm: float) -> Alike:
    """Read every spring's rate between two heights; over its own window where they are the same."""

    def read(curve: SpringCurve) -> Sided:
        with suppress(CoilbenchError):
            same = high_mm == low_mm
            rate = curve.rate if same else curve.rate_between(high_mm, low_mm)
            if rate is not None:
                return split(rate.rate_n_per_mm, rate.budget), rate.side
        return None

    return Alike.of(curves, read)


def length_contradicted(curve: SpringCurve) -> LengthContradicted | None:
    """Return a free length that the spring's own loads contradict by more than both may be off."""
    length, ends = curve.by_hand, loads_end(curve)
    if length is None or ends is None:
        return None
    carried_mm = 0.0 if curve.contact is not None else ends.height_mm - curve.highest_mm
    return contradicted(length, ends, carried_mm, curve.lowest_mm)


def loads_end(curve: SpringCurve) -> FoundHeight | None:
    """Return first contact, else where the line through the loads comes to none.

    The line goes through the ends of what was read of one branch; its uncertainty is that of both
    loads. None where that is one height alone, or its loads don't fall.
    """
    if curve.contact is not None:
        return curve.contact
    high_mm, low_mm = curve.rated_mm
    if high_mm - low_mm < LEAST_SPAN_MM:
        return None
    with suppress(CoilbenchError):
        rate, high = curve.rate_between(low_mm, high_mm), curve.load_at(high_mm)
        if rate.rate_n_per_mm <= 0.0 or high.load_n <= 0.0:
            return None
        left_mm = high.load_n / rate.rate_n_per_mm
        u_mm = math.hypot(high.load_u_n, left_mm * rate.rate_u_n_per_mm) / rate.rate_n_per_mm
        return FoundHeight(high_mm + left_mm, u_mm)
    return None
