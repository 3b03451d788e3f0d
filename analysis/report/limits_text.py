"""A build's limits in sentences, each with its formula and source, and in JSON."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from coilbench.analysis.engine.coil import TABLES
from coilbench.analysis.limits.limits import LimitsReport, NotGiven, NotGivenKind, SetLimits
from coilbench.analysis.limits.stress import LEAST_RATIO, STATIC_SHARE, TEXTBOOK_RATIO, HandbookRate
from coilbench.analysis.limits.valve_motion import ForceMargin, LimitingSpeed, ValveFloat
from coilbench.analysis.report.document import describe, filled, json_keys, sentences
from coilbench.analysis.report.units import Units

LIFT_ODD = 0.03  # ours: of the card's lift, how far the lift table may be from it
FLOAT_SPEED = "the speed at which the valve leaves its cam"
NOT_GIVEN: dict[NotGivenKind, str] = {
    "dimensions": "wire and active coils of {set_name} (coilbench set new): stress and surge",
    "coil_diameter": "coil diameter of {set_name} (coilbench set new): stress and surge",
    "material": "wire.{set_name}.material or tensile_strength: stress against strength, fatigue",
    "strength": "wire.{set_name}.material or tensile_strength, which the table lacks for this "
    "{wire} wire: stress against strength, fatigue",
    "shot_peened": "wire.{set_name}.shot_peened: taken as not peened, the weaker case",
    "max_rpm": "cam.max_rpm: how far surge lies above the cam's speed, and the force left",
    "lift_table": f"valve_train.lift_table: {FLOAT_SPEED}",
    "rocker_ratio": f"valve_train.rocker_ratio, since the lift table is the lobe's: {FLOAT_SPEED}",
    "lash": f"valve_train.lash, since the lift table is the lobe's: {FLOAT_SPEED}",
    "masses": f"valve_train.masses, weighed: {FLOAT_SPEED}",
    "weighing_u": "valve_train.weighing_u: the masses' part of the speed's uncertainty",
    "spring_mass": f"wire.{{set_name}}.spring_mass, or its dimensions: {FLOAT_SPEED}",
}
CAUTIONS = (
    "These figures support a decision, they don't make it: the cam grinder's and the engine "
    "maker's data, and a qualified engine machinist, come first.",
    "Limits are for sound springs of round wire and rigid parts. A nick, rust or heat lowers the "
    "stress that a wire withstands; parts that bend and springs that surge let a valve leave its "
    "cam earlier. Keep well below every one of them, and stop before coil bind when pressing.",
)


sentences(NotGiven, NOT_GIVEN)
json_keys(
    SetLimits,
    "set=set_name material=given.material tensile_mpa shot_peened=given.shot_peened "
    "spring_mass_g spring_mass_weighed=weighed "
    "rate_from_dimensions_n_per_mm=geometric_rate_n_per_mm rate_check springs",
)
json_keys(
    LimitsReport,
    "build=name shim_mm=choice.shim_mm seat_cut_mm=choice.seat_cut_mm crank_rpm "
    "installed_heights_mm=heights_mm sets valve",
)


@dataclass(frozen=True)
class LimitsText:
    """What is said of a build's limits; not_given names what would tell more.

    Findings come with formula and source; they and what isn't given are without a full stop.
    """

    findings: tuple[str, ...]
    not_given: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS


def limits_text(report: LimitsReport, units: Units) -> LimitsText:
    """Say what was found, and what isn't given."""
    not_given = tuple(describe(each, units) for each in report.missing)
    return LimitsText(tuple(_findings(report, units)), not_given)


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
    if each.rate_check is not None and not each.rate_check.agrees:
        yield f"{each.set_name}: {describe(each.rate_check, units)}"
    yield from _stress_text(each)
    yield from _solid_text(each)
    yield from _fatigue_text(each)
    yield from _surge_text(each)


