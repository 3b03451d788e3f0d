"""Judge a set of springs meant to be alike: weak, stiff, short, odd, or unsure. Pure.

The judgement of a set in the book is made by analysis.inputs.measured.judge_set, which gives
check_set all that the book holds.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

import numpy as np

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.uncertainty import Measured
from coilbench.analysis.sets.outliers import (
    FEWEST_FOR_MIDDLE,
    Centre,
    Column,
    Departure,
    Esd,
    load_columns,
    make_column,
    odd_shapes,
    rate_column,
    shape_departures,
)
from coilbench.analysis.sets.rulings import (
    Aim,
    Doubt,
    Flag,
    LengthAim,
    Nominal,
    Ruling,
    flags_of,
    length_ruling,
    missing_ruling,
    outlier_ruling,
    shape_ruling,
    strokes_ruling,
    tolerance_ruling,
)
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import counted


@dataclass(frozen=True)
class SetReading:
    """One spring's load at one height; all None where it was not measured there.

    Attributes:
        load_u_n: expanded, k = 2.
        deviation_n, deviation: load less the set's median, and as a fraction of it; None where
            the set is too small for one.
        nominal_deviation: load over the nominal less 1; None where there is none.
    """

    height_mm: float
    load_n: float | None
    load_u_n: float | None
    deviation_n: float | None
    deviation: float | None
    nominal_deviation: float | None


@dataclass(frozen=True)
class SpringCheck:
    """One spring's numbers and flags.

    Attributes:
        rate_n_per_mm, rate_u_n_per_mm: between the highest and the lowest height asked for,
            where they are two; else over the curve's own window. None where unknown.
        rate_deviation: rate over the set's median rate less 1; None where there is none.
        rulings: what every rule that looked at it says.
        flags: at most one a kind; empty for a spring that belongs.
    """

    label: str
    rate_n_per_mm: float | None
    rate_u_n_per_mm: float | None
    rate_deviation: float | None
    free_length_mm: float | None
    solid_height_mm: float | None
    readings: tuple[SetReading, ...]
    rulings: tuple[Ruling, ...] = field(metadata={"json": None})
    flags: tuple[Flag, ...]

    @property
    def set_apart(self) -> bool:
        """Whether it was found weak, stiff, short or odd; being unsure is no finding."""
        return any(flag.kind != "unsure" for flag in self.flags)


OutlierTest = float | Literal["rate", "shape"]  # a load's at a height in mm, or another


@dataclass(frozen=True)
class HeightSummary:
    """The set at one height.

    Attributes:
        centre: of the loads there, N.
        nominal_n: the load asked for; None where there is none.
    """

    height_mm: float
    centre: Centre
    nominal_n: float | None


@dataclass(frozen=True)
class SetCheck:
    """A set judged at some heights.

    Attributes:
        rate: of the springs' rates, N/mm; None where no rate is known.
        tolerance: as a fraction.
        alpha: how often a sound set may raise any false alarm of standing apart.
        tests: what shares it in equal parts: each height, the rate, the shape.
    """

    name: str
    springs: tuple[SpringCheck, ...]
    summary: tuple[HeightSummary, ...]
    rate: Centre | None
    tolerance: float
    alpha: float
    tests: tuple[OutlierTest, ...]

    @property
    def alpha_each(self) -> float:
        """Each test's share of alpha (Bonferroni)."""
        return self.alpha / len(self.tests)

    @property
    def flagged(self) -> tuple[str, ...]:
        """Labels of the springs that carry a flag."""
        return tuple(spring.label for spring in self.springs if spring.flags)

    def spring(self, label: str) -> SpringCheck:
        """Return the spring of that label.

        Raises:
            CoilbenchError: it was not checked.
        """
        for spring in self.springs:
            if spring.label == label:
                return spring
        raise CoilbenchError(
            f"no spring {label!r} was checked in set {self.name!r}",
            hint="Name one of the table, or measure it first",
        )


DEFAULT_TOLERANCE = 0.05  # common practice, no source
DEFAULT_ALPHA = 0.05


