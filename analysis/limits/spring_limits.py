"""What is found of a build's limits: each with its rule and source; what the springs of a set bear.

What a limit finds is a LimitFinding; what isn't known is one, too. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal, NamedTuple

import msgspec

from coilbench.analysis.engine.build_file import WireGiven
from coilbench.analysis.engine.coil import Coil

Severity = Literal["fails", "unknown", "caution"]  # the gravest first
LimitKind = Literal[
    "stress_elastic", "stress_rupture", "stress_near", "stress_solid", "stress_unknown",
    "binds", "margin_low", "margin_unsure", "solid_unknown", "closing", "solid_computed",
    "gaps_small", "some_bind", "solid_contradicted",
    "clearance_low", "clearance_unknown", "speed_low", "speed_unsure", "speed_unknown",
    "lift_differs", "fatigue_low", "surge_near", "rate_differs",
]  # fmt: skip
LimitSource = Literal[
    "shigley_10", "shigley_10_5", "zimmerli", "en_13906_1", "build_file", "cam_card", "ours"
]


class HandbookRate(msgspec.Struct, frozen=True):
    """A measured rate beside k = G d^4/(8 D^3 n) (Shigley, chapter 10; EN 13906-1).

    Attributes:
        shear_modulus_mpa: given, else the middle of the published ones.
        rate_n_per_mm, rate_u_n_per_mm: with it, and how far the truth may be from that (k = 2):
            the modulus where it isn't given, and how dimensions are read.
        agrees: whether both are the same within their uncertainties, the measured one's 95 %.
        fitting_coils, fitting_wire_mm, fitting_coil_diameter_mm: each alone would make the
            dimensions agree.
        outside_given: whether the coil diameter looks like the outside one, not the mean.
    """

    shear_modulus_mpa: float
    rate_n_per_mm: float
    rate_u_n_per_mm: float
    measured_n_per_mm: float
    measured_u_n_per_mm: float
    agrees: bool
    fitting_coils: float
    fitting_wire_mm: float
    fitting_coil_diameter_mm: float
    outside_given: bool


class LimitRule(NamedTuple):
    """How grave it is that a limit is not kept, the rule that says so, and its source."""

    severity: Severity
    rule: str
    source: LimitSource


_BIND = "open height - solid height >= coil_bind_margin"
_CLEARANCE = "clearance with the valve shut - lift >= min_clearance"
_ELASTIC = "K 8 F D/(pi d^3) at full lift <= elastic limit in torsion"
_SPEED = "m |a| w^2 <= F at max_rpm"
LIMIT_RULES: dict[LimitKind, LimitRule] = {
    "stress_elastic": LimitRule("fails", _ELASTIC, "shigley_10_5"),
    "stress_rupture": LimitRule("fails", "K 8 F D/(pi d^3) at full lift <= 0.67 Rm", "shigley_10"),
    "stress_near": LimitRule("unknown", _ELASTIC, "shigley_10_5"),
    "stress_solid": LimitRule("fails", "8 F D/(pi d^3) at solid <= 0.56 Rm", "en_13906_1"),
    "stress_unknown": LimitRule("unknown", _ELASTIC, "shigley_10_5"),
    "binds": LimitRule("fails", _BIND, "build_file"),
    "margin_low": LimitRule("fails", _BIND, "build_file"),
    "margin_unsure": LimitRule("unknown", _BIND, "build_file"),
    "solid_unknown": LimitRule("unknown", _BIND, "build_file"),
    "closing": LimitRule("unknown", _BIND, "build_file"),
    "solid_computed": LimitRule("caution", "solid height = d (n + 2)", "shigley_10"),
    "some_bind": LimitRule("caution", _BIND, "build_file"),
    "solid_contradicted": LimitRule("caution", "solid heights agree within their ±", "ours"),
    "gaps_small": LimitRule("caution", "gaps >= 1.5 n (0.0015 D^2/d + 0.1 d)", "en_13906_1"),
    "clearance_low": LimitRule("fails", _CLEARANCE, "build_file"),
    "clearance_unknown": LimitRule("unknown", _CLEARANCE, "build_file"),
    "speed_low": LimitRule("fails", _SPEED, "cam_card"),
    "speed_unsure": LimitRule("unknown", _SPEED, "cam_card"),
    "speed_unknown": LimitRule("unknown", _SPEED, "cam_card"),
    "lift_differs": LimitRule("unknown", "lift table's peak = valve_lift within 3 %", "ours"),
    "fatigue_low": LimitRule("caution", "1/(tau_a/Sse + tau_m/Ssu) >= 1", "zimmerli"),
    "surge_near": LimitRule("caution", "surge >= 15 turns of the cam", "shigley_10"),
    "rate_differs": LimitRule("caution", "rate = G d^4/(8 D^3 n)", "shigley_10"),
}


class LimitFinding(msgspec.Struct, frozen=True):
    """A limit that is not kept, or of which that can't be said.

    Attributes:
        facts: the numbers by name, with their units; `set` and `spring` say whose, where it is one.
    """

    kind: LimitKind
    facts: Mapping[str, Any]

    @property
    def severity(self) -> Severity:
        """Whether the answer fails by it, it is a caution, or it can't be said."""
        return LIMIT_RULES[self.kind].severity

    @property
    def rule(self) -> str:
        """The formula that should hold."""
        return LIMIT_RULES[self.kind].rule

    @property
    def source(self) -> LimitSource:
        """Where the rule is from."""
        return LIMIT_RULES[self.kind].source


class SpringLimits(msgspec.Struct, frozen=True):
    """One spring; None where it can't be known.

    Attributes:
        rate_n_per_mm: between valve shut and full lift.
        surge_hz, surge_u_hz: its own frequency; expanded uncertainty, k = 2, of the rate alone.
        surge_ratio: to the turns of the camshaft.
        shut_mpa, open_mpa, solid_mpa: shear stress, Bergsträsser's factor in it.
        solid_plain_mpa: without the factor, as EN 13906-1 has it for a still load.
        fatigue_factor: Goodman's with Zimmerli's data; below 1 the life is finite.
    """

    label: str
    rate_n_per_mm: float | None
    surge_hz: float | None
    surge_u_hz: float | None
    surge_ratio: float | None
    shut_mpa: float | None
    open_mpa: float | None
    solid_mpa: float | None
    solid_plain_mpa: float | None
    fatigue_factor: float | None


class SetLimits(msgspec.Struct, frozen=True):
    """One set; None where it isn't given or can't be known.

    Attributes:
        tensile_mpa: given or of the table.
        spring_mass_g: one spring, weighed or from its dimensions.
        geometric_rate_n_per_mm: what dimensions and the wire's shear modulus say of the rate.
        rate_check: the springs' mean rate beside the dimensions'; None where one isn't known.
    """

    set_name: str
    given: WireGiven
    coil: Coil | None
    tensile_mpa: float | None
    spring_mass_g: float | None
    weighed: bool
    geometric_rate_n_per_mm: float | None
    rate_check: HandbookRate | None
    springs: tuple[SpringLimits, ...]

    def worst(self, name: str) -> SpringLimits | None:
        """The spring with the most stress, or the least of another attribute; None if unknown."""
        sign = -1.0 if name.endswith("_mpa") else 1.0
        known = [each for each in self.springs if getattr(each, name) is not None]
        return min(known, key=lambda each: sign * float(getattr(each, name)), default=None)
