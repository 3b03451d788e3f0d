"""The limits of one build: wire, fatigue, surge and valve float, from what is given. Pure.

What isn't given isn't guessed: it is listed. The cautions go with every one of them: they support
a decision, they don't make it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from msgspec import structs

from coilbench.analysis.curves.curve import HeightNotMeasured, Rate, SpringCurve
from coilbench.analysis.engine.build_file import BuildFile, WireGiven
from coilbench.analysis.engine.coil import Coil
from coilbench.analysis.engine.placed import PlacedSet, SetCurves, place
from coilbench.analysis.engine.shims import SeatChoice
from coilbench.analysis.limits import stress
from coilbench.analysis.limits.valve_motion import SPRING_SHARE, LiftTable, ValveFloat, valve_float


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
        tensile_mpa: tensile strength, given or of the table.
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
    rate_check: stress.HandbookRate | None
    springs: tuple[SpringLimits, ...]

    def worst(self, name: str) -> SpringLimits | None:
        """The spring with the most stress, or the least of another attribute; None if unknown."""
        sign = -1.0 if name.endswith("_mpa") else 1.0
        known = [each for each in self.springs if getattr(each, name) is not None]
        return min(known, key=lambda each: sign * float(getattr(each, name)), default=None)


def _set_limits(placed: PlacedSet, given: WireGiven, crank_rpm: float | None) -> SetLimits:
    """Work out a set's limits from what is known of it and its wire."""
    coil = placed.springs.coil
    tensile_mpa: float | None = given.tensile_mpa
    geometric = None
    if coil is not None and given.wire is not None:
        if tensile_mpa is None:
            tensile_mpa = given.wire.tensile_mpa(coil.wire_mm)
        if coil.coil_diameter_mm is not None:
            geometric = stress.rate_from_dimensions(
                coil.wire_mm,
                coil.coil_diameter_mm,
                coil.active_coils,
                given.wire.shear_modulus_mpa(coil.wire_mm),
            )
    mass_g, active_g = stress.masses_g(coil, given.spring_mass_g)
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


def _rate_check(coil: Coil | None, rates: Sequence[Rate | None]) -> stress.HandbookRate | None:
    """Compare the mean rate, with the largest of the uncertainties, with the handbook's rate."""
    known = [rate for rate in rates if rate is not None]
    if coil is None or coil.coil_diameter_mm is None or not known:
        return None
    mean = math.fsum(rate.rate_n_per_mm for rate in known) / len(known)
    u = max(rate.rate_u_n_per_mm for rate in known)
    if mean <= 0.0:
        return None
    return stress.handbook_rate(coil.wire_mm, coil.coil_diameter_mm, coil.active_coils, mean, u)


def _spring_limits(
    placed: PlacedSet,
    curve: SpringCurve,
    given: WireGiven,
    tensile_mpa: float | None,
    active_g: float | None,
    crank_rpm: float | None,
) -> SpringLimits:
    loads_n = [_load_n(curve, height) for height in (placed.seat_height_mm, placed.open_height_mm)]
    rate = _rate(placed, curve)
    own_hz = own_u_hz = ratio = None
    if rate is not None and active_g is not None and rate.rate_n_per_mm > 0.0:
        own_hz = stress.surge_hz(rate.rate_n_per_mm, active_g)
        own_u_hz = own_hz * rate.rate_u_n_per_mm / rate.rate_n_per_mm / 2.0
        ratio = None if crank_rpm is None else own_hz / stress.cam_hz(crank_rpm)
    shut_mpa, open_mpa, solid_mpa, solid_plain_mpa = _stresses_mpa(placed, curve, loads_n, rate)
    factor, coil = None, placed.springs.coil
    if coil and shut_mpa is not None and open_mpa is not None and tensile_mpa is not None:
        both_mpa, peened = (shut_mpa, open_mpa), given.shot_peened is True
        factor = stress.zimmerli_factor(both_mpa, tensile_mpa, coil.wire_mm, peened)
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


def _stresses_mpa(
    placed: PlacedSet, curve: SpringCurve, loads_n: list[float | None], rate: Rate | None
) -> tuple[float | None, ...]:
    """Stress shut, at full lift and solid, corrected; and solid without the correction.

    The load at solid is that at full lift, carried on at the rate: a spring that stiffens towards
    solid pushes more.
    """
    coil = placed.springs.coil
    if coil is None or coil.coil_diameter_mm is None:
        return None, None, None, None
    solid_n = None
    solid_mm = placed.springs.solid_of_mm(curve)
    if loads_n[1] is not None and rate is not None and solid_mm is not None:
        solid_n = loads_n[1] + rate.rate_n_per_mm * (placed.open_height_mm - solid_mm)
    wire_mm, coil_mm = coil.wire_mm, coil.coil_diameter_mm
    corrected = tuple(
        None if load_n is None else stress.shear_stress_mpa(load_n, wire_mm, coil_mm)
        for load_n in (*loads_n, solid_n)
    )
    plain = None if solid_n is None else stress.plain_stress_mpa(solid_n, wire_mm, coil_mm)
    return *corrected, plain


