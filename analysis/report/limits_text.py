"""A build's limits in sentences, each with its formula and source, and in JSON."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any, ClassVar, get_args

import msgspec

from coilbench.analysis.engine.coil import TABLES
from coilbench.analysis.engine.reasons import (
    BindRisk,
    ClearanceLow,
    RiskKind,
    SolidContradicted,
    SomeBind,
)
from coilbench.analysis.limits.limits import LimitAssumption, LimitsReport, NotGiven, NotGivenKind
from coilbench.analysis.limits.spring_limits import (
    HandbookRate,
    LimitFinding,
    LimitKind,
    LimitSource,
    SetLimits,
    Severity,
)
from coilbench.analysis.limits.stress import STATIC_SHARE, USUAL_RATIOS
from coilbench.analysis.limits.valve_motion import ForceMargin, ValveFloat
from coilbench.analysis.report.build_text import CAUTIONS
from coilbench.analysis.report.document import describe, filled, json_keys, sentences
from coilbench.analysis.report.units import Units

SEVERITY: dict[Severity, str] = {"fails": "Fails", "unknown": "Not known", "caution": "Caution"}
SOURCES: dict[LimitSource, str] = {
    "shigley_10": "Shigley, ch. 10",
    "shigley_10_5": "Shigley, table 10-5",
    "zimmerli": "Goodman's line through Zimmerli's data, Shigley, ch. 10",
    "en_13906_1": "EN 13906-1",
    "build_file": "the build file's limit, or common practice where it gives none",
    "cam_card": "the cam card's highest speed",
    "ours": "our choice, no source",
}
ASSUMED: dict[LimitAssumption, str] = {
    "loads_cold": "Loads are cold, as measured: hot and in time springs lose some of them",
    "ratio_constant": "The rocker ratio is taken as constant over the lift",
}
ROCKER = (
    "a rocker's is its moment of inertia about its pivot over the square of its arm to the valve, "
    "for an even bar a third of its mass times 1 - q + q^2, q the other arm over this one"
)
FLOAT_SPEED = "the speed at which the valve leaves its cam"
NOT_GIVEN: dict[NotGivenKind, str] = {
    "dimensions": "wire and active coils of {set_name} (coilbench set edit): stress and surge",
    "coil_diameter": "coil diameter of {set_name} (coilbench set edit): stress and surge",
    "material": "wire.{set_name}.material or tensile_strength: stress against strength, fatigue",
    "strength": "wire.{set_name}.material or tensile_strength, which the table lacks for this "
    "{wire} wire: stress against strength, fatigue",
    "shot_peened": "wire.{set_name}.shot_peened: taken as not peened, the weaker case",
    "max_rpm": "cam.max_rpm: how far surge lies above the cam's speed, and the force left",
    "lift_table": f"valve_train.lift_table: {FLOAT_SPEED}",
    "rocker_ratio": f"valve_train.rocker_ratio, since the lift table is the lobe's: {FLOAT_SPEED}",
    "lash": f"valve_train.lash, since the lift table is the lobe's: {FLOAT_SPEED}",
    "masses": f"valve_train.masses, weighed: {FLOAT_SPEED}; {ROCKER}",
    "weighing_u": "valve_train.weighing_u: the masses' part of the speed's uncertainty",
    "spring_mass": f"wire.{{set_name}}.spring_mass, or its dimensions: {FLOAT_SPEED}",
}


sentences(NotGiven, NOT_GIVEN)
json_keys(
    SetLimits,
    "set=set_name material=given.material tensile_mpa shot_peened=given.shot_peened "
    "spring_mass_g spring_mass_weighed=weighed "
    "rate_from_dimensions_n_per_mm=geometric_rate_n_per_mm rate_check springs",
)
json_keys(
    LimitsReport,
    "build=name outer inner shim_mm=choice.shim_mm seat_cut_mm=choice.seat_cut_mm crank_rpm "
    "installed_heights_mm=heights_mm sets valve fails verdicts=findings",
)
json_keys(LimitFinding, "kind severity rule source facts text")


class LimitsText(msgspec.Struct, frozen=True):
    """What is said of a build's limits, without full stops; not_given names what would tell more.

    Attributes:
        verdicts: what isn't kept, or of which that can't be said, with rule and source.
        findings: the figures with formula and source.
        assumed: what all of it rests on.
    """

    in_json: ClassVar = {"verdicts": None}
    verdicts: tuple[str, ...]
    findings: tuple[str, ...]
    assumed: tuple[str, ...]
    not_given: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS


def limits_text(report: LimitsReport, units: Units) -> LimitsText:
    """Say what was found, and what isn't given."""
    return LimitsText(
        tuple(describe(each, units) for each in report.findings),
        tuple(_findings(report, units)),
        tuple(ASSUMED[each] for each in report.assumed),
        tuple(describe(each, units) for each in report.missing),
    )


