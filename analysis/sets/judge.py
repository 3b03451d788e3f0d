"""Judge a set of springs meant to be alike: weak, stiff, short, odd, or unsure. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import repeat
from typing import ClassVar

import msgspec

from coilbench.analysis.choices import DEFAULT_ALPHA, DEFAULT_TOLERANCE
from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.lengths import LengthFrom
from coilbench.analysis.curves.sweep_fit import Way
from coilbench.analysis.curves.uncertainty import Measured
from coilbench.analysis.sets.columns import Centre, Column
from coilbench.analysis.sets.rulings import Doubt, Flag, Nominal, Ruling, Target
from coilbench.analysis.sets.set_columns import OutlierTest, SetColumns
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import counted


class SetReading(msgspec.Struct, frozen=True):
    """One spring's load at one height (u: k = 2); all None where it was not measured there.

    Attributes:
        deviation_n, deviation: load less the set's median, and as a fraction of it, both of the
            ways that are compared; None where the set is too small for one, or it has not these.
        nominal_deviation: load over the nominal less 1; None where there is none.
    """

    height_mm: float
    load_n: float | None
    load_u_n: float | None
    deviation_n: float | None
    deviation: float | None
    nominal_deviation: float | None


class SpringCheck(msgspec.Struct, frozen=True):
    """One spring's numbers and flags.

    Attributes:
        rate_n_per_mm, rate_u_n_per_mm: between the highest and the lowest height asked for,
            where they are two; else over the curve's own window. None where unknown.
        rate_deviation: rate over the set's median rate less 1; None where there is none.
        free_length_mm, free_length_from: as measured, by hand or by first contact; None where it
            was not.
        flags: at most one a kind; empty for a spring that belongs.
    """

    in_json: ClassVar = {"rulings": None}
    label: str
    rate_n_per_mm: float | None
    rate_u_n_per_mm: float | None
    rate_deviation: float | None
    free_length_mm: float | None
    free_length_u_mm: float | None
    free_length_from: LengthFrom | None
    solid_height_mm: float | None
    readings: tuple[SetReading, ...]
    rulings: tuple[Ruling, ...]
    flags: tuple[Flag, ...]

    @property
    def set_apart(self) -> bool:
        """Whether it was found weak, stiff, short or odd; being unsure is no finding."""
        return any(flag.kind != "unsure" for flag in self.flags)

    @property
    def apart_within(self) -> tuple[Ruling, ...]:
        """What of it stands apart from the others within tolerance; of one set apart nothing."""
        found = [] if self.set_apart else [one for one in self.rulings if one.apart_within]
        return tuple(sorted(found, key=lambda ruling: -ruling.times_limit))


class HeightSummary(msgspec.Struct, frozen=True):
    """The set's loads at one height, N.

    Attributes:
        nominal_n: the one asked for; None where there is none.
        compared_way: the one way by which all are compared, since some have no other; None where
            all were pressed the same ways.
    """

    height_mm: float
    centre: Centre
    nominal_n: float | None
    compared_way: Way | None = None


class SetCheck(msgspec.Struct, frozen=True):
    """A set judged at some heights; no rate where none is known.

    Attributes:
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

    @property
    def apart_within(self) -> tuple[str, ...]:
        """Labels of the springs that stand apart from the others, but within tolerance."""
        return tuple(spring.label for spring in self.springs if spring.apart_within)

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


