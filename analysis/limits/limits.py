"""The limits of one build: wire, fatigue, surge, bind, clearance, valve float. Pure.

What isn't given isn't guessed: it is listed. The cautions go with every one of them: they support
a decision, they don't make it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from operator import mul
from typing import Any, Literal, get_args

import msgspec
from msgspec.structs import asdict, replace

from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.cam import exceeds
from coilbench.analysis.engine.placed import PlacedSet, SetCurves, place
from coilbench.analysis.engine.shims import SeatChoice
from coilbench.analysis.limits.spring_limits import (
    LimitFinding,
    LimitKind,
    SetLimits,
    Severity,
    SpringLimits,
)
from coilbench.analysis.limits.stress import SHEAR_SHARE, STATIC_SHARE, set_limits
from coilbench.analysis.limits.valve_motion import (
    SPRING_SHARE,
    LiftTable,
    MovedMass,
    ValveFloat,
    valve_float,
)

SEVERITIES: tuple[Severity, ...] = get_args(Severity)
LIFT_ODD = 0.03  # ours: of the card's lift, how far the lift table's peak may be from it
NotGivenKind = Literal[
    "dimensions", "coil_diameter", "material", "strength", "shot_peened", "max_rpm", "lift_table",
    "rocker_ratio", "lash", "masses", "weighing_u", "spring_mass",
]  # fmt: skip
TEXTBOOK_RATIO = 15.0  # Shigley, chapter 10: 15 to 20 times the forcing frequency


class NotGiven(msgspec.Struct, frozen=True):
    """What isn't given, and so limits aren't known; the wire is the set's material."""

    kind: NotGivenKind
    set_name: str | None = None
    wire: str | None = None


LimitAssumption = Literal["loads_cold", "ratio_constant"]


class LimitsReport(msgspec.Struct, frozen=True):
    """What is known of a build's limits, at the highest speed where that is given.

    Attributes:
        heights_mm: lowest and highest of the outer's installed heights: stress is that at the
            lowest, the force on the valve that at the highest.
        valve: None where lift table or masses aren't given.
        findings: what isn't kept, or of which that can't be said.
        assumed: what all of it rests on.
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
    findings: tuple[LimitFinding, ...] = ()
    assumed: tuple[LimitAssumption, ...] = ("loads_cold",)
    side: str = ""

    @property
    def outer(self) -> str:
        """The outer set's name."""
        return self.sets[0].set_name

    @property
    def inner(self) -> str | None:
        """The inner set's name; None for single springs."""
        return self.sets[1].set_name if len(self.sets) > 1 else None

    @property
    def failures(self) -> tuple[LimitFinding, ...]:
        """The findings by which the answer fails."""
        return tuple(each for each in self.findings if each.severity == "fails")

    @property
    def fails(self) -> bool:
        """Whether a limit is known not to be kept."""
        return bool(self.failures)


def assess_limits(
    build: BuildFile,
    outer: SetCurves,
    inner: SetCurves | None,
    choice: SeatChoice,
    table: LiftTable | None,
    bare_mm: Mapping[tuple[str, str], float] | None = None,
) -> LimitsReport:
    """Work out a build's limits with what is under its sets, and the lift table it names.

    Coil bind is that of each spring at its valve, where bare_mm gives them (see place).
    """
    given_mm = build.head.valve_heights_mm.values() or [build.head.installed_height_mm]
    heights_mm = min(given_mm), max(given_mm)
    lowest, highest = (
        place(_with_all_at(build, height_mm), outer, inner, choice) for height_mm in heights_mm
    )
    crank_rpm = build.cam.max_rpm
    sets = tuple(set_limits(each, build.wires[each.springs.name], crank_rpm) for each in lowest)
    valve, mass, gear = None, _moved_mass(build, sets), _gear(build, table)
    if table is not None and mass is not None and gear is not None:
        valve = valve_float(table, gear, mass, highest, crank_rpm)
    findings = [*_clearance_findings(build), *_speed_findings(valve, crank_rpm)]
    findings += _lift_findings(build.cam.valve_lift_mm, table, gear)
    standing = place(build, outer, inner, choice, bare_mm)
    for one, each in zip(sets, standing, strict=True):
        findings += set_findings(one, each, build.limits.coil_bind_margin_mm)
    geared = (table is not None and table.of == "lobe") or build.train.cam_side_masses_g
    return LimitsReport(
        build.name,
        choice,
        crank_rpm,
        build.cam.valve_lift_mm,
        heights_mm,
        sets,
        valve,
        tuple(_missing(build, sets, table)),
        tuple(sorted(findings, key=lambda each: SEVERITIES.index(each.severity))),
        ("loads_cold", "ratio_constant") if geared else ("loads_cold",),
        build.cam.side or "",
    )


