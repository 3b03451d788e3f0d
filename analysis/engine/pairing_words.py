"""Why a combination doesn't fit the card, and what can't mend it, in words and numbers. Pure."""

from __future__ import annotations

from collections.abc import Iterable

from coilbench.analysis.engine.build_file import BuildFile, Cam
from coilbench.analysis.engine.placed import PlacedSet, SetLoad, exceeds
from coilbench.analysis.engine.shims import SeatChoice, Shortage
from coilbench.analysis.report.units import Units

SEAT, FULL = "with the valve shut", "at full lift"
NAMED_LABELS = 3


def load_reasons(
    cam: Cam, seat_n: float, open_n: float, choice: SeatChoice, units: Units
) -> list[str]:
    """Say which load misses the card, by how much and which way, and whether a shim can mend it.

    A shim moves both loads the same way. So where the rise from shut to open is away from the
    card's by more than both tolerances together, or where a load is too high without a shim,
    no shim mends it.

    Args:
        cam: the card.
        seat_n, open_n: the combination's loads; at least one misses.
        choice: what is under the springs.
        units: for the words.
    """
    seat_over_n, open_over_n = seat_n - cam.seat_load_n, open_n - cam.open_load_n
    misses = [
        ("seat load", seat_n, seat_over_n, cam.seat_load_n, cam.seat_tolerance_n),
        ("open load", open_n, open_over_n, cam.open_load_n, cam.open_tolerance_n),
    ]
    reasons = [
        f"{what} {units.load_text(load_n)} is {units.load_text(abs(over_n))} "
        f"{'above' if over_n > 0.0 else 'below'} the card's {units.load_text(card_n)} "
        f"(tolerance {units.load_text(tolerance_n)})"
        for what, load_n, over_n, card_n, tolerance_n in misses
        if exceeds(abs(over_n), tolerance_n)
    ]
    rise_over_n = open_over_n - seat_over_n
    if exceeds(abs(rise_over_n), cam.seat_tolerance_n + cam.open_tolerance_n):
        reasons.append(rate_reason(cam, open_n - seat_n, units))
        return reasons
    too_high = [
        where
        for where, over_n, tolerance_n in (
            (SEAT, seat_over_n, cam.seat_tolerance_n),
            (FULL, open_over_n, cam.open_tolerance_n),
        )
        if exceeds(over_n, tolerance_n)
    ]
    if too_high and not choice.shims_mm:
        reasons.append(
            f"too strong {' and '.join(too_high)}: no shim can mend this, a shim adds load at "
            "both ends"
        )
    return reasons


def unsure_reasons(
    cam: Cam, seat: tuple[float, float], full: tuple[float, float], units: Units
) -> list[str]:
    """Say where a load's uncertainty reaches over a tolerance, from inside or from outside.

    Args:
        cam: the card.
        seat, full: loads and their expanded uncertainties.
        units: for the words.
    """
    reasons = []
    for what, (load_n, u_n), card_n, tolerance_n in (
        ("seat load", seat, cam.seat_load_n, cam.seat_tolerance_n),
        ("open load", full, cam.open_load_n, cam.open_tolerance_n),
    ):
        over_n = abs(load_n - card_n)
        inside = not exceeds(over_n, tolerance_n)
        if not exceeds(u_n, abs(tolerance_n - over_n)):
            continue
        reasons.append(
            f"{what} {units.load_text(load_n)} ± {units.load_text(u_n)} is "
            f"{'inside' if inside else 'outside'} the tolerance, its uncertainty reaches over it: "
            f"it may be {'outside' if inside else 'inside'}"
        )
    return reasons


def rate_reason(cam: Cam, rise_n: float, units: Units) -> str:
    """Say that the rate is wrong for the card.

    Args:
        cam: the card.
        rise_n: what the pair rises from shut to full lift.
        units: for the words.
    """
    card_rise_n = cam.open_load_n - cam.seat_load_n
    lift_mm = cam.valve_lift_mm
    verdict = "too strong" if rise_n > card_rise_n else "too weak"
    return (
        f"both ends cannot be met, {verdict} {FULL} for its seat load in a way no shim can mend: "
        f"the card asks for a rise of {units.load_text(card_rise_n)} over "
        f"{units.length_text(lift_mm)} = {units.rate_text(card_rise_n / lift_mm)}, "
        f"this pair rises {units.load_text(rise_n)} = {units.rate_text(rise_n / lift_mm)}; "
        "a shim or a cut moves both ends together"
    )


