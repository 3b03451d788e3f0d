"""The limits of one build: wire, fatigue, surge and valve float, from what is given. Pure.

What isn't given isn't guessed: it is listed. The cautions go with every one of them: they support
a decision, they don't make it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from operator import mul
from typing import Literal

from msgspec import structs

from coilbench.analysis.curves.curve import HeightNotMeasured, Rate, SpringCurve
from coilbench.analysis.engine.build_file import BuildFile, WireGiven
from coilbench.analysis.engine.coil import Coil
from coilbench.analysis.engine.placed import PlacedSet, SetCurves, place
from coilbench.analysis.engine.shims import SeatChoice
from coilbench.analysis.limits.stress import (
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
from coilbench.analysis.limits.valve_motion import (
    SPRING_SHARE,
    LiftTable,
    MovedMass,
    ValveFloat,
    valve_float,
)


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


def _set_limits(placed: PlacedSet, given: WireGiven, crank_rpm: float | None) -> SetLimits:
    coil = placed.springs.coil
    tensile_mpa: float | None = given.tensile_mpa
    geometric = None
    if coil is not None and given.wire is not None:
        if tensile_mpa is None:
            tensile_mpa = given.wire.tensile_mpa(coil.wire_mm)
        if coil.coil_diameter_mm is not None:
            geometric = rate_from_dimensions(
                coil.wire_mm,
                coil.coil_diameter_mm,
                coil.active_coils,
                given.wire.shear_modulus_mpa(coil.wire_mm),
            )
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
        _rate_check(coil, [_rate(placed, curve) for curve in placed.springs.curves]),
        springs,
    )


def _rate_check(coil: Coil | None, rates: Sequence[Rate | None]) -> HandbookRate | None:
    """Compare the mean rate, with the largest of the uncertainties, with the handbook's rate."""
    known = [rate for rate in rates if rate is not None]
    if coil is None or coil.coil_diameter_mm is None or not known:
        return None
    mean = math.fsum(rate.rate_n_per_mm for rate in known) / len(known)
    if mean <= 0.0:
        return None
    u = max(rate.rate_u_n_per_mm for rate in known)
    return handbook_rate(coil.wire_mm, coil.coil_diameter_mm, coil.active_coils, mean, u)


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
    coil, solid_mm = placed.springs.coil, placed.springs.solid_of_mm(curve)
    if coil is None or coil.coil_diameter_mm is None:
        return [None] * 4
    shut_n, open_n = (_load_n(curve, mm) for mm in (placed.seat_height_mm, placed.open_height_mm))
    solid_n = None
    if open_n is not None and rate is not None and solid_mm is not None:
        solid_n = open_n + rate.rate_n_per_mm * (placed.open_height_mm - solid_mm)
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


NotGivenKind = Literal[
    "dimensions", "coil_diameter", "material", "strength", "shot_peened", "max_rpm", "lift_table",
    "rocker_ratio", "lash", "masses", "weighing_u", "spring_mass",
]  # fmt: skip


@dataclass(frozen=True)
class NotGiven:
    """What isn't given, and so limits aren't known; the wire is the set's material."""

    kind: NotGivenKind
    set_name: str | None = None
    wire: str | None = None


@dataclass(frozen=True)
class LimitsReport:
    """What is known of a build's limits, at the highest speed where that is given.

    Attributes:
        heights_mm: lowest and highest of the outer's installed heights: stress is that at the
            lowest, the force on the valve that at the highest.
        valve: None where lift table or masses aren't given.
        side: whose card it is; empty where one serves all valves.
    """

    name: str
    choice: SeatChoice
    crank_rpm: float | None
    card_lift_mm: float
    heights_mm: tuple[float, float]
    sets: tuple[SetLimits, ...]
    valve: ValveFloat | None
    missing: tuple[NotGiven, ...]
    side: str = ""