def _findings(report: LimitsReport, units: Units) -> list[str]:
    found = [words for each in report.sets for words in _set_text(each, units)]
    low_mm, high_mm = report.heights_mm
    if found and low_mm < high_mm:
        found.append(
            f"Stress and fatigue are those at the valve with the least installed height, "
            f"{units.length_text(low_mm)}; the force on a valve is that at the greatest, "
            f"{units.length_text(high_mm)}"
        )
    if report.valve is not None:
        found += _valve_text(report, report.valve, units)
    return found


def _set_text(each: SetLimits, units: Units) -> Iterator[str]:
    yield from _stress_text(each, units)
    yield from _solid_text(each, units)
    yield from _fatigue_text(each)
    yield from _surge_text(each)


def _stress_text(each: SetLimits, units: Units) -> Iterator[str]:
    worst = each.worst("open_mpa")
    if worst is None or worst.open_mpa is None:
        return
    words = (
        f"{each.set_name}: shear stress at full lift up to {units.stress_text(worst.open_mpa)} "
        f"({worst.label}; K 8FD/(pi d^3), K Bergsträsser's, Shigley ch. 10)"
    )
    if each.tensile_mpa is not None:
        share = worst.open_mpa / each.tensile_mpa
        words += f", {share:.0%} of the wire's tensile strength {_strength_text(each, units)}"
        if each.given.wire is not None:
            low, high = each.given.wire.elastic_shares
            words += f", its elastic limit in torsion is {low:.0%} to {high:.0%}"
    yield words + "; 1 % of wire diameter is 3 % of it"


def _strength_text(each: SetLimits, units: Units) -> str:
    if each.given.tensile_mpa is not None or each.given.wire is None:
        return f"{units.stress_text(each.tensile_mpa)} as given"
    return f"{units.stress_text(each.tensile_mpa)} ({each.given.wire.designation}, {TABLES})"


def _solid_text(each: SetLimits, units: Units) -> Iterator[str]:
    worst = each.worst("solid_plain_mpa")
    if worst is None or worst.solid_plain_mpa is None or worst.solid_mpa is None:
        return
    plain, corrected = map(units.stress_text, (worst.solid_plain_mpa, worst.solid_mpa))
    words = (
        f"{each.set_name}: pressed solid it would bear up to {plain}, {corrected} with "
        f"Bergsträsser's factor ({worst.label}; its rate carried on from full lift; one "
        "whose coils close one after another bears more)"
    )
    if each.tensile_mpa is not None:
        limit_mpa = STATIC_SHARE * each.tensile_mpa
        words += (
            f"; EN 13906-1 allows {STATIC_SHARE:g} Rm = {units.stress_text(limit_mpa)} at solid"
        )
    yield words


def _fatigue_text(each: SetLimits) -> Iterator[str]:
    worst = each.worst("fatigue_factor")
    if worst is None or worst.fatigue_factor is None:
        return
    peened = "shot-peened" if each.given.shot_peened else "not shot-peened"
    yield (
        f"{each.set_name}: fatigue factor {worst.fatigue_factor:.2f} ({worst.label}; Goodman's "
        f"line through Zimmerli's data for {peened} wire, Shigley ch. 10)"
    )