def _load_n(curve: SpringCurve, height_mm: float) -> float | None:
    try:
        return curve.load_at(height_mm).load_n
    except HeightNotMeasured:
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
    """What isn't given, and so limits aren't known.

    Attributes:
        wire: the material whose strength the table lacks.
    """

    kind: NotGivenKind
    set_name: str | None = None
    wire: str | None = None


@dataclass(frozen=True)
class LimitsReport:
    """What is known of a build's limits.

    Attributes:
        crank_rpm: highest speed of the crankshaft; None where it isn't given.
        card_lift_mm: valve lift on the cam card.
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
        place(_with_all_at(build, height_mm), outer, inner, choice, {}) for height_mm in heights_mm
    )
    crank_rpm = build.cam.max_rpm
    sets = tuple(_set_limits(each, build.wires[each.springs.name], crank_rpm) for each in lowest)
    missing = [each for one in sets for each in _missing_of_set(one)]
    missing += [NotGiven("max_rpm")] if crank_rpm is None else []
    missing += _missing_of_train(build, sets, table)
    valve, mass, gear = None, _effective_mass_g(build, sets), _gear(build, table)
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
        tuple(missing),
        build.cam.side or "",
    )


def _with_all_at(build: BuildFile, height_mm: float) -> BuildFile:
    return replace(build, head=structs.replace(build.head, installed_height_mm=height_mm))


def _effective_mass_g(build: BuildFile, sets: Sequence[SetLimits]) -> tuple[float, float] | None:
    """What the springs have to move: parts at the valve and a third of the springs.

    A part on the cam's side moves slower by the rocker ratio: its kinetic energy is that of
    1/ratio^2 of its mass at the valve.

    Returns:
        The mass and its expanded uncertainty, the weighing's of each part and spring; 0 where it
        isn't given. None where no part or not every spring's mass is given.
    """
    train = build.train
    spring_g = [each.spring_mass_g for each in sets]
    known_g = [mass_g for mass_g in spring_g if mass_g is not None]
    if not train.masses_g or len(known_g) < len(sets):
        return None
    share = 1.0 if train.rocker_ratio is None else train.rocker_ratio**-2
    shares = [1.0] * len(train.masses_g) + [share] * len(train.cam_side_masses_g)
    shares += [SPRING_SHARE] * len(known_g)
    masses_g = [*train.masses_g.values(), *train.cam_side_masses_g.values(), *known_g]
    each_u_g = 0.0 if train.weighing_u_g is None else train.weighing_u_g
    mass_g = math.fsum(part * each for part, each in zip(shares, masses_g, strict=True))
    return mass_g, each_u_g * math.hypot(*shares)


def _gear(build: BuildFile, table: LiftTable | None) -> tuple[float, float] | None:
    """Rocker ratio and lash between the table's lift and the valve's; None where not given."""
    if table is None or table.of == "valve":
        return 1.0, 0.0
    ratio, lash_mm = build.train.rocker_ratio, build.train.lash_mm
    return None if ratio is None or lash_mm is None else (ratio, lash_mm)


def _missing_of_set(each: SetLimits) -> Iterator[NotGiven]:
    """Yield what would tell more of a set."""
    name = each.set_name
    if each.coil is None:
        yield NotGiven("dimensions", name)
    elif each.coil.coil_diameter_mm is None:
        yield NotGiven("coil_diameter", name)
    if each.tensile_mpa is None:
        kind = each.given.wire
        yield NotGiven("material", name) if kind is None else NotGiven("strength", name, kind.name)
    if each.given.shot_peened is None:
        yield NotGiven("shot_peened", name)


def _missing_of_train(
    build: BuildFile, sets: Sequence[SetLimits], table: LiftTable | None
) -> Iterator[NotGiven]:
    """Yield what would tell at which speed the valve leaves its cam."""
    train = build.train
    if table is None:
        yield NotGiven("lift_table")
    elif table.of == "lobe":
        if train.rocker_ratio is None:
            yield NotGiven("rocker_ratio")
        if train.lash_mm is None:
            yield NotGiven("lash")
    if not train.masses_g:
        yield NotGiven("masses")
    elif train.weighing_u_g is None:
        yield NotGiven("weighing_u")
    yield from (NotGiven("spring_mass", one.set_name) for one in sets if one.spring_mass_g is None)