def assess_limits(
    build: BuildFile,
    outer: SetCurves,
    inner: SetCurves | None,
    choice: SeatChoice,
    table: LiftTable | None,
) -> LimitsReport:
    """Work out a build's limits with what is under its sets, and the lift table it names."""
    given_mm = build.head.valve_heights_mm.values() or [build.head.installed_height_mm]
    heights_mm = min(given_mm), max(given_mm)
    lowest, highest = (
        place(_with_all_at(build, height_mm), outer, inner, choice) for height_mm in heights_mm
    )
    crank_rpm = build.cam.max_rpm
    sets = tuple(_set_limits(each, build.wires[each.springs.name], crank_rpm) for each in lowest)
    valve, mass, gear = None, _moved_mass(build, sets), _gear(build, table)
    if table is not None and mass is not None and gear is not None:
        valve = valve_float(table, gear, mass, highest, crank_rpm)
    return LimitsReport(
        build.name,
        choice,
        crank_rpm,
        build.cam.valve_lift_mm,
        heights_mm,
        sets,
        valve,
        tuple(_missing(build, sets, table)),
        build.cam.side or "",
    )


def _with_all_at(build: BuildFile, height_mm: float) -> BuildFile:
    return replace(build, head=structs.replace(build.head, installed_height_mm=height_mm))


def _moved_mass(build: BuildFile, sets: Sequence[SetLimits]) -> MovedMass | None:
    """Parts at the valve and a third of the springs; None where a mass of these isn't given.

    A part on the cam's side moves slower by the rocker ratio: its kinetic energy is that of
    1/ratio^2 of its mass at the valve. The uncertainty is the weighing's of each part and spring,
    0 where that isn't given.
    """
    train = build.train
    known_g = [each.spring_mass_g for each in sets if each.spring_mass_g is not None]
    if not train.masses_g or len(known_g) < len(sets):
        return None
    share = 1.0 if train.rocker_ratio is None else train.rocker_ratio**-2
    shares = [1.0] * len(train.masses_g) + [share] * len(train.cam_side_masses_g)
    shares += [SPRING_SHARE] * len(known_g)
    masses_g = [*train.masses_g.values(), *train.cam_side_masses_g.values(), *known_g]
    each_u_g = 0.0 if train.weighing_u_g is None else train.weighing_u_g
    return MovedMass(math.fsum(map(mul, shares, masses_g)), each_u_g * math.hypot(*shares))


def _gear(build: BuildFile, table: LiftTable | None) -> tuple[float, float] | None:
    """Rocker ratio and lash between the table's lift and the valve's; None where not given."""
    if table is None or table.of == "valve":
        return 1.0, 0.0
    ratio, lash_mm = build.train.rocker_ratio, build.train.lash_mm
    return None if ratio is None or lash_mm is None else (ratio, lash_mm)


def _missing(
    build: BuildFile, sets: Sequence[SetLimits], table: LiftTable | None
) -> Iterator[NotGiven]:
    """Yield what would tell more of a set, and at which speed the valve leaves its cam."""
    for one in sets:
        coil, wire, unknown = one.coil, one.given.wire, one.tensile_mpa is None
        of_set: dict[NotGivenKind, bool] = {
            "dimensions": coil is None,
            "coil_diameter": coil is not None and coil.coil_diameter_mm is None,
            "material": unknown and wire is None,
            "strength": unknown and wire is not None,
            "shot_peened": one.given.shot_peened is None,
        }
        name = None if wire is None else wire.name
        yield from (NotGiven(kind, one.set_name, name) for kind, is_so in of_set.items() if is_so)
    train, of_lobe = build.train, table is not None and table.of == "lobe"
    of_train: dict[NotGivenKind, bool] = {
        "max_rpm": build.cam.max_rpm is None,
        "lift_table": table is None,
        "rocker_ratio": of_lobe and train.rocker_ratio is None,
        "lash": of_lobe and train.lash_mm is None,
        "masses": not train.masses_g,
        "weighing_u": bool(train.masses_g) and train.weighing_u_g is None,
    }
    yield from (NotGiven(kind) for kind, is_so in of_train.items() if is_so)
    yield from (NotGiven("spring_mass", one.set_name) for one in sets if one.spring_mass_g is None)
