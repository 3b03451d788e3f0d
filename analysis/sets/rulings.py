"""The rules that judge one spring of a set, and the flags that follow. Pure.

A rule answers with a Ruling: its outcome and the numbers behind it. Besides the set itself a
spring is held against what was asked for: nominal loads, a rate, a free length.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Literal

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.uncertainty import Measured
from coilbench.analysis.sets.outliers import Column, Departure, Esd
from coilbench.analysis.sets.stroke_choice import Doubt
from coilbench.capture.book.nominals import SAME_HEIGHT_MM, SetNominal
from coilbench.capture.errors import CoilbenchError

FlagKind = Literal["weak", "stiff", "short", "odd", "unsure"]
Outcome = Literal["pass", "weak", "stiff", "short", "odd", "unsure"]
LengthAim = Literal["nominal", "set"]
RuleName = Literal[
    "measured", "strokes", "nominal", "set tolerance", "set outlier", "free length", "shape"
]

# Of the tolerance: nearer to the middle, no outlier is a finding; ours, no source.
OUTLIER_LEAST_SHARE = 0.5
SHORT_SHARE = 0.02  # of the free length; common practice, no source
ODD_SHARE = 0.01  # of the mean load; ours, no source
ROUNDING = 1e-9  # a load exactly at its limit is inside, however it was rounded


@dataclass(frozen=True, kw_only=True)
class Ruling:
    """One rule's answer on one spring; each kind of rule adds its numbers.

    Attributes:
        spring: the spring's label.
        height_mm: where it was judged; None for the rate, the free length and the shape.
        outcome: pass, a finding, or unsure where the uncertainty leaves it open.
        times_limit: how many times its limit the deviation is; infinite where it has no limit.
        flagged: whether an outcome other than pass becomes a flag.
    """

    rule: RuleName
    spring: str
    height_mm: float | None = None
    outcome: Outcome
    times_limit: float
    flagged: bool = field(default=True, metadata={"json": None})


@dataclass(frozen=True)
class Aim:
    """What a load (N) or rate (N/mm) is held against: the set's middle or a nominal."""

    rule: Literal["nominal", "set tolerance"]
    value: float
    tolerance: float


@dataclass(frozen=True, kw_only=True)
class ToleranceRuling(Ruling):
    """A load in N, or without a height a rate in N/mm, against an aim.

    Attributes:
        uncertainty: expanded (k = 2), of the difference.
        strokes_rule: whether the strokes' scatter is most of it, so that more strokes help.
    """

    measured: float
    aim: float
    tolerance: float
    uncertainty: float
    strokes_rule: bool


def tolerance_ruling(
    spring: str, measured: Measured, height_mm: float | None, aim: Aim, u: float
) -> ToleranceRuling:
    """Judge one load or rate against one aim, with the uncertainty as a guard band on both sides.

    Outside the tolerance by more than the uncertainty: weak or stiff. Inside by more: pass.
    Between: unsure. An unsure rate is no flag: the loads decide.

    Args:
        spring: the label.
        measured: the load or rate.
        height_mm: where; None for a rate.
        aim: what it is held against.
        u: expanded uncertainty (k = 2) of the difference.

    References:
        ISO 14253-1, its decision rules (from memory).
    """
    away = measured.value - aim.value
    slack = ROUNDING * abs(aim.tolerance)
    outcome: Outcome = "weak" if away < 0.0 else "stiff"
    if abs(away) <= aim.tolerance - u + slack:
        outcome = "pass"
    elif abs(away) <= aim.tolerance + u + slack:
        outcome = "unsure"
    return ToleranceRuling(
        rule=aim.rule,
        spring=spring,
        height_mm=height_mm,
        outcome=outcome,
        times_limit=abs(away) / aim.tolerance if aim.tolerance > 0.0 else math.inf,
        flagged=outcome != "unsure" or height_mm is not None,
        measured=measured.value,
        aim=aim.value,
        tolerance=aim.tolerance,
        uncertainty=u,
        strokes_rule=measured.strokes_rule,
    )


@dataclass(frozen=True)
class Distance:
    """How far a value is from the others, and what the outlier test (generalised ESD) says of it.

    Attributes:
        deviations: from the others' mean, over their standard deviation; infinite where the others
            are all alike.
        others: how many values are no outliers, this one included where it is none.
        step, statistic, limit: of the test's deciding step, the first is 1.
    """

    apart: bool
    deviations: float
    others: int
    step: int
    statistic: float
    limit: float


