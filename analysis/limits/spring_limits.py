"""What the springs of one set bear at their heights: stress, fatigue, surge, rate. Pure.

What a limit finds is a LimitFinding; what isn't known is one, too.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from typing import Any, Literal, NamedTuple

from coilbench.analysis.curves.curve import Rate, SpringCurve
from coilbench.analysis.curves.not_measured import HeightNotMeasured
from coilbench.analysis.engine.build_file import WireGiven
from coilbench.analysis.engine.coil import Coil
from coilbench.analysis.engine.placed import PlacedSet
from coilbench.analysis.limits.stress import (
    SHEAR_SHARE,
    STATIC_SHARE,
    TEXTBOOK_RATIO,
    HandbookRate,
    cam_hz,
    fatigue_factor,
    handbook_rate,
    masses_g,
    plain_stress_mpa,
    rate_from_dimensions,
    shear_stress_mpa,
    surge_hz,
)

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


@dataclass(frozen=True)
class LimitFinding:
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


@dataclass(frozen=True)
class SpringLimits:
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


@dataclass(frozen=True)
class SetLimits:
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


def set_limits(placed: PlacedSet, given: WireGiven, crank_rpm: float | None) -> SetLimits:
    """Work out what one set's wire bears at its heights, from what is given."""
    coil = placed.springs.coil
    tensile_mpa: float | None = given.tensile_mpa
    modulus_mpa: float | None = given.shear_modulus_mpa
    geometric = None
    if coil is not None and given.wire is not None:
        if tensile_mpa is None:
            tensile_mpa = given.wire.tensile_mpa(coil.wire_mm)
        if modulus_mpa is None:
            modulus_mpa = given.wire.shear_modulus_mpa(coil.wire_mm)
    if coil is not None and coil.coil_diameter_mm is not None and modulus_mpa is not None:
        size = coil.wire_mm, coil.coil_diameter_mm, coil.active_coils
        geometric = rate_from_dimensions(*size, modulus_mpa)
    rates = [_rate(placed, curve) for curve in placed.springs.curves]
    mass_g, active_g = masses_g(coil, given.spring_mass_g)
    springs = tuple(
        _spring_limits(placed, curve, given, tensile_mpa, active_g, crank_rpm)
        for curve in placed.springs.curves
    )
    return SetLimits(
        placed.springs.name,
        given,
        coil,
        tensile_mpa,
        mass_g,
        given.spring_mass_g is not None,
        geometric,
        _rate_check(coil, rates, given.shear_modulus_mpa),
        springs,
    )


def _rate_check(
    coil: Coil | None, rates: Sequence[Rate | None], modulus_mpa: float | None
) -> HandbookRate | None:
    """Compare the mean rate, with the largest of the uncertainties, with the handbook's rate."""
    known = [rate for rate in rates if rate is not None]
    if coil is None or coil.coil_diameter_mm is None or not known:
        return None
    mean = math.fsum(rate.rate_n_per_mm for rate in known) / len(known)
    if mean <= 0.0:
        return None
    u = max(rate.rate_u_n_per_mm for rate in known)
    size = coil.wire_mm, coil.coil_diameter_mm, coil.active_coils
    return handbook_rate(*size, mean, u, modulus_mpa)


def _spring_limits(
    placed: PlacedSet,
    curve: SpringCurve,
    given: WireGiven,
    tensile_mpa: float | None,
    active_g: float | None,
    crank_rpm: float | None,
) -> SpringLimits:
    rate, coil = _rate(placed, curve), placed.springs.coil
    own_hz = own_u_hz = ratio = None
    if rate is not None and active_g is not None and rate.rate_n_per_mm > 0.0:
        own_hz = surge_hz(rate.rate_n_per_mm, active_g)
        own_u_hz = own_hz * rate.rate_u_n_per_mm / rate.rate_n_per_mm / 2.0
        ratio = None if crank_rpm is None else own_hz / cam_hz(crank_rpm)
    factor, (shut_mpa, open_mpa, solid_mpa, solid_plain_mpa) = (
        None,
        _stresses_mpa(placed, curve, rate),
    )
    if coil and shut_mpa is not None and open_mpa is not None and tensile_mpa is not None:
        peened = given.shot_peened is True
        factor = fatigue_factor(shut_mpa, open_mpa, tensile_mpa, coil.wire_mm, peened=peened)
    return SpringLimits(
        curve.label,
        None if rate is None else rate.rate_n_per_mm,
        own_hz,
        own_u_hz,
        ratio,
        shut_mpa,
        open_mpa,
        solid_mpa,
        solid_plain_mpa,
        factor,
    )


