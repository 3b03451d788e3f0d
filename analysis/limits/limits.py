"""The limits of one build: wire, fatigue, surge and valve float, from what is given. Pure.

What isn't given isn't guessed: it is listed. DESIGN's caution goes with every one of them: they
support a decision, they don't make it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from msgspec import structs

from coilbench.analysis.engine.build_file import BuildFile, LimitsGiven, WireGiven
from coilbench.analysis.engine.change_for_load import Standing
from coilbench.analysis.engine.placed_sets import PlacedSet, SetCurves, place
from coilbench.analysis.engine.shims import SeatChoice
from coilbench.analysis.limits.lift_table import LiftTable
from coilbench.analysis.limits.set_limits import SetLimits, set_limits
from coilbench.analysis.limits.spring_force import weakest_force
from coilbench.analysis.limits.valve_motion import (
    SPRING_SHARE,
    ForceMargin,
    LimitingSpeed,
    Mass,
    ValveMotion,
    force_margin,
    limiting_speed,
    valve_motion,
)


@dataclass(frozen=True)
class ValveFloat:
    """The valve on its cam.

    Attributes:
        mass: what the springs have to move, a third of their own mass in it.
        highest_lift_mm: of the lift table, at the valve.
        greatest_slowing_mm_per_rad2: by the camshaft's angle; 0 where the table shows none.
        scatter_mm: of the lift table about its spline.
        speed: where the spring force runs out; None where it can't be said.
        margin: at the highest speed; None where that isn't given or it can't be said.
    """

    mass: Mass
    highest_lift_mm: float
    greatest_slowing_mm_per_rad2: float
    scatter_mm: float
    speed: LimitingSpeed | None
    margin: ForceMargin | None


@dataclass(frozen=True)
class LimitsReport:
    """What is known of a build's limits.

    Attributes:
        name: the build file's.
        choice: what lies under the springs.
        crank_rpm: highest speed of the crankshaft; None where it isn't given.
        card_lift_mm: valve lift on the cam card.
        heights_mm: lowest and highest of the outer's installed heights: stress is that at the
            lowest, the force on the valve that at the highest.
        sets: outer, perhaps inner.
        valve: None where lift table or masses aren't given.
        missing: what isn't given and what it would tell, in words without a full stop.
    """

    name: str
    choice: SeatChoice
    crank_rpm: float | None
    card_lift_mm: float
    heights_mm: tuple[float, float]
    sets: tuple[SetLimits, ...]
    valve: ValveFloat | None
    missing: tuple[str, ...]


def assess_limits(
    build: BuildFile,
    outer: SetCurves,
    inner: SetCurves | None,
    choice: SeatChoice,
    given: LimitsGiven,
    table: LiftTable | None,
) -> LimitsReport:
    """Work out a build's limits.

    Args:
        build: cam and head.
        outer, inner: the sets; no inner for single springs.
        choice: what lies under them.
        given: wires and valve train.
        table: the lift table that it names; None where it names none.
    """
    given_mm = build.head.valve_heights_mm.values() or [build.head.installed_height_mm]
    heights_mm = min(given_mm), max(given_mm)
    lowest, highest = (
        place(_with_all_at(build, height_mm), outer, inner, choice, {}) for height_mm in heights_mm
    )
    crank_rpm = build.cam.max_rpm
    sets = tuple(
        set_limits(each, given.wires.get(each.springs.name, WireGiven()), crank_rpm)
        for each in lowest
    )
    missing = [words for each in sets for words in _missing_of_set(each)]
    if crank_rpm is None:
        missing.append("cam.max_rpm: how far surge lies above the cam's speed, and the force left")
    missing += _missing_of_train(given, sets, table)
    valve = None
    mass = effective_mass(given, sets)
    motion = None if table is None else _motion(given, table)
    if mass is not None and motion is not None:
        valve = _float(highest, mass, motion, crank_rpm)
    return LimitsReport(
        build.name,
        choice,
        crank_rpm,
        build.cam.valve_lift_mm,
        heights_mm,
        sets,
        valve,
        tuple(missing),
    )


def _with_all_at(build: BuildFile, height_mm: float) -> BuildFile:
    return replace(build, head=structs.replace(build.head, installed_height_mm=height_mm))


def effective_mass(given: LimitsGiven, sets: Sequence[SetLimits]) -> Mass | None:
    """What the springs have to move: parts at the valve and a third of the springs.

    A part on the cam's side moves slower by the rocker ratio: its kinetic energy is that of
    1/ratio^2 of its mass at the valve.

    Returns:
        None where no part or not every spring's mass is given. The uncertainty is the weighing's
        of each part and spring; 0 where it isn't given.
    """
    train = given.train
    spring_g = [each.spring_mass_g for each in sets]
    known_g = [mass_g for mass_g in spring_g if mass_g is not None]
    if not train.masses_g or len(known_g) < len(sets):
        return None
    share = 1.0 if train.rocker_ratio is None else train.rocker_ratio**-2
    shares = [1.0] * len(train.masses_g) + [share] * len(train.cam_side_masses_g)
    shares += [SPRING_SHARE] * len(known_g)
    masses_g = [*train.masses_g.values(), *train.cam_side_masses_g.values(), *known_g]
    each_u_g = 0.0 if train.weighing_u_g is None else train.weighing_u_g
    return Mass(
        math.fsum(part * mass_g for part, mass_g in zip(shares, masses_g, strict=True)),
        each_u_g * math.hypot(*shares),
    )


def _motion(given: LimitsGiven, table: LiftTable) -> ValveMotion | None:
    """How the table moves the valve; None for a lobe's without rocker ratio and lash."""
    if table.of == "valve":
        return valve_motion(table, 1.0, 0.0)
    ratio, lash_mm = given.train.rocker_ratio, given.train.lash_mm
    return None if ratio is None or lash_mm is None else valve_motion(table, ratio, lash_mm)