def _stress_text(each: SetLimits) -> Iterator[str]:
    worst = each.worst("open_mpa")
    if worst is None or worst.open_mpa is None:
        return
    words = (
        f"{each.set_name}: shear stress at full lift up to {worst.open_mpa:.0f} MPa "
        f"({worst.label}; K 8FD/(pi d^3), K Bergsträsser's, Shigley ch. 10)"
    )
    if each.tensile_mpa is not None:
        share = worst.open_mpa / each.tensile_mpa
        words += f", {share:.0%} of the wire's tensile strength {_strength_text(each)}"
        words += _elastic_text(each, share)
    yield words + "; 1 % of wire diameter is 3 % of it"


def _strength_text(each: SetLimits) -> str:
    if each.given.tensile_mpa is not None or each.given.wire is None:
        return f"{each.tensile_mpa:.0f} MPa as given"
    return f"{each.tensile_mpa:.0f} MPa ({each.given.wire.designation}, {TABLES})"


def _elastic_text(each: SetLimits, share: float) -> str:
    if each.given.wire is None:
        return ""
    low, high = each.given.wire.elastic_shares
    place = "below" if share <= low else "inside" if share <= high else "ABOVE"
    return f", {place} its elastic limit in torsion, {low:.0%} to {high:.0%} (Shigley, table 10-5)"


def _solid_text(each: SetLimits) -> Iterator[str]:
    worst = each.worst("solid_plain_mpa")
    if worst is None or worst.solid_plain_mpa is None or worst.solid_mpa is None:
        return
    words = (
        f"{each.set_name}: pressed solid it would bear up to {worst.solid_plain_mpa:.0f} MPa, "
        f"{worst.solid_mpa:.0f} MPa with Bergsträsser's factor ({worst.label}; its rate carried "
        "on from full lift)"
    )
    if each.tensile_mpa is not None:
        limit_mpa = STATIC_SHARE * each.tensile_mpa
        place = "within" if worst.solid_plain_mpa <= limit_mpa else "ABOVE"
        words += f"; {place} EN 13906-1's {STATIC_SHARE:g} Rm = {limit_mpa:.0f} MPa at solid"
    yield words


def _fatigue_text(each: SetLimits) -> Iterator[str]:
    worst = each.worst("fatigue_factor")
    if worst is None or worst.fatigue_factor is None:
        return
    peened = "shot-peened" if each.given.shot_peened else "not shot-peened"
    life = "" if worst.fatigue_factor >= 1.0 else ": BELOW 1, its life is finite"
    yield (
        f"{each.set_name}: fatigue factor {worst.fatigue_factor:.2f} ({worst.label}; Goodman's "
        f"line through Zimmerli's data for {peened} wire, Shigley ch. 10){life}"
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
        words += _ratio_text(ratio)
    yield words


def _ratio_text(ratio: float) -> str:
    if ratio < LEAST_RATIO:
        return ": TOO NEAR, common practice keeps well above 10"
    if ratio < TEXTBOOK_RATIO:
        return ": above common practice's 10, below the 15 to 20 that Shigley asks for"
    return ": as Shigley asks for, 15 to 20 or more"


def _valve_text(report: LimitsReport, valve: ValveFloat, units: Units) -> Iterator[str]:
    speed, card_mm = valve.speed, report.card_lift_mm
    if abs(valve.highest_lift_mm - card_mm) > LIFT_ODD * card_mm:
        yield (
            f"The lift table reaches {units.length_text(valve.highest_lift_mm)} at the valve, the "
            f"cam card says {units.length_text(card_mm)}: check which is right"
        )
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
        yield _margin_text(report.crank_rpm, speed, valve.margin, units)


def _margin_text(crank_rpm: float, speed: LimitingSpeed, margin: ForceMargin, units: Units) -> str:
    verdict = ""
    if speed.crank_rpm <= crank_rpm:
        verdict = ": TOO LITTLE"
    elif speed.crank_rpm - speed.crank_rpm_u < crank_rpm:
        verdict = ": TOO NEAR to be sure"
    said = "the cam needs {needed_n} at {lift_mm} lift, the weakest springs push {spring_n}"
    return filled(f"At {crank_rpm:.0f} rpm {said}{verdict}", margin, units)


@describe.register
def handbook_text(found: HandbookRate, units: Units) -> str:
    """Say whether both rates agree, and if not which dimension would make them."""
    words = "{rate_n_per_mm} ± {rate_u_n_per_mm} (G d^4/(8 D^3 n), steel)"
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