def _distance(esd: Esd, place: int) -> Distance:
    step = esd.deciding
    return Distance(
        place in esd.outliers,
        esd.scores[place],
        len(esd.scores) - esd.found,
        step + 1,
        esd.statistics[step],
        esd.limits[step],
    )


@dataclass(frozen=True, kw_only=True)
class OutlierRuling(Ruling):
    """Whether a load, or without a height the rate, stands apart from the others.

    Attributes:
        near: nearer to the middle than OUTLIER_LEAST_SHARE of the tolerance.
    """

    distance: Distance
    near: bool


def outlier_ruling(spring: str, column: Column, at: int, tolerance: float) -> OutlierRuling | None:
    """Judge whether a spring stands apart from the others, tolerance or not.

    One that does is weak or stiff if it is also at least OUTLIER_LEAST_SHARE of the tolerance away
    from the middle: a set may be so close that a harmless difference stands out.

    Returns:
        None where the springs are too few, or this one was not measured.
    """
    esd, place, measured = column.outliers, column.places[at], column.measured[at]
    if esd is None or place is None or measured is None or column.middle is None:
        return None
    away, distance = measured.value - column.middle, _distance(esd, place)
    near = abs(away) <= OUTLIER_LEAST_SHARE * tolerance * (1.0 + ROUNDING)
    outcome: Outcome = "weak" if away < 0.0 else "stiff"
    return OutlierRuling(
        rule="set outlier",
        spring=spring,
        height_mm=column.height_mm,
        outcome="pass" if near or not distance.apart else outcome,
        times_limit=distance.statistic / distance.limit if distance.apart else 0.0,
        distance=distance,
        near=near,
    )


@dataclass(frozen=True, kw_only=True)
class LengthRuling(Ruling):
    """A free length against the nominal or the set's middle; uncertainty expanded, k = 2."""

    length_mm: float
    aim_mm: float
    aim_is: LengthAim
    uncertainty_mm: float


def length_ruling(curve: SpringCurve, aim_is: LengthAim, aim_mm: float) -> LengthRuling | None:
    """Judge a free length: short where it is below SHORT_SHARE by more than its uncertainty.

    An unsure length is no flag: the loads decide. None where the length is not known.
    """
    length_mm, u_mm = curve.free_length_mm, curve.free_length_u_mm
    if length_mm is None or u_mm is None:
        return None
    short_mm, limit_mm = aim_mm - length_mm, SHORT_SHARE * aim_mm
    outcome: Outcome = "short"
    if short_mm <= limit_mm - u_mm:
        outcome = "pass"
    elif short_mm <= (limit_mm + u_mm) * (1.0 + ROUNDING):
        outcome = "unsure"
    return LengthRuling(
        rule="free length",
        spring=curve.label,
        outcome=outcome,
        times_limit=short_mm / limit_mm,
        flagged=outcome == "short",
        length_mm=length_mm,
        aim_mm=aim_mm,
        aim_is=aim_is,
        uncertainty_mm=u_mm,
    )


@dataclass(frozen=True, kw_only=True)
class ShapeRuling(Ruling):
    """A curve's shape against the set's.

    Attributes:
        departure: the largest, as a share of the curve's mean load, and its height.
        distance: None where the test could not be made.
    """

    departure: float
    departure_mm: float
    distance: Distance | None


def shape_ruling(spring: str, departure: Departure, esd: Esd | None, at: int) -> ShapeRuling:
    """Judge a curve's shape: apart from the set's, and by more than ODD_SHARE of its mean load."""
    distance = None if esd is None else _distance(esd, at)
    apart = distance is not None and distance.apart and distance.deviations > 0.0
    return ShapeRuling(
        rule="shape",
        spring=spring,
        outcome="odd" if apart and departure.largest > ODD_SHARE else "pass",
        times_limit=departure.largest / ODD_SHARE,
        departure=departure.largest,
        departure_mm=departure.height_mm,
        distance=distance,
    )


@dataclass(frozen=True, kw_only=True)
class MissingRuling(Ruling):
    """A height was not measured; from where to where the spring was."""

    lowest_mm: float
    highest_mm: float


def missing_ruling(curve: SpringCurve, height_mm: float) -> MissingRuling:
    """Say that a spring was not measured at a height."""
    return MissingRuling(
        rule="measured",
        spring=curve.label,
        height_mm=height_mm,
        outcome="unsure",
        times_limit=math.inf,
        lowest_mm=curve.lowest_mm,
        highest_mm=curve.highest_mm,
    )


@dataclass(frozen=True, kw_only=True)
class StrokesRuling(Ruling):
    """No stroke of a spring can be relied on."""

    doubt: Doubt