def _surge_text(each: SetLimits) -> Iterator[str]:
    worst = each.worst("surge_hz")
    if worst is None or worst.surge_hz is None:
        return
    mass = "weighed" if each.weighed else "mass from dimensions"
    words = (
        f"{each.set_name}: surges at {worst.surge_hz:.0f} Hz or above ({worst.label}; "
        f"sqrt(k/m)/2, Shigley ch. 10; {mass})"
    )
    ratio = worst.surge_ratio
    if ratio is not None:
        words += f", {ratio:.1f} times the camshaft's turns (half the crankshaft's)"
    yield words


def _valve_text(report: LimitsReport, valve: ValveFloat, units: Units) -> Iterator[str]:
    speed = valve.speed
    if speed is None:
        yield (
            "At which speed the valve leaves its cam can't be said: where it is slowed, the lift "
            "table is too coarse or the springs weren't measured"
        )
        return
    part = "" if speed.unread_mm is None else "at most "
    yield filled(
        f"The weakest springs hold the valve on its cam up to {part}{{crank_rpm:.0f}} ± "
        "{crank_rpm_u:.0f} rpm of the crankshaft (about 95 %): at {lift_mm} lift they push "
        "{spring_n} against {mass.mass_g:.0f} ± {mass.mass_u_g:.1f} g (F = m a, a third of the "
        "springs' mass in m: Rayleigh; rigid parts, nothing else pushing)",
        speed,
        units,
        mass=valve.mass,
    )
    if speed.sharp:
        yield (
            "There the cam's acceleration turns within less than the lift table can show, which "
            "the ± allows for: a table by smaller steps, written finer, tells more"
        )
    if speed.unread_mm is not None:
        low, high = (units.length_text(each) for each in speed.unread_mm)
        yield f"Between {low} and {high} lift not every spring was measured: it may be less"
    if report.crank_rpm is not None and valve.margin is not None:
        yield _margin_text(report.crank_rpm, valve.margin, units)


def _margin_text(crank_rpm: float, margin: ForceMargin, units: Units) -> str:
    said = "the cam needs {needed_n} at {lift_mm} lift, the weakest springs push {spring_n}"
    return filled(f"At {crank_rpm:.0f} rpm {said}", margin, units)


def _stress(limit: str) -> Callable[[Mapping[str, Any], Units], str]:
    words = f"{{set}}: {{stress_mpa}} ({{spring}}) is {limit}, of the wire's {{tensile_mpa}} "
    return lambda f, units: filled(f"{words}tensile strength", f, units)


def _bind(kind: RiskKind) -> Callable[[Mapping[str, Any], Units], str]:
    def said(f: Mapping[str, Any], units: Units) -> str:
        low, high = (f"{units.length_value(mm):.2g}" for mm in (1.0, 1.5))
        usual = (
            f"; valve springs are usually run {low} to {high} {units.length} from solid: common "
            "practice, no source"
            if kind == "gaps_small"
            else ""
        )
        risk = BindRisk(kind, f["set"], f["solid_height_mm"], f["margin_mm"], f["limit_mm"])
        return describe(risk, units) + usual

    return said


def _some_bind(f: Mapping[str, Any], units: Units) -> str:
    return describe(SomeBind(f["set"], f["springs"], f["limit_mm"]), units)


def _contradicted(f: Mapping[str, Any], units: Units) -> str:
    lengths_mm = f["registered_mm"], f["measured_mm"], f["pressed_mm"]
    return describe(SolidContradicted(f["set"], f["springs"], *lengths_mm), units)


def _clearance(f: Mapping[str, Any], units: Units) -> str:
    low = describe(ClearanceLow(clearance_mm=f["clearance_mm"], limit_mm=f["limit_mm"]), units)
    return f"valve {f['valve']}: {low}" if f["valve"] else low


def _speed(f: Mapping[str, Any]) -> str:
    return (
        f"the weakest springs hold the valve on its cam up to {f['speed_rpm']:.0f} ± "
        f"{f['speed_u_rpm']:.0f} rpm"
    )


def _speed_low(f: Mapping[str, Any], _units: Units) -> str:
    return f"{_speed(f)}, not to the card's {f['max_rpm']:.0f} rpm"


