"""The rules that judge one spring of a set, and the flags that follow. Pure.

A rule answers with a Ruling: its outcome and the numbers behind it. Besides the set itself a
spring is held against what was asked for: nominal loads, a rate, a free length.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.uncertainty import Measured
from coilbench.analysis.sets.outliers import Column, Departure, Esd
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


@dataclass(frozen=True)
class Ruling:
    """One rule's answer on one spring.

    Attributes:
        spring: the spring's label.
        height_mm: where it was judged; None for the rate, the free length and the shape.
        outcome: pass, a finding, or unsure where the uncertainty leaves it open.
        times_limit: how many times its limit the deviation is; infinite where it has no limit.
        facts: the numbers behind it by name, as the rule says.
        flagged: whether an outcome other than pass becomes a flag.
    """

    rule: RuleName
    spring: str
    height_mm: float | None
    outcome: Outcome
    times_limit: float
    facts: Mapping[str, Any] = field(metadata={"json": "*"})
    flagged: bool = field(default=True, metadata={"json": None})


@dataclass(frozen=True)
class Aim:
    """What a load (N) or rate (N/mm) is held against: the set's middle or a nominal."""

    rule: Literal["nominal", "set tolerance"]
    value: float
    tolerance: float


def tolerance_ruling(
    spring: str, measured: Measured, height_mm: float | None, aim: Aim, u: float
) -> Ruling:
    """Judge one load or rate against one aim, with the uncertainty as a guard band on both sides.

    Outside the tolerance by more than the uncertainty: weak or stiff. Inside by more: pass.
    Between: unsure. An unsure rate is no flag: the loads decide.

    Args:
        spring: the label.
        measured: the load or rate.
        height_mm: where; None for a rate.
        aim: what it is held against.
        u: expanded uncertainty (k = 2) of the difference.

    Returns:
        With what is measured, aim, tolerance and uncertainty in N or N/mm; `strokes_rule` tells
        whether the strokes' scatter is most of the uncertainty, so that more strokes help.

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
    unit = "n_per_mm" if height_mm is None else "n"
    facts = {
        f"measured_{unit}": measured.value,
        f"aim_{unit}": aim.value,
        f"tolerance_{unit}": aim.tolerance,
        f"measured_u_{unit}": u,
        "strokes_rule": measured.strokes_rule,
    }
    times = abs(away) / aim.tolerance if aim.tolerance > 0.0 else math.inf
    flagged = outcome != "unsure" or height_mm is not None
    return Ruling(aim.rule, spring, height_mm, outcome, times, facts, flagged)


def _distance(esd: Esd, place: int) -> dict[str, Any]:
    """How far a value is from the others, and what the outlier test says of it.

    `deviations` from the others' mean over their standard deviation, infinite where these are all
    alike; `others`, how many values are no outliers; the deciding `step` from 1.
    """
    step = esd.deciding
    return {
        "apart": place in esd.outliers,
        "deviations": esd.scores[place],
        "others": len(esd.scores) - esd.found,
        "step": step + 1,
        "statistic": esd.statistics[step],
        "limit": esd.limits[step],
    }


def outlier_ruling(spring: str, column: Column, at: int, tolerance: float) -> Ruling | None:
    """Judge whether a load or rate stands apart from the others, tolerance or not.

    One that does is weak or stiff if it is also at least OUTLIER_LEAST_SHARE of the tolerance away
    from the middle (else `near`): a set may be so close that a harmless difference stands out.

    Returns:
        None where the springs are too few, or this one was not measured.
    """
    esd, place, measured = column.outliers, column.places[at], column.measured[at]
    if esd is None or place is None or measured is None or column.middle is None:
        return None
    away, facts = measured.value - column.middle, _distance(esd, place)
    near = abs(away) <= OUTLIER_LEAST_SHARE * tolerance * (1.0 + ROUNDING)
    outcome: Outcome = "weak" if away < 0.0 else "stiff"
    return Ruling(
        "set outlier",
        spring,
        column.height_mm,
        "pass" if near or not facts["apart"] else outcome,
        facts["statistic"] / facts["limit"] if facts["apart"] else 0.0,
        facts | {"near": near},
    )


def length_ruling(curve: SpringCurve, aim_is: LengthAim, aim_mm: float) -> Ruling | None:
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
    facts = {"length_mm": length_mm, "aim_mm": aim_mm, "aim": aim_is, "length_u_mm": u_mm}
    times, flagged = short_mm / limit_mm, outcome == "short"
    return Ruling("free length", curve.label, None, outcome, times, facts, flagged)


def shape_ruling(spring: str, departure: Departure, esd: Esd | None, at: int) -> Ruling:
    """Judge a curve's shape: apart from the set's, and by more than ODD_SHARE of its mean load."""
    facts = {"departure_share": departure.largest, "departure_mm": departure.height_mm}
    facts |= {} if esd is None else _distance(esd, at)
    odd = facts.get("apart", False) and facts["deviations"] > 0.0 and departure.largest > ODD_SHARE
    outcome: Outcome = "odd" if odd else "pass"
    return Ruling("shape", spring, None, outcome, departure.largest / ODD_SHARE, facts)


def missing_ruling(curve: SpringCurve, height_mm: float) -> Ruling:
    """Say that a spring was not measured at a height, and from where to where it was."""
    facts = {"lowest_mm": curve.lowest_mm, "highest_mm": curve.highest_mm}
    return Ruling("measured", curve.label, height_mm, "unsure", math.inf, facts)


@dataclass(frozen=True)
class Doubt:
    """Why none of a spring's strokes can be relied on: how many are read, what spoils them."""

    strokes: int
    kinds: tuple[str, ...]


def strokes_ruling(spring: str, doubt: Doubt) -> Ruling:
    """Say that no stroke of a spring can be relied on, and why."""
    facts = {"strokes": doubt.strokes, "kinds": doubt.kinds}
    return Ruling("strokes", spring, None, "unsure", math.inf, facts)


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
