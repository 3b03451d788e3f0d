"""What a spring is compared with, a rule's answer on it, and the flags that follow. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any, ClassVar, Literal

import msgspec

from coilbench.analysis.curves.uncertainty import Measured
from coilbench.capture.errors import CoilbenchError

FlagKind = Literal["weak", "stiff", "short", "odd", "unsure"]
Outcome = Literal["pass", "weak", "stiff", "short", "odd", "unsure"]
LengthTarget = Literal["nominal", "set"]
RuleName = Literal[
    "measured",
    "strokes",
    "one_way",
    "nominal",
    "set_tolerance",
    "set_outlier",
    "free_length",
    "length_loads",
    "shape",
]

ROUNDING = 1e-9  # a load exactly at its limit is inside, however it was rounded


def guarded(away: float, limit: float, u: float, beyond: Outcome) -> Outcome:
    """Judge a deviation with its expanded uncertainty as a guard band on both sides of its limit.

    Inside by more than the uncertainty: pass; outside by more: what is beyond; between: unsure.

    References:
        ISO 14253-1, its decision rules (from memory).
    """
    slack = ROUNDING * abs(limit)
    if away <= limit - u + slack:
        return "pass"
    return "unsure" if away <= limit + u + slack else beyond


class Ruling(msgspec.Struct, frozen=True):
    """One rule's answer on one spring.

    Attributes:
        height_mm: where it was judged; None for the rate, the free length and the shape.
        outcome: pass, a finding, or unsure where the uncertainty leaves it open.
        times_limit: how many times its limit the deviation is; infinite where it has no limit.
        facts: the numbers behind it by name, as the rule says.
        flagged: whether an outcome other than pass becomes a flag.
    """

    in_json: ClassVar = {"facts": "*", "flagged": None}
    rule: RuleName
    spring: str
    height_mm: float | None
    outcome: Outcome
    times_limit: float
    facts: Mapping[str, Any]
    flagged: bool = True

    @property
    def apart_within(self) -> bool:
        """Whether the outlier test finds it apart, by less than what makes it a finding."""
        return self.outcome == "pass" and bool(self.facts.get("apart_within", False))


class Target(msgspec.Struct, frozen=True):
    """What a load (N) or rate (N/mm) is compared with: the set's middle or a nominal."""

    rule: Literal["nominal", "set_tolerance"]
    value: float
    tolerance: float

    def judge(self, spring: str, measured: Measured, height_mm: float | None, u: float) -> Ruling:
        """Judge one load, or rate where there is no height; an unsure rate is no flag.

        `u` is the expanded uncertainty (k = 2) of the difference. The fact `strokes_rule` tells
        whether the strokes' scatter is most of it, so that more strokes help.
        """
        away = measured.value - self.value
        outcome = guarded(abs(away), self.tolerance, u, "weak" if away < 0.0 else "stiff")
        unit = "n_per_mm" if height_mm is None else "n"
        facts = {
            f"measured_{unit}": measured.value,
            f"target_{unit}": self.value,
            f"tolerance_{unit}": self.tolerance,
            f"measured_u_{unit}": u,
            "strokes_rule": measured.strokes_rule,
        }
        times = abs(away) / self.tolerance if self.tolerance > 0.0 else math.inf
        flagged = outcome != "unsure" or height_mm is not None
        return Ruling(self.rule, spring, height_mm, outcome, times, facts, flagged)


class Doubt(msgspec.Struct, frozen=True):
    """Why none of a spring's strokes can be relied on: how many are read, what spoils them."""

    strokes: int
    kinds: tuple[str, ...]


KINDS: tuple[FlagKind, ...] = ("weak", "stiff", "short", "odd", "unsure")
_TOLERANCES = ("nominal", "set_tolerance")


class Flag(msgspec.Struct, frozen=True):
    """A finding about one spring, with the rulings it rests on, the strongest first."""

    kind: FlagKind
    findings: tuple[Ruling, ...]

    @classmethod
    def all_of(cls, rulings: Iterable[Ruling]) -> tuple[Flag, ...]:
        """One flag a kind, with its reasons, the one farthest over its limit first.

        A spring found weak or stiff is not also unsure about a load. Where a height is out of the
        set's tolerance, its standing apart too is left to the rulings.
        """
        found = [ruling for ruling in rulings if ruling.flagged and ruling.outcome != "pass"]
        if any(ruling.outcome in ("weak", "stiff") for ruling in found):
            found = [r for r in found if r.outcome != "unsure" or r.rule not in _TOLERANCES]
        out = {(r.height_mm, r.outcome) for r in found if r.rule == "set_tolerance"}
        found = [r for r in found if r.rule != "set_outlier" or (r.height_mm, r.outcome) not in out]
        found.sort(key=lambda ruling: -ruling.times_limit)
        return tuple(
            cls(kind, tuple(ruling for ruling in found if ruling.outcome == kind))
            for kind in KINDS
            if any(ruling.outcome == kind for ruling in found)
        )


class Nominal(msgspec.Struct, frozen=True):
    """The load asked for at a height, and its tolerance; None takes the set's share of it."""

    load_n: float
    tolerance_n: float | None = None

    def __post_init__(self) -> None:
        if not 0.0 < self.load_n < math.inf:
            raise CoilbenchError(
                "a nominal load of {load_n} is not above 0",
                load_n=self.load_n,
                hint="Give what the spring should push, like 24kg",
            )

    def target(self, tolerance: float) -> Target:
        """Return it as something to compare a load with; tolerance is the set's share."""
        allowed_n = tolerance * self.load_n if self.tolerance_n is None else self.tolerance_n
        return Target("nominal", self.load_n, allowed_n)


NominalAt = tuple[float, Nominal | None]  # a height, mm, and the load asked for there