def _lift(f: Mapping[str, Any], units: Units) -> str:
    return (
        f"the lift table {f['table']} reaches {units.length_text(f['table_lift_mm'])} at the "
        f"valve, the cam card says {units.length_text(f['card_lift_mm'])}: check which is right"
    )


def _surge(f: Mapping[str, Any], _units: Units) -> str:
    low, high = USUAL_RATIOS
    place = "below" if f["ratio"] < low else "inside" if f["ratio"] <= high else "above"
    return (
        f"{f['set']} surges at {f['surge_hz']:.0f} Hz ({f['spring']}), {f['ratio']:.1f} times the "
        f"cam's highest frequency: less than the 15 to 20 of the textbook, {place} the {low:g} to "
        f"{high:g} that ordinary valve springs have (common practice, no source)"
    )


def _rate(f: Mapping[str, Any], units: Units) -> str:
    numbers = {name: value for name, value in f.items() if name != "set"}
    return f"{f['set']}: {handbook_text(HandbookRate(**numbers), units)}"


LIMIT_WORDS: dict[LimitKind, Callable[[Mapping[str, Any], Units], str]] = {
    "stress_elastic": _stress("shear stress at full lift above {limit_mpa}"),
    "stress_rupture": _stress("shear stress at full lift above {limit_mpa}"),
    "stress_near": _stress(
        "shear stress at full lift inside the elastic limits published, {limit_from_mpa} to "
        "{limit_mpa}"
    ),
    "stress_solid": _stress("shear stress at solid, uncorrected, above {limit_mpa}"),
    "stress_unknown": lambda f, _: (
        f"{f['set']}: whether the wire bears it: dimensions, strength or a load at full lift is "
        "missing"
    ),
    **{kind: _bind(kind) for kind in get_args(RiskKind)},
    "some_bind": _some_bind,
    "solid_contradicted": _contradicted,
    "clearance_low": _clearance,
    "clearance_unknown": lambda f, _: (
        f"retainer clearance{' of valve ' + f['valve'] if f['valve'] else ''}, it isn't given"
    ),
    "speed_low": _speed_low,
    "speed_unsure": lambda f, _: (
        f"{_speed(f)}: too near the card's {f['max_rpm']:.0f} rpm to be sure, or not measured over "
        "the whole lift"
    ),
    "speed_unknown": lambda _f, _: f"{FLOAT_SPEED} against the card's highest",
    "lift_differs": _lift,
    "fatigue_low": lambda f, _: (
        f"{f['set']}: fatigue factor {f['fatigue_factor']:.2f} ({f['spring']}) is below 1: by this "
        "estimate its life is finite (Shigley's examples design for 1.5, recalled from memory)"
    ),
    "surge_near": _surge,
    "rate_differs": _rate,
}


@describe.register
def _(found: LimitFinding, units: Units) -> str:
    words = LIMIT_WORDS[found.kind](found.facts, units)
    return f"{SEVERITY[found.severity]}: {words} ({found.rule}; {SOURCES[found.source]})"


@describe.register
def _(missing: NotGiven, _units: Units) -> str:
    return NOT_GIVEN[missing.kind].format(set_name=missing.set_name, wire=missing.wire)


@describe.register
def handbook_text(found: HandbookRate, units: Units) -> str:
    """Say whether both rates agree, and if not which dimension would make them."""
    words = "{rate_n_per_mm} ± {rate_u_n_per_mm} (G d^4/(8 D^3 n), G {shear_modulus_mpa})"
    if found.agrees:
        words += ": the measured rate, {off:+.1%} from it, is plausible"
    else:
        words += (
            ", but {off:+.1%} from it was measured. It would take {fitting_coils:.2f} active "
            "coils, {fitting_wire_mm} wire or {fitting_coil_diameter_mm} mean coil: measure these "
            "again, then check the rig's load and travel"
        )
    if found.outside_given and not found.agrees:
        words += ". The outside diameter given for the mean one would do it: give outside less wire"
    off = found.measured_n_per_mm / found.rate_n_per_mm - 1.0
    return filled(f"its dimensions make {words}", found, units, off=off)