def _clearance_findings(build: BuildFile) -> Iterator[LimitFinding]:
    limit_mm, lift_mm = build.limits.min_clearance_mm, build.cam.valve_lift_mm
    for valve, shut_mm in build.head.clearances_mm.items():
        clearance_mm = None if shut_mm is None else round(shut_mm - lift_mm, 6)
        kind: LimitKind = "clearance_unknown" if clearance_mm is None else "clearance_low"
        if clearance_mm is None or exceeds(limit_mm, clearance_mm):
            facts = {"valve": valve, "clearance_mm": clearance_mm, "limit_mm": limit_mm}
            yield LimitFinding(kind, facts)


def _speed_findings(valve: ValveFloat | None, crank_rpm: float | None) -> Iterator[LimitFinding]:
    """Yield that the valve leaves its cam below the highest speed, may, or that it can't be said.

    The values decide; where the uncertainty reaches over, or a spring was not measured, it may.
    """
    speed = None if valve is None else valve.speed
    if speed is None or crank_rpm is None:
        yield LimitFinding("speed_unknown", {"max_rpm": crank_rpm})
        return
    unsure = speed.crank_rpm - speed.crank_rpm_u < crank_rpm or speed.unread_mm is not None
    surely_low = speed.crank_rpm + speed.crank_rpm_u < crank_rpm
    kind: LimitKind = "speed_low" if surely_low else "speed_unsure"
    if kind == "speed_low" or unsure:
        found = {"speed_rpm": speed.crank_rpm, "speed_u_rpm": speed.crank_rpm_u}
        where = {"lift_mm": speed.lift_mm, "spring_n": speed.spring_n}
        yield LimitFinding(kind, {"max_rpm": crank_rpm, **found, **where})


def _lift_findings(
    card_mm: float, table: LiftTable | None, gear: tuple[float, float] | None
) -> Iterator[LimitFinding]:
    """Yield that the lift table's peak, at the valve, is not the card's lift."""
    if table is None or gear is None:
        return
    peak_mm = gear[0] * float(table.lift_mm.max()) - gear[1]
    if abs(peak_mm - card_mm) > LIFT_ODD * card_mm:
        facts = {"table": table.name, "table_lift_mm": peak_mm, "card_lift_mm": card_mm}
        yield LimitFinding("lift_differs", facts)


def _with_all_at(build: BuildFile, height_mm: float) -> BuildFile:
    return replace(build, head=replace(build.head, installed_height_mm=height_mm))


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


def set_findings(one: SetLimits, placed: PlacedSet, margin_mm: float) -> Iterator[LimitFinding]:
    """Yield what a set doesn't keep at its heights; margin_mm is the least to coil bind."""
    for risk in placed.bind_risks(margin_mm):
        facts = asdict(risk)
        facts.pop("kind", None)  # of some it is the class's
        yield LimitFinding(risk.kind, {"set": facts.pop("set_name")} | facts)
    yield from _stress_findings(one)
    tired, surging, rate = one.worst("fatigue_factor"), one.worst("surge_ratio"), one.rate_check
    if tired is not None and tired.fatigue_factor is not None and tired.fatigue_factor < 1.0:
        yield _of(one, "fatigue_low", tired, fatigue_factor=tired.fatigue_factor, limit=1.0)
    ratio = None if surging is None else surging.surge_ratio
    if surging is not None and ratio is not None and ratio < TEXTBOOK_RATIO:
        yield _of(one, "surge_near", surging, surge_hz=surging.surge_hz, ratio=ratio)
    if rate is not None and not rate.agrees:
        yield LimitFinding("rate_differs", {"set": one.set_name, **asdict(rate)})


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
