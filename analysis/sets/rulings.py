"""What each rule says about one spring: the outcome, and why, in words and numbers. Pure.

A set's flags: what the rules found about a spring, one flag a kind. Pure.

What a set is held against besides itself: loads and a rate asked for. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.uncertainty import Measured
from coilbench.analysis.report.units import Units
from coilbench.analysis.sets.outliers import Column, Departure, Esd
from coilbench.capture.book.nominals import SAME_HEIGHT_MM, SetNominal
from coilbench.capture.errors import CoilbenchError

FlagKind = Literal["weak", "stiff", "short", "odd", "unsure"]
Outcome = Literal["pass", "weak", "stiff", "short", "odd", "unsure"]
RuleName = Literal[
    "measured", "strokes", "nominal", "set tolerance", "set outlier", "free length", "shape"
]

APART_SHARE = (
    0.5  # of the tolerance: nearer to the middle, no outlier is a finding; ours, no source
)
SHORT_SHARE = 0.02  # of the free length; common practice, no source
ODD_SHARE = 0.01  # of the mean load; ours, no source
ROUNDING = 1e-9  # a load exactly at its limit is inside, however it was rounded


@dataclass(frozen=True)
class Ruling:
    """One rule's answer on one spring.

    Attributes:
        rule: which rule.
        height_mm: where it looked; None for the rate, the free length and the shape.
        outcome: pass, a finding, or unsure where the uncertainty leaves it open.
        times_limit: how many times its limit the deviation is; infinite where it has no limit.
        flagged: whether an outcome that is no pass becomes a flag.
        text: in words and numbers, without a full stop.
    """

    rule: RuleName
    height_mm: float | None
    outcome: Outcome
    times_limit: float
    flagged: bool
    text: str


@dataclass(frozen=True)
class Aim:
    """What a load or rate is held against: the set's middle or a nominal load."""

    rule: Literal["nominal", "set tolerance"]
    name: str
    value: float
    tolerance: float