def strokes_ruling(spring: str, doubt: Doubt) -> StrokesRuling:
    """Say that no stroke of a spring can be relied on, and why."""
    return StrokesRuling(
        rule="strokes", spring=spring, outcome="unsure", times_limit=math.inf, doubt=doubt
    )


KINDS: tuple[FlagKind, ...] = ("weak", "stiff", "short", "odd", "unsure")
_TOLERANCES = ("nominal", "set tolerance")


@dataclass(frozen=True)
class Flag:
    """A finding about one spring, with the rulings it rests on, the strongest first."""

    kind: FlagKind
    findings: tuple[Ruling, ...]


def flags_of(rulings: Iterable[Ruling]) -> tuple[Flag, ...]:
    """One flag a kind, with its reasons, the one farthest over its limit first.

    A spring found weak or stiff is not also unsure about a load. Where a place is out of the set's
    tolerance, its standing apart too is left to the rulings.
    """
    found = [ruling for ruling in rulings if ruling.flagged and ruling.outcome != "pass"]
    if any(ruling.outcome in ("weak", "stiff") for ruling in found):
        found = [r for r in found if r.outcome != "unsure" or r.rule not in _TOLERANCES]
    out = {(r.height_mm, r.outcome) for r in found if r.rule == "set tolerance"}
    found = [r for r in found if r.rule != "set outlier" or (r.height_mm, r.outcome) not in out]
    found.sort(key=lambda ruling: -ruling.times_limit)
    return tuple(
        Flag(kind, tuple(ruling for ruling in found if ruling.outcome == kind))
        for kind in KINDS
        if any(ruling.outcome == kind for ruling in found)
    )


@dataclass(frozen=True)
class Nominal:
    """The load asked for at a height, and its tolerance; None takes the set's share of it."""

    load_n: float
    tolerance_n: float | None = None

    def __post_init__(self) -> None:
        if not 0.0 < self.load_n < math.inf:
            raise CoilbenchError(
                f"a nominal load of {self.load_n:g} N is not above 0",
                hint="Give what the spring should push, like 24kg",
            )

    def aim(self, tolerance: float) -> Aim:
        """Return it as something to hold a load against; tolerance is the set's share."""
        allowed_n = tolerance * self.load_n if self.tolerance_n is None else self.tolerance_n
        return Aim("nominal", self.load_n, allowed_n)


Asked = tuple[float, Nominal | None]  # a height, mm, and the load asked for there


def with_nominal(asked: Sequence[Asked], kept: SetNominal | None) -> list[Asked]:
    """Add what is kept with the set to the heights asked for.

    A height asked for without a load gets the kept one; kept heights that nobody asked for come
    after those that were, so that a wholly tired set shows wherever it is judged.
    """
    found = list(asked)
    for load in () if kept is None else kept.loads:
        nominal = Nominal(load.load_n, _share(kept, load.load_n))
        at = [i for i, (mm, _) in enumerate(found) if abs(mm - load.height_mm) < SAME_HEIGHT_MM]
        if not at:
            found.append((load.height_mm, nominal))
        for i in at:
            height_mm, given = found[i]
            found[i] = (height_mm, nominal if given is None else given)
    return found


def measured_there(
    asked: Sequence[Asked], typed: int, curves: Sequence[SpringCurve]
) -> tuple[list[Asked], list[float]]:
    """Leave away kept heights at which no spring was measured; they must not bar the others.

    Args:
        asked: heights that somebody asked for first, then the kept ones.
        typed: how many were asked for: these stay; where there is none, all stay.
        curves: the springs.

    Returns:
        What is left, and the heights left away, mm.
    """
    away = [
        mm
        for mm, _ in asked[typed:]
        if not any(curve.lowest_mm <= mm <= curve.highest_mm for curve in curves)
    ]
    if len(away) == len(asked):
        return list(asked), []
    return [one for one in asked if one[0] not in away], away


def rate_aim(kept: SetNominal | None, tolerance: float) -> Aim | None:
    """Return the kept rate as something to hold a rate against; None where there is none."""
    if kept is None or kept.rate_n_per_mm is None:
        return None
    share = tolerance if kept.tolerance_relative is None else kept.tolerance_relative
    return Aim("nominal", kept.rate_n_per_mm, share * kept.rate_n_per_mm)


def _share(kept: SetNominal | None, value: float) -> float | None:
    if kept is None or kept.tolerance_relative is None:
        return None
    return kept.tolerance_relative * value