def check_set(
    name: str,
    curves: Sequence[SpringCurve],
    heights_mm: Sequence[float],
    *,
    tolerance: float = DEFAULT_TOLERANCE,
    alpha: float = DEFAULT_ALPHA,
    nominals: Sequence[Nominal | None] | None = None,
    nominal_rate: Target | None = None,
    free_length_nominal_mm: float | None = None,
    doubts: Mapping[str, Doubt] | None = None,
) -> SetCheck:
    """Judge a set at some heights.

    Loads and rates are compared with the set's median (from three springs up; a few tired springs
    don't move it), also with a nominal where one is given: so a set tired as a whole shows.
    From five springs up the generalised ESD test says which ones stand apart from the others. Its
    false-alarm rate alpha holds for the whole set: each test (a height, the rate, the shape) gets
    an equal share (Bonferroni), so that a sound set raises one at most that often.

    Where a spring has one way of pressing alone, all are compared by the way that most have.

    Within the set only the part of the uncertainty counts that the springs do not share; with a
    nominal, all of it.

    Args:
        tolerance: allowed deviation, as a fraction of the middle or nominal load.
        nominals: the load asked for at each height, None where there is none.
        doubts: why no stroke of a spring can be relied on, by label.

    Raises:
        CoilbenchError: no spring, no height, an impossible tolerance, or lists of unlike length.
        HeightNotMeasured: no spring at all was measured at a height.
    """
    columns = SetColumns(
        tuple(curves),
        tuple(heights_mm),
        (None,) * len(heights_mm) if nominals is None else tuple(nominals),
        nominal_rate,
        free_length_nominal_mm,
        tolerance,
        alpha,
        {} if doubts is None else doubts,
    )
    _refuse_nonsense(columns)
    return SetCheck(
        name,
        tuple(_checked(columns, at) for at in range(len(curves))),
        tuple(
            HeightSummary(
                mm, column.centre, None if nominal is None else nominal.load_n, column.read.way
            )
            for mm, column, nominal in zip(
                columns.heights_mm, columns.loads, columns.nominals, strict=True
            )
            if column.centre is not None
        ),
        columns.rate.centre,
        tolerance,
        alpha,
        columns.tests,
    )


def _checked(columns: SetColumns, at: int) -> SpringCheck:
    curve, rate = columns.curves[at], columns.rate.measured[at]
    length_mm, length_u_mm = curve.own_length or (None, None)
    rulings = tuple(columns.rulings(at))
    readings = map(_reading, columns.loads, columns.heights_mm, columns.nominals, repeat(at))
    return SpringCheck(
        curve.label,
        None if rate is None else rate.value,
        None if rate is None else rate.u,
        _share(columns.rate.read.compared[at], columns.rate.middle),
        length_mm,
        length_u_mm,
        curve.length_from,
        curve.solid_height_mm,
        tuple(readings),
        rulings,
        Flag.all_of(rulings),
    )


def _share(measured: Measured | None, middle: float | None) -> float | None:
    if measured is None or middle is None or middle == 0.0:
        return None
    return measured.value / middle - 1.0


def _reading(column: Column, height_mm: float, nominal: Nominal | None, at: int) -> SetReading:
    measured, compared, middle = column.measured[at], column.read.compared[at], column.middle
    if measured is None:
        return SetReading(height_mm, None, None, None, None, None)
    return SetReading(
        height_mm,
        measured.value,
        measured.u,
        None if middle is None or compared is None else compared.value - middle,
        _share(compared, middle),
        _share(measured, None if nominal is None else nominal.load_n),
    )


def _refuse_nonsense(columns: SetColumns) -> None:
    if not columns.curves:
        raise CoilbenchError("no spring to check", hint="Measure some springs of the set first")
    if not columns.heights_mm:
        raise CoilbenchError(
            "no height to check at",
            hint="Give one, like --at 38.5mm, or keep one: coilbench set nominal NAME 24kg@38.5mm",
        )
    for what, share in (("tolerance", columns.tolerance), ("false-alarm rate", columns.alpha)):
        if not 0.0 < share < 1.0:
            raise CoilbenchError(
                f"a {what} of {share:.6g} as a fraction is not between 0 and 1",
                hint="Write it like 5%",
            )
    loads, heights = len(columns.nominals), len(columns.heights_mm)
    if loads != heights:
        raise CoilbenchError(
            f"{counted(loads, 'nominal load')} for {counted(heights, 'height')}",
            hint="Give one for each height",
        )
