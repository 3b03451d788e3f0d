"""Judge a set of springs meant to be alike: which are weak, stiff, short, odd, or not known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coilbench.analysis.curves.curve import Rate, SpringCurve
from coilbench.analysis.sets.column import Column, take_column
from coilbench.analysis.sets.flags import (
    Flag,
    Remark,
    flags_of,
    length_remarks,
    load_remarks,
    missing_remark,
    shape_remarks,
)
from coilbench.analysis.sets.rules import FEWEST_FOR_MIDDLE, modified_z, shape_departures
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import Units

DEFAULT_TOLERANCE = 0.05  # common practice, no source


@dataclass(frozen=True)
class SetReading:
    """One spring's load at one height; load, uncertainty and deviation None if not measured.

    Attributes:
        load_u_n: expanded, k = 2.
        deviation: load over the set's median less 1; None where the set is too small for one.
    """

    height_mm: float
    load_n: float | None
    load_u_n: float | None
    deviation: float | None


@dataclass(frozen=True)
class SpringCheck:
    """One spring's numbers and flags.

    Attributes:
        rate_n_per_mm, rate_u_n_per_mm: between the highest and the lowest height asked for,
            where they are two; else over the curve's own window. None where unknown.
        flags: at most one a kind; empty for a spring that belongs.
    """

    label: str
    rate_n_per_mm: float | None
    rate_u_n_per_mm: float | None
    free_length_mm: float | None
    solid_height_mm: float | None
    readings: tuple[SetReading, ...]
    flags: tuple[Flag, ...]

    @property
    def set_apart(self) -> bool:
        """Whether it was found weak, stiff, short or odd; being unsure is no finding."""
        return any(flag.kind != "unsure" for flag in self.flags)


@dataclass(frozen=True)
class HeightSummary:
    """The set at one height.

    Attributes:
        mean_n, median_n: of the springs that were measured there.
        spread_n: sample standard deviation of their loads (n - 1); None for one spring.
        mean_u_n: expanded uncertainty (k = 2) of the mean: the mean of the springs'
            uncertainties, since they share one bench and its errors don't average out.
        springs: how many were measured there.
    """

    height_mm: float
    mean_n: float
    spread_n: float | None
    mean_u_n: float
    median_n: float
    springs: int


@dataclass(frozen=True)
class SetCheck:
    """A set judged at some heights."""

    name: str
    springs: tuple[SpringCheck, ...]
    summary: tuple[HeightSummary, ...]

    @property
    def flagged(self) -> tuple[str, ...]:
        """Labels of the springs that carry a flag."""
        return tuple(spring.label for spring in self.springs if spring.flags)


def check_set(
    name: str,
    curves: Sequence[SpringCurve],
    heights_mm: Sequence[float],
    *,
    tolerance: float = DEFAULT_TOLERANCE,
    nominal_n: Sequence[float | None] | None = None,
    nominal_tolerance_n: Sequence[float | None] | None = None,
    free_length_nominal_mm: float | None = None,
    units: Units | None = None,
) -> SetCheck:
    """Judge a set at some heights.

    A load is held against the set's median (from three springs up; two tired springs of twelve
    don't move it) and against a nominal load where one is given; from five springs up also
    against the set's own scatter by the modified z-score, whose MAD is never taken below the
    measurement's uncertainty.

    Args:
        name: the set's name.
        curves: one a spring.
        heights_mm: where to judge; one or more.
        tolerance: allowed deviation, as a fraction of the middle or nominal load.
        nominal_n: the load asked for at each height, None where there is none.
        nominal_tolerance_n: its tolerance; None takes `tolerance` of it.
        free_length_nominal_mm: the free length asked for.
        units: units of the reasons' words; kg and mm where None.

    Raises:
        CoilbenchError: no spring, no height, an impossible tolerance, or lists of unlike length.
        HeightNotMeasured: no spring at all was measured at a height.
    """
    shown = Units() if units is None else units
    _refuse_nonsense(curves, heights_mm, tolerance, nominal_n, nominal_tolerance_n)
    columns = [
        take_column(
            curves,
            height,
            tolerance,
            None if nominal_n is None else nominal_n[at],
            None if nominal_tolerance_n is None else nominal_tolerance_n[at],
        )
        for at, height in enumerate(heights_mm)
    ]
    lengths = _length_aims(curves, free_length_nominal_mm)
    shapes = _shape_remarks(curves, shown)
    springs = []
    for at, curve in enumerate(curves):
        remarks = [remark for column in columns for remark in _remarks(curve, column, at, shown)]
        if curve.free_length_mm is not None and curve.free_length_u_mm is not None:
            for aim_name, aim_mm in lengths:
                remarks += length_remarks(
                    curve.free_length_mm, curve.free_length_u_mm, aim_name, aim_mm, shown
                )
        springs.append(_spring(curve, columns, at, heights_mm, flags_of(remarks + shapes[at])))
    return SetCheck(name, tuple(springs), tuple(_summary(column) for column in columns))


def to_document(check: SetCheck) -> dict[str, Any]:
    """Write a check as the JSON document of `set check`: N and mm, unknown is None."""
    return {
        "set": check.name,
        "springs": [
            {
                "label": spring.label,
                "rate_n_per_mm": spring.rate_n_per_mm,
                "rate_u_n_per_mm": spring.rate_u_n_per_mm,
                "free_length_mm": spring.free_length_mm,
                "solid_height_mm": spring.solid_height_mm,
                "readings": [
                    {
                        "height_mm": reading.height_mm,
                        "load_n": reading.load_n,
                        "load_u_n": reading.load_u_n,
                        "deviation": reading.deviation,
                    }
                    for reading in spring.readings
                ],
                "flags": [{"kind": flag.kind, "reason": flag.reason} for flag in spring.flags],
            }
            for spring in check.springs
        ],
        "summary": [
            {
                "height_mm": height.height_mm,
                "mean_n": height.mean_n,
                "spread_n": height.spread_n,
                "mean_u_n": height.mean_u_n,
                "median_n": height.median_n,
                "springs": height.springs,
            }
            for height in check.summary
        ],
    }


def _refuse_nonsense(
    curves: Sequence[SpringCurve],
    heights_mm: Sequence[float],
    tolerance: float,
    *per_height: Sequence[float | None] | None,
) -> None:
    if not curves:
        raise CoilbenchError("no spring to check", mend="Measure some springs of the set first")
    if not heights_mm:
        raise CoilbenchError("no height to check at", mend="Give one, like --at 38.5mm")
    if not 0.0 < tolerance < 1.0:
        raise CoilbenchError(
            f"a tolerance of {tolerance:.6g} as a fraction is not between 0 and 1",
            mend="Write it like 5%",
        )
    for values in per_height:
        if values is not None and len(values) != len(heights_mm):
            raise CoilbenchError(
                f"{len(values)} nominal values for {len(heights_mm)} heights",
                mend="Give one for each height",
            )


def _remarks(curve: SpringCurve, column: Column, at: int, units: Units) -> list[Remark]:
    reading = column.readings[at]
    if reading is None:
        return [missing_remark((curve.lowest_mm, curve.highest_mm), column.height_mm, units)]
    return [
        remark
        for aim, of_the_set in column.aims
        for remark in load_remarks(
            reading.load_n,
            reading.load_u_n,
            column.height_mm,
            aim,
            column.z[at] if of_the_set else None,
            units,
        )
    ]


def _length_aims(
    curves: Sequence[SpringCurve], nominal_mm: float | None
) -> tuple[tuple[str, float], ...]:
    lengths = [curve.free_length_mm for curve in curves if curve.free_length_mm is not None]
    aims = [] if nominal_mm is None else [("the nominal", nominal_mm)]
    if len(lengths) >= FEWEST_FOR_MIDDLE:
        aims.append(("the set's middle of", float(np.median(lengths))))
    return tuple(aims)


def _shape_remarks(curves: Sequence[SpringCurve], units: Units) -> list[list[Remark]]:
    departures = shape_departures(curves)
    if departures is None:
        return [[] for _ in curves]
    z = modified_z(np.array([departure for departure, _ in departures]))
    return [
        shape_remarks(departure, height_mm, float(score), units)
        for (departure, height_mm), score in zip(departures, z, strict=True)
    ]


def _spring(
    curve: SpringCurve,
    columns: Sequence[Column],
    at: int,
    heights_mm: Sequence[float],
    flags: tuple[Flag, ...],
) -> SpringCheck:
    rate = _rate(curve, heights_mm)
    return SpringCheck(
        curve.label,
        None if rate is None else rate.rate_n_per_mm,
        None if rate is None else rate.rate_u_n_per_mm,
        curve.free_length_mm,
        curve.solid_height_mm,
        tuple(_set_reading(column, at) for column in columns),
        flags,
    )


def _rate(curve: SpringCurve, heights_mm: Sequence[float]) -> Rate | None:
    if max(heights_mm) == min(heights_mm):
        return curve.rate
    try:
        return curve.rate_between(max(heights_mm), min(heights_mm))
    except CoilbenchError:
        return None


def _set_reading(column: Column, at: int) -> SetReading:
    reading = column.readings[at]
    if reading is None:
        return SetReading(column.height_mm, None, None, None)
    middle = column.middle_n
    deviation = None if middle is None or middle == 0.0 else reading.load_n / middle - 1.0
    return SetReading(column.height_mm, reading.load_n, reading.load_u_n, deviation)


def _summary(column: Column) -> HeightSummary:
    known = [reading for reading in column.readings if reading is not None]
    loads = np.array([reading.load_n for reading in known])
    spread = float(np.std(loads, ddof=1)) if len(known) > 1 else None
    return HeightSummary(
        column.height_mm,
        math.fsum(loads) / len(known),
        spread,
        math.fsum(reading.load_u_n for reading in known) / len(known),
        float(np.median(loads)),
        len(known),
    )