def check_set(
    name: str,
    curves: Sequence[SpringCurve],
    heights_mm: Sequence[float],
    *,
    tolerance: float = DEFAULT_TOLERANCE,
    alpha: float = DEFAULT_ALPHA,
    nominals: Sequence[Nominal | None] | None = None,
    nominal_rate: Aim | None = None,
    free_length_nominal_mm: float | None = None,
    doubts: Mapping[str, Doubt] | None = None,
) -> SetCheck:
    """Judge a set at some heights.

    Loads and rates are held against the set's median (from three springs up; a few tired springs
    don't move it), loads also against a nominal where one is given: so a wholly tired set shows.
    From five springs up the generalised ESD test says which ones stand apart from the others. Its
    false-alarm rate alpha holds for the whole set: each test (a height, the rate, the shape) gets
    an equal share (Bonferroni), so that a sound set raises one at most that often.

    Against the set only the part of the uncertainty that springs of one bench do not share counts,
    against a nominal all of it.

    Args:
        name: the set's name.
        curves: one a spring.
        heights_mm: where to judge; one or more.
        tolerance: allowed deviation, as a fraction of the middle or nominal load.
        alpha: how often a sound set may raise any false alarm of standing apart.
        nominals: the load asked for at each height, None where there is none.
        nominal_rate: the rate asked for.
        free_length_nominal_mm: the free length asked for.
        doubts: why no stroke of a spring can be relied on, by label.

    Raises:
        CoilbenchError: no spring, no height, an impossible tolerance, or lists of unlike length.
        HeightNotMeasured: no spring at all was measured at a height.
    """
    _refuse_nonsense(curves, heights_mm, tolerance, alpha, nominals)
    lengths: list[tuple[LengthAim, float]] = []
    if free_length_nominal_mm is not None:
        lengths.append(("nominal", free_length_nominal_mm))
    known = [curve.free_length_mm for curve in curves if curve.free_length_mm is not None]
    if len(known) >= FEWEST_FOR_MIDDLE:
        lengths.append(("set", float(np.median(known))))
    asked = (None,) * len(heights_mm) if nominals is None else tuple(nominals)
    judge = _Judge(
        tuple(curves),
        tuple(heights_mm),
        asked,
        nominal_rate,
        tuple(lengths),
        tolerance,
        alpha,
        {} if doubts is None else doubts,
    )
    return SetCheck(
        name,
        tuple(judge.spring(at) for at in range(len(curves))),
        judge.summary(),
        judge.rate.centre,
        tolerance,
        alpha,
        judge.tests,
    )