def unread_reasons(placed: PlacedSet, units: Units) -> list[str]:
    """Say where a set must still be read, and how deep that is."""
    places = [
        (SEAT, placed.seat_height_mm, placed.seat),
        (FULL, placed.open_height_mm, placed.open),
    ]
    return [
        _unread_reason(placed, where, height_mm, load, units)
        for where, height_mm, load in places
        if load.unread
    ]


def _unread_reason(
    placed: PlacedSet, where: str, height_mm: float, load: SetLoad, units: Units
) -> str:
    name = placed.springs.name
    height = units.length_text(height_mm)
    solid_mm = placed.springs.highest_solid_mm
    if solid_mm is not None and height_mm <= solid_mm:
        return (
            f"{name} cannot be pressed to {height} ({where}): it is solid at "
            f"{units.length_text(solid_mm)}"
        )
    free_mm = [curve.free_length_mm for curve in load.unread if curve.free_length_mm is not None]
    if free_mm and min(free_mm) <= height_mm:
        return (
            f"{name} would stand loose at {height} ({where}): a spring of it is only "
            f"{units.length_text(min(free_mm))} long"
        )
    labels = [curve.label for curve in load.unread]
    named = ", ".join(labels[:NAMED_LABELS])
    if len(labels) > NAMED_LABELS:
        named += f" and {len(labels) - NAMED_LABELS} more"
    depth = (
        f"press to a depth of {units.length_text(max(free_mm) - height_mm)}"
        if free_mm
        else "press to that height (the depth is unknown until the free length is measured)"
    )
    return f"{name} was not read at {height} ({where}) on {named}: {depth}, stop before coil bind"


def bind_reasons(placed: PlacedSet, limit_mm: float, units: Units) -> list[str]:
    """Say that a set binds, comes too near to it, or that its solid height isn't known."""
    springs, margin_mm = placed.springs, placed.bind_margin_mm
    name, solid = springs.name, units.length_text(springs.highest_solid_mm)
    if margin_mm is None:
        return [f"solid height of {name} unknown: measure it"]
    reasons = []
    if margin_mm <= 0.0:
        reasons.append(
            f"{name} binds: at full lift it is {units.length_text(-margin_mm)} beyond its solid "
            f"height {solid}"
        )
    elif exceeds(limit_mm, margin_mm):
        reasons.append(
            f"{name} comes too near to coil bind: {units.length_text(margin_mm)} left at full "
            f"lift, the limit is {units.length_text(limit_mm)}"
        )
    if springs.known_solid_mm is None:
        reasons.append(
            f"solid height of {name} computed from wire and coils, {solid}, ends squared and "
            "ground: measure it"
        )
    gap_mm = None if springs.coil is None else springs.coil.smallest_gap_mm
    if gap_mm is not None and margin_mm > 0.0 and exceeds(gap_mm, margin_mm):
        reasons.append(
            f"{name} keeps {units.length_text(margin_mm)} from coil bind, EN 13906-1 asks for "
            f"{units.length_text(gap_mm)} of gaps under dynamic load"
        )
    return reasons


def clearance_reasons(build: BuildFile, units: Units) -> list[str]:
    """Say that the retainer comes too near to the guide; nothing under a spring mends it."""
    clearance_mm, limit_mm = build.clearance_mm, build.limits.min_clearance_mm
    if clearance_mm is None or not exceeds(limit_mm, clearance_mm):
        return []
    return [
        f"the retainer comes too near to the guide: {units.length_text(clearance_mm)} left at "
        f"full lift, the limit is {units.length_text(limit_mm)}; no spring, shim or seat cut "
        "changes it"
    ]


def stock_reasons(short: Iterable[Shortage], units: Units) -> list[str]:
    """Say of which shims there are too few."""
    return [
        f"too few shims of {units.length_text(each.thickness_mm)} for every valve: "
        f"{each.needed} needed, {each.count} in stock"
        for each in short
    ]