def tolerance_ruling(
    measured: Measured, height_mm: float | None, aim: Aim, u: float, units: Units
) -> Ruling:
    """Judge one load or rate against one aim, with the uncertainty as a guard band on both sides.

    Outside the tolerance by more than the uncertainty: weak or stiff. Inside by more: pass.
    Between: nobody can tell. A rate that nobody can tell is no flag: the loads decide.

    Args:
        measured: the load or rate.
        height_mm: where; None for a rate.
        aim: what it is held against.
        u: expanded uncertainty (k = 2) of the difference.
        units: display units.

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
    text = _against(measured.value, height_mm, aim, u, units)
    if outcome == "unsure":
        wide = u >= aim.tolerance
        why = (
            "the uncertainty is wider than the tolerance" if wide else "too near the limit to tell"
        )
        text += f": {why}; {_cure(measured)}"
    times = abs(away) / aim.tolerance if aim.tolerance > 0.0 else math.inf
    flagged = outcome != "unsure" or height_mm is not None
    return Ruling(aim.rule, height_mm, outcome, times, flagged, text)


def outlier_ruling(column: Column, at: int, tolerance: float, units: Units) -> Ruling | None:
    """Say whether a spring stands apart from the others, tolerance or not.

    One that does is weak or stiff if it is also at least APART_SHARE of the tolerance away from
    the middle: a set may be so close that a harmless difference stands out.

    Returns:
        None where the springs are too few, or this one was not measured.
    """
    esd, place, measured = column.outliers, column.places[at], column.measured[at]
    if esd is None or place is None or measured is None or column.middle is None:
        return None
    away = measured.value - column.middle
    apart = place in esd.outliers
    near = abs(away) <= APART_SHARE * tolerance * (1.0 + ROUNDING)
    outcome: Outcome = "pass" if near or not apart else "weak" if away < 0.0 else "stiff"
    where = (
        "its rate" if column.height_mm is None else f"at {units.length_text(column.height_mm)} it"
    )
    text = f"{where} {_distance(esd, place)}"
    if apart and near:
        text += f", but is nearer to their middle than {APART_SHARE:.0%} of the tolerance"
    times = esd.statistics[esd.deciding] / esd.limits[esd.deciding] if apart else 0.0
    return Ruling("set outlier", column.height_mm, outcome, times, True, text)


def length_ruling(
    length_mm: float, length_u_mm: float, name: str, aim_mm: float, units: Units
) -> Ruling:
    """Judge a free length: short where it is below SHORT_SHARE by more than its uncertainty.

    A length that nobody can tell is no flag: the loads decide.
    """
    short_mm, limit_mm = aim_mm - length_mm, SHORT_SHARE * aim_mm
    outcome: Outcome = "short"
    if short_mm <= limit_mm - length_u_mm:
        outcome = "pass"
    elif short_mm <= (limit_mm + length_u_mm) * (1.0 + ROUNDING):
        outcome = "unsure"
    word = "below" if short_mm >= 0.0 else "above"
    text = (
        f"free length {units.length_text(length_mm)} is {abs(short_mm / aim_mm):.1%} {word} {name}"
        f" {units.length_text(aim_mm)} (limit {SHORT_SHARE:.0%} below,"
        f" uncertainty {units.length_text(length_u_mm)})"
    )
    if outcome == "unsure":
        text += ": too near the limit to tell; a caliper tells"
    return Ruling("free length", None, outcome, short_mm / limit_mm, outcome == "short", text)


def shape_ruling(departure: Departure, esd: Esd | None, at: int, units: Units) -> Ruling:
    """Judge a curve's shape: apart from the set's, and by more than ODD_SHARE of its mean load."""
    apart = esd is not None and at in esd.outliers and esd.scores[at] > 0.0
    odd = apart and departure.largest > ODD_SHARE
    text = (
        f"its curve departs from the set's shape by up to {departure.largest:.1%} of its mean load,"
        f" at {units.length_text(departure.height_mm)} (limit {ODD_SHARE:.0%})"
    )
    if esd is not None:
        text += f", and its departure {_distance(esd, at)}"
    if odd:
        text += ": look for a crack or coils that touch, and press it again"
    outcome: Outcome = "odd" if odd else "pass"
    return Ruling("shape", None, outcome, departure.largest / ODD_SHARE, True, text)


def missing_ruling(range_mm: tuple[float, float], height_mm: float, units: Units) -> Ruling:
    """Say that a height was not measured, and from where to where the spring was."""
    low, high = (units.length_text(mm) for mm in range_mm)
    text = f"not measured at {units.length_text(height_mm)}, only from {low} to {high}: press it"
    text += " again, over the whole range"
    return Ruling("measured", height_mm, "unsure", math.inf, True, text)


def strokes_ruling(doubt: str) -> Ruling:
    """Say that no stroke of a spring can be relied on, and why."""
    text = f"{doubt}: seat it anew and press it again"
    return Ruling("strokes", None, "unsure", math.inf, True, text)


def _against(value: float, height_mm: float | None, aim: Aim, u: float, units: Units) -> str:
    away = value - aim.value
    share = "" if aim.value == 0.0 else f"{abs(away / aim.value):.1%} "
    word = "below" if away < 0.0 else "above"
    shown = units.rate_text if height_mm is None else units.load_text
    what = shown(value)
    what = f"rate {what}" if height_mm is None else f"{what} at {units.length_text(height_mm)}"
    return (
        f"{what} is {share}{word} {aim.name} {shown(aim.value)}"
        f" (tolerance {shown(aim.tolerance)}, uncertainty {shown(u)})"
    )


def _distance(esd: Esd, place: int) -> str:
    """Say how far a value stands from the others, and what the outlier test made of it."""
    score, step = esd.scores[place], esd.deciding
    rest = len(esd.scores) - esd.found
    test = (
        f"outlier test's step {step + 1}: {esd.statistics[step]:.2f}, limit {esd.limits[step]:.2f}"
    )
    if math.isinf(score):
        return f"stands apart from the other {rest}, which are all alike ({test})"
    side = "below" if score < 0.0 else "above"
    if place in esd.outliers:
        how = f"stands apart from the other {rest}: {abs(score):.1f} of their standard deviations"
        return f"{how} {side} their mean ({test})"
    return (
        f"is {abs(score):.1f} standard deviations {side} the mean of {rest}, one of them ({test})"
    )


def _cure(measured: Measured) -> str:
    if measured.strokes_rule:
        return "press it more often"
    return "calibrate load and travel again, or read on a finer scale"


KINDS: tuple[FlagKind, ...] = ("weak", "stiff", "short", "odd", "unsure")
_TOLERANCES = ("nominal", "set tolerance")


@dataclass(frozen=True)
class Flag:
    """A finding about one spring.

    Attributes:
        kind: weak, stiff, short, odd or unsure.
        reasons: in words and numbers, without a full stop, the strongest first.
    """

    kind: FlagKind
    reasons: tuple[str, ...]

    @property
    def reason(self) -> str:
        """All reasons in one line."""
        return "; ".join(self.reasons)


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
        Flag(kind, tuple(ruling.text for ruling in found if ruling.outcome == kind))
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
                f"a nominal load of {self.load_n:g} N is not above 0", hint="Correct it"
            )

    def aim(self, tolerance: float) -> Aim:
        """Return it as something to hold a load against; tolerance is the set's share."""
        allowed_n = tolerance * self.load_n if self.tolerance_n is None else self.tolerance_n
        return Aim("nominal", "the nominal", self.load_n, allowed_n)


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
    return Aim("nominal", "the nominal", kept.rate_n_per_mm, share * kept.rate_n_per_mm)


def _share(kept: SetNominal | None, value: float) -> float | None:
    if kept is None or kept.tolerance_relative is None:
        return None
    return kept.tolerance_relative * value