def _stresses_mpa(placed: PlacedSet, curve: SpringCurve, rate: Rate | None) -> list[float | None]:
    """Stress shut, at full lift and solid, corrected; and solid without the correction.

    The load at solid is that at full lift, carried on at the rate: a spring that stiffens towards
    solid pushes more.
    """
    coil, solid = placed.springs.coil, placed.springs.solid_of(curve.label)
    if coil is None or coil.coil_diameter_mm is None:
        return [None] * 4
    shut_n, open_n = (_load_n(curve, mm) for mm in (placed.seat_height_mm, placed.open_height_mm))
    solid_n = None
    if open_n is not None and rate is not None and solid is not None:
        solid_n = open_n + rate.rate_n_per_mm * (placed.open_height_mm - solid.height_mm)
    stresses = (shear_stress_mpa, shear_stress_mpa, shear_stress_mpa, plain_stress_mpa)
    return [
        None if load_n is None else stress(load_n, coil.wire_mm, coil.coil_diameter_mm)
        for stress, load_n in zip(stresses, (shut_n, open_n, solid_n, solid_n), strict=True)
    ]


def _load_n(curve: SpringCurve, height_mm: float) -> float | None:
    with suppress(HeightNotMeasured):
        return curve.load_at(height_mm).load_n
    return None


def _rate(placed: PlacedSet, curve: SpringCurve) -> Rate | None:
    """The rate between valve shut and full lift, else the curve's own, else None."""
    try:
        return curve.rate_between(placed.seat_height_mm, placed.open_height_mm)
    except HeightNotMeasured:
        return curve.rate


def set_findings(one: SetLimits, placed: PlacedSet, margin_mm: float) -> Iterator[LimitFinding]:
    """Yield what a set doesn't keep at its heights; margin_mm is the least to coil bind."""
    for risk in placed.bind_risks(margin_mm):
        facts = asdict(risk)
        yield LimitFinding(facts.pop("kind"), {"set": facts.pop("set_name")} | facts)
    yield from _stress_findings(one)
    tired, surging, rate = one.worst("fatigue_factor"), one.worst("surge_ratio"), one.rate_check
    if tired is not None and tired.fatigue_factor is not None and tired.fatigue_factor < 1.0:
        yield _of(one, "fatigue_low", tired, fatigue_factor=tired.fatigue_factor, limit=1.0)
    ratio = None if surging is None else surging.surge_ratio
    if surging is not None and ratio is not None and ratio < TEXTBOOK_RATIO:
        yield _of(one, "surge_near", surging, surge_hz=surging.surge_hz, ratio=ratio)
    if rate is not None and not rate.agrees:
        yield LimitFinding("rate_differs", {"set": one.set_name, **vars(rate)})


def _stress_findings(one: SetLimits) -> Iterator[LimitFinding]:
    worst, solid, tensile_mpa = one.worst("open_mpa"), one.worst("solid_plain_mpa"), one.tensile_mpa
    if tensile_mpa is None or any(each.open_mpa is None for each in one.springs):
        yield LimitFinding("stress_unknown", {"set": one.set_name})
    if tensile_mpa is None:
        return
    if worst is not None and worst.open_mpa is not None:
        wire = one.given.wire
        low, high = (SHEAR_SHARE, SHEAR_SHARE) if wire is None else wire.elastic_shares
        beyond: LimitKind = "stress_rupture" if wire is None else "stress_elastic"
        kind: LimitKind = beyond if worst.open_mpa > high * tensile_mpa else "stress_near"
        facts = {"limit_from_mpa": low * tensile_mpa, "limit_mpa": high * tensile_mpa}
        if worst.open_mpa > low * tensile_mpa:
            yield _of(one, kind, worst, stress_mpa=worst.open_mpa, tensile_mpa=tensile_mpa, **facts)
    limit_mpa, plain_mpa = STATIC_SHARE * tensile_mpa, 0.0
    if solid is not None and solid.solid_plain_mpa is not None:
        plain_mpa = solid.solid_plain_mpa
    if solid is not None and plain_mpa > limit_mpa:
        numbers = {"stress_mpa": plain_mpa, "tensile_mpa": tensile_mpa, "limit_mpa": limit_mpa}
        yield _of(one, "stress_solid", solid, **numbers)


def _of(one: SetLimits, kind: LimitKind, spring: SpringLimits, **facts: Any) -> LimitFinding:
    return LimitFinding(kind, {"set": one.set_name, "spring": spring.label, **facts})