def _float(
    placed: Sequence[PlacedSet], mass: Mass, motion: ValveMotion, crank_rpm: float | None
) -> ValveFloat:
    standing = [Standing(each.springs, each.seat_height_mm) for each in placed]
    springs = weakest_force(standing, motion.lift_mm)
    margin = None
    if crank_rpm is not None:
        margin = force_margin(motion, springs, mass.mass_g, crank_rpm)
    return ValveFloat(
        mass,
        float(motion.lift_mm.max()),
        float(max(-motion.accel_mm_per_rad2.min(), 0.0)),
        motion.scatter_mm,
        limiting_speed(motion, springs, mass),
        margin,
    )


def _missing_of_set(each: SetLimits) -> list[str]:
    """Name what would tell more of a set."""
    name, missing = each.set_name, []
    if each.coil is None:
        missing.append(f"wire and active coils of {name} (coilbench set new): stress and surge")
    elif each.coil.coil_diameter_mm is None:
        missing.append(f"coil diameter of {name} (coilbench set new): stress and surge")
    if each.tensile_mpa is None:
        kind = each.given.wire
        why = "" if kind is None else f", which the table lacks for this {kind.name} wire"
        missing.append(
            f"wire.{name}.material or tensile_strength{why}: stress against strength, fatigue"
        )
    if each.given.shot_peened is None:
        missing.append(f"wire.{name}.shot_peened: taken as not peened, the weaker case")
    return missing


def _missing_of_train(
    given: LimitsGiven, sets: Sequence[SetLimits], table: LiftTable | None
) -> list[str]:
    """Name what would tell at which speed the valve leaves its cam."""
    train, missing = given.train, []
    tells = "the speed at which the valve leaves its cam"
    if table is None:
        missing.append(f"valve_train.lift_table: {tells}")
    elif table.of == "lobe":
        for key, value in (("rocker_ratio", train.rocker_ratio), ("lash", train.lash_mm)):
            if value is None:
                missing.append(f"valve_train.{key}, since the lift table is the lobe's: {tells}")
    if not train.masses_g:
        missing.append(f"valve_train.masses, weighed: {tells}")
    elif train.weighing_u_g is None:
        missing.append("valve_train.weighing_u: the masses' part of the speed's uncertainty")
    missing += [
        f"wire.{each.set_name}.spring_mass, or its dimensions: {tells}"
        for each in sets
        if each.spring_mass_g is None
    ]
    return missing
