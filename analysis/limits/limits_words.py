"""A build's limits in words, each with its formula and source, and as a JSON document. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict

from coilbench.analysis.engine.coil import TABLES
from coilbench.analysis.limits import surge
from coilbench.analysis.limits.limits import LimitsReport, ValveFloat
from coilbench.analysis.limits.set_limits import SetLimits
from coilbench.analysis.limits.stress import STATIC_SHARE
from coilbench.analysis.limits.valve_motion import ForceMargin, LimitingSpeed
from coilbench.capture.units import Units

RATE_ODD = 0.1  # ours: a rate so far from the dimensions' means that one of them is wrong
LIFT_ODD = 0.03  # ours
CAUTIONS = (
    "These figures support a decision, they don't make it: the cam grinder's and the engine "
    "maker's data, and a qualified engine machinist, come first.",
    "Limits are for sound springs of round wire and rigid parts. A nick, rust or heat lowers what "
    "a wire bears; parts that bend and springs that surge let a valve leave its cam earlier. Keep "
    "well below every one of them, and stop before coil bind when pressing.",
)


def limits_lines(report: LimitsReport, units: Units) -> list[str]:
    """Write the limits for a person, cautions last."""
    lines = [f"{words}." for words in findings(report, units)]
    lines += [f"Not given: {words}." for words in report.missing]
    return [*lines, *CAUTIONS]


def findings(report: LimitsReport, units: Units) -> tuple[str, ...]:
    """Say what was found, each with its formula and source, without a full stop."""
    found = [words for each in report.sets for words in _set_words(each)]
    low_mm, high_mm = report.heights_mm
    if found and low_mm < high_mm:
        found.append(
            f"Stress and fatigue are those at the valve with the least installed height, "
            f"{units.length_text(low_mm)}; the force on a valve is that at the greatest, "
            f"{units.length_text(high_mm)}"
        )
    if report.valve is not None:
        found += _valve_words(report, report.valve, units)
    return tuple(found)


def to_document(report: LimitsReport) -> dict[str, object]:
    """Return the JSON document, in N, mm, g and MPa; unknown values are null."""
    return {
        "build": report.name,
        "shim_mm": report.choice.shim_mm,
        "seat_cut_mm": report.choice.seat_cut_mm,
        "crank_rpm": report.crank_rpm,
        "installed_heights_mm": list(report.heights_mm),
        "sets": [_set_document(each) for each in report.sets],
        "valve": None if report.valve is None else asdict(report.valve),
        "findings": list(findings(report, Units("N", "mm"))),
        "not_given": list(report.missing),
        "cautions": list(CAUTIONS),
    }


def _set_document(each: SetLimits) -> dict[str, object]:
    return {
        "set": each.set_name,
        "material": None if each.given.wire is None else each.given.wire.name,
        "tensile_mpa": each.tensile_mpa,
        "shot_peened": each.given.shot_peened,
        "spring_mass_g": each.spring_mass_g,
        "spring_mass_weighed": each.weighed,
        "rate_from_dimensions_n_per_mm": each.geometric_rate_n_per_mm,
        "springs": [asdict(spring) for spring in each.springs],
    }


def _set_words(each: SetLimits) -> Iterator[str]:
    yield from _rate_words(each)
    yield from _stress_words(each)
    yield from _solid_words(each)
    yield from _fatigue_words(each)
    yield from _surge_words(each)


def _rate_words(each: SetLimits) -> Iterator[str]:
    known = [spring.rate_n_per_mm for spring in each.springs if spring.rate_n_per_mm is not None]
    geometric = each.geometric_rate_n_per_mm
    if geometric is None or not known:
        return
    measured = sum(known) / len(known)
    if abs(measured / geometric - 1.0) > RATE_ODD:
        yield (
            f"{each.set_name}: measured {measured:.2f} N/mm, but the dimensions given make "
            f"{geometric:.2f} N/mm (G d^4/(8 D^3 n), Shigley ch. 10): check wire, coil diameter "
            "(mean, not outside) and active coils before trusting its stress and surge"
        )


def _stress_words(each: SetLimits) -> Iterator[str]:
    worst = each.highest("open_mpa")
    if worst is None or worst.open_mpa is None:
        return
    words = (
        f"{each.set_name}: shear stress at full lift up to {worst.open_mpa:.0f} MPa "
        f"({worst.label}; K 8FD/(pi d^3), K Bergsträsser's, Shigley ch. 10)"
    )
    if each.tensile_mpa is not None:
        share = worst.open_mpa / each.tensile_mpa
        words += f", {share:.0%} of the wire's tensile strength {_strength_words(each)}"
        words += _elastic_words(each, share)
    yield words + "; 1 % of wire diameter is 3 % of it"


def _strength_words(each: SetLimits) -> str:
    if each.given.tensile_mpa is not None or each.given.wire is None:
        return f"{each.tensile_mpa:.0f} MPa as given"
    return f"{each.tensile_mpa:.0f} MPa ({each.given.wire.designation}, {TABLES})"


def _elastic_words(each: SetLimits, share: float) -> str:
    if each.given.wire is None:
        return ""
    low, high = each.given.wire.elastic_shares
    place = "below" if share <= low else "inside" if share <= high else "ABOVE"
    return f", {place} its elastic limit in torsion, {low:.0%} to {high:.0%} (Shigley, table 10-5)"


def _solid_words(each: SetLimits) -> Iterator[str]:
    worst = each.highest("solid_plain_mpa")
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


def _fatigue_words(each: SetLimits) -> Iterator[str]:
    worst = each.lowest("fatigue_factor")
    if worst is None or worst.fatigue_factor is None:
        return
    peened = "shot-peened" if each.given.shot_peened else "not shot-peened"
    life = "" if worst.fatigue_factor >= 1.0 else ": BELOW 1, its life is finite"
    yield (
        f"{each.set_name}: fatigue factor {worst.fatigue_factor:.2f} ({worst.label}; Goodman's "
        f"line through Zimmerli's data for {peened} wire, Shigley ch. 10){life}"
    )


def _surge_words(each: SetLimits) -> Iterator[str]:
    worst = each.lowest("surge_hz")
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
        words += _ratio_words(ratio)
    yield words


def _ratio_words(ratio: float) -> str:
    if ratio < surge.LEAST_RATIO:
        return ": TOO NEAR, common practice keeps well above 10"
    if ratio < surge.TEXTBOOK_LEAST:
        return ": above common practice's 10, below the 15 to 20 that Shigley asks for"
    return ": as Shigley asks for, 15 to 20 or more"


def _valve_words(report: LimitsReport, valve: ValveFloat, units: Units) -> Iterator[str]:
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
    yield (
        f"The weakest springs hold the valve on its cam up to {part}{speed.crank_rpm:.0f} ± "
        f"{speed.crank_rpm_u:.0f} rpm of the crankshaft (about 95 %): at "
        f"{units.length_text(speed.lift_mm)} lift they push {units.load_text(speed.spring_n)} "
        f"against {valve.mass.mass_g:.0f} ± {valve.mass.mass_u_g:.1f} g (F = m a, a third of the "
        "springs' mass in m: Rayleigh; rigid parts, nothing else pushing)"
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
        yield _margin_words(report.crank_rpm, speed, valve.margin, units)


def _margin_words(crank_rpm: float, speed: LimitingSpeed, margin: ForceMargin, units: Units) -> str:
    verdict = ""
    if speed.crank_rpm <= crank_rpm:
        verdict = ": TOO LITTLE"
    elif speed.crank_rpm - speed.crank_rpm_u < crank_rpm:
        verdict = ": TOO NEAR to be sure"
    return (
        f"At {crank_rpm:.0f} rpm the cam needs {units.load_text(margin.needed_n)} at "
        f"{units.length_text(margin.lift_mm)} lift, the weakest springs push "
        f"{units.load_text(margin.spring_n)}{verdict}"
    )