@dataclass(frozen=True)
class _Judge:
    """A set laid out for judging: its columns are made once, each spring is judged in turn.

    Attributes:
        nominals: one a height.
        lengths: free lengths to hold against, mm.
    """

    curves: tuple[SpringCurve, ...]
    heights_mm: tuple[float, ...]
    nominals: tuple[Nominal | None, ...]
    nominal_rate: Aim | None
    lengths: tuple[tuple[LengthAim, float], ...]
    tolerance: float
    alpha: float
    doubts: Mapping[str, Doubt]

    @cached_property
    def _loads(self) -> list[tuple[Measured | None, ...]]:
        return load_columns(self.curves, self.heights_mm)

    @cached_property
    def _rates(self) -> tuple[Measured | None, ...]:
        return rate_column(self.curves, self.heights_mm)

    @cached_property
    def _departures(self) -> list[Departure] | None:
        return shape_departures(self.curves)

    @cached_property
    def tests(self) -> tuple[OutlierTest, ...]:
        """What shares alpha: each height, the rate, the shape."""
        tests: list[OutlierTest] = list(dict.fromkeys(self.heights_mm))
        tests += ["rate"] if any(rate is not None for rate in self._rates) else []
        tests += [] if self._departures is None else ["shape"]
        return tuple(tests)

    @cached_property
    def columns(self) -> tuple[Column, ...]:
        """The loads, one column a height."""
        share = self.alpha / len(self.tests)
        return tuple(
            make_column(mm, loads, share)
            for mm, loads in zip(self.heights_mm, self._loads, strict=True)
        )

    @cached_property
    def rate(self) -> Column:
        """The rates."""
        return make_column(None, self._rates, self.alpha / len(self.tests))

    @cached_property
    def _odd(self) -> Esd | None:
        if self._departures is None:
            return None
        return odd_shapes(self._departures, self.alpha / len(self.tests))

    def summary(self) -> tuple[HeightSummary, ...]:
        """The set at each height."""
        return tuple(
            HeightSummary(mm, column.centre, None if nominal is None else nominal.load_n)
            for mm, column, nominal in zip(
                self.heights_mm, self.columns, self.nominals, strict=True
            )
            if column.centre is not None
        )

    def spring(self, at: int) -> SpringCheck:
        """Judge one spring."""
        curve, rate = self.curves[at], self.rate.measured[at]
        rulings = tuple(self._rulings(at))
        return SpringCheck(
            label=curve.label,
            rate_n_per_mm=None if rate is None else rate.value,
            rate_u_n_per_mm=None if rate is None else rate.u,
            rate_deviation=_share(rate, self.rate.middle),
            free_length_mm=curve.free_length_mm,
            solid_height_mm=curve.solid_height_mm,
            readings=tuple(
                _reading(column, at, nominal)
                for column, nominal in zip(self.columns, self.nominals, strict=True)
            ),
            rulings=rulings,
            flags=flags_of(rulings),
        )

    def _rulings(self, at: int) -> Iterator[Ruling]:
        curve = self.curves[at]
        if curve.label in self.doubts:
            yield strokes_ruling(curve.label, self.doubts[curve.label])
        for mm, column, nominal in zip(self.heights_mm, self.columns, self.nominals, strict=True):
            if column.measured[at] is None:
                yield missing_ruling(curve, mm)
            aim = None if nominal is None else nominal.aim(self.tolerance)
            yield from self._column_rulings(column, at, aim)
        yield from self._column_rulings(self.rate, at, self.nominal_rate)
        for aim_is, aim_mm in self.lengths:
            ruling = length_ruling(curve, aim_is, aim_mm)
            if ruling is not None:
                yield ruling
        if self._departures is not None:
            yield shape_ruling(curve.label, self._departures[at], self._odd, at)

    def _column_rulings(self, column: Column, at: int, nominal: Aim | None) -> Iterator[Ruling]:
        measured, middle, label = column.measured[at], column.middle, self.curves[at].label
        if measured is None:
            return
        if nominal is not None:
            yield tolerance_ruling(label, measured, column.height_mm, nominal, measured.u)
        if middle is not None:
            aim = Aim("set tolerance", middle, self.tolerance * abs(middle))
            yield tolerance_ruling(label, measured, column.height_mm, aim, column.away_u(at))
            ruling = outlier_ruling(label, column, at, aim.tolerance)
            if ruling is not None:
                yield ruling


def _share(measured: Measured | None, middle: float | None) -> float | None:
    if measured is None or middle is None or middle == 0.0:
        return None
    return measured.value / middle - 1.0


def _reading(column: Column, at: int, nominal: Nominal | None) -> SetReading:
    measured, middle = column.measured[at], column.middle
    height_mm = 0.0 if column.height_mm is None else column.height_mm
    if measured is None:
        return SetReading(height_mm, None, None, None, None, None)
    return SetReading(
        height_mm,
        measured.value,
        measured.u,
        None if middle is None else measured.value - middle,
        _share(measured, middle),
        _share(measured, None if nominal is None else nominal.load_n),
    )


def _refuse_nonsense(
    curves: Sequence[SpringCurve],
    heights_mm: Sequence[float],
    tolerance: float,
    alpha: float,
    nominals: Sequence[Nominal | None] | None,
) -> None:
    if not curves:
        raise CoilbenchError("no spring to check", hint="Measure some springs of the set first")
    if not heights_mm:
        raise CoilbenchError(
            "no height to check at",
            hint="Give one, like --at 38.5mm, or keep one: coilbench set nominal NAME 24kg@38.5mm",
        )
    for what, share in (("tolerance", tolerance), ("false-alarm rate", alpha)):
        if not 0.0 < share < 1.0:
            raise CoilbenchError(
                f"a {what} of {share:.6g} as a fraction is not between 0 and 1",
                hint="Write it like 5%",
            )
    if nominals is not None and len(nominals) != len(heights_mm):
        raise CoilbenchError(
            f"{counted(len(nominals), 'nominal load')} for {counted(len(heights_mm), 'height')}",
            hint="Give one for each height",
        )
