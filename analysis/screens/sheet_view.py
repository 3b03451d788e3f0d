"""The build sheet's tables as text; what isn't known says "unknown". Pure."""

from __future__ import annotations

import math
from typing import NamedTuple

from coilbench.analysis.engine.assignment import Level
from coilbench.analysis.engine.placed_sets import exceeds
from coilbench.analysis.sets.result import SetCheck, SpringCheck
from coilbench.analysis.sheet.sheet import MarginRow, Place, Sheet, ValveRow
from coilbench.analysis.sheet.words import WITH
from coilbench.capture.units import Units

UNKNOWN = "unknown"
PLACES = {"kg": 2, "N": 1, "lbf": 1}  # as many as load_text writes
Row = tuple[str, ...]


class ValveCells(NamedTuple):
    """One valve's row; `outer` and `inner` are a set's name where any spring of it will do."""

    valve: str
    under: str
    outer: str
    inner: str
    height: str
    seat: tuple[str, str]
    full: tuple[str, str]
    margin: str
    verdict: str


def valve_cells(row: ValveRow, units: Units) -> ValveCells:
    """Return what the per-valve table shows of a valve, without units."""
    return ValveCells(
        row.valve,
        under_words(row, units),
        _spring(row.outer),
        "" if row.inner is None else _spring(row.inner),
        length(row.outer.height_mm, units),
        load_and_u(row.seat_n, row.seat_u_n, units),
        load_and_u(row.open_n, row.open_u_n, units),
        length(row.margin_mm, units),
        _inside(row),
    )


def _inside(row: ValveRow) -> str:
    if row.fits is None:
        return UNKNOWN
    return ("inside" if row.fits else "outside") + ("" if row.sure else ", unsure")


def _spring(place: Place) -> str:
    return place.set_name if place.spring is None else place.spring


def under_words(row: ValveRow, units: Units) -> str:
    """Say what goes under a valve's springs, without units."""
    if row.choice.seat_cut_mm > 0.0:
        return f"cut {length(row.choice.seat_cut_mm, units)}"
    return " + ".join(length(shim, units) for shim in row.choice.shims_mm) or "none"


def length(length_mm: float | None, units: Units) -> str:
    """Write a length without its unit."""
    return UNKNOWN if length_mm is None else units.length_text(length_mm).split()[0]


def load_and_u(load_n: float | None, u_n: float | None, units: Units) -> tuple[str, str]:
    """Write a load, and its expanded uncertainty to two digits of it or fewer, without the unit."""
    if load_n is None or u_n is None:
        return UNKNOWN, ""
    u = units.load_value(u_n)
    places = 1 if u <= 0.0 else min(PLACES[units.load], max(0, 1 - math.floor(math.log10(u))))
    return f"{units.load_value(load_n):.{places}f}", f"±{u:.{places}f}"


def load_pm(load_n: float | None, u_n: float | None, units: Units) -> str:
    """Write a load with its expanded uncertainty, without the unit."""
    return " ".join(load_and_u(load_n, u_n, units)).rstrip()


def _bare(load_n: float, units: Units) -> str:
    return units.load_text(load_n).split()[0]


def card_words(sheet: Sheet, units: Units) -> str:
    """Say in a sentence without a full stop what the card asks for."""
    cam = sheet.build.cam
    return (
        f"The card asks for {units.load_text(cam.seat_load_n)} ± "
        f"{units.load_text(cam.seat_tolerance_n)} shut and {units.load_text(cam.open_load_n)} ± "
        f"{units.load_text(cam.open_tolerance_n)} at {units.length_text(cam.valve_lift_mm)} lift"
    )


def card_rows(sheet: Sheet, units: Units) -> list[Row]:
    """Return what the card asks for and what the head allows: name and value."""
    build, cam = sheet.build, sheet.build.cam
    head, limits = build.head, build.limits
    heights = sorted(set(head.valve_heights_mm.values()))
    height = units.length_text(head.installed_height_mm)
    if len(heights) > 1:
        height = f"{length(heights[0], units)} to {units.length_text(heights[-1])}, by valve"
    rows = [
        ("Cam", cam.name),
        ("Valve lift", units.length_text(cam.valve_lift_mm)),
        (
            "Load, valve shut",
            f"{units.load_text(cam.seat_load_n)} ± {units.load_text(cam.seat_tolerance_n)}",
        ),
        (
            "Load, full lift",
            f"{units.load_text(cam.open_load_n)} ± {units.load_text(cam.open_tolerance_n)}",
        ),
        ("Rate that implies", units.rate_text(cam.implied_rate_n_per_mm)),
        ("Highest speed", UNKNOWN if cam.max_rpm is None else f"{cam.max_rpm:g} rpm"),
        ("Installed height, outer" if build.springs.inner else "Installed height", height),
    ]
    if build.springs.inner:
        rows.append(("Inner stands lower by", units.length_text(head.inner_offset_mm)))
    cut = "not allowed"
    if head.max_seat_cut_mm > 0.0:
        cut = f"up to {units.length_text(head.max_seat_cut_mm)}"
    stock = ", ".join(
        f"{units.length_text(shim.thickness_mm)} "
        f"({'any number' if shim.count is None else shim.count})"
        for shim in build.shims
    )
    return [
        *rows,
        ("Shims in stock", stock or "none"),
        ("Most shims under a valve", str(limits.max_shims)),
        ("Seat cut", cut),
        ("Coil bind margin, least", units.length_text(limits.coil_bind_margin_mm)),
    ]


def margin_rows(sheet: Sheet, units: Units) -> list[Row]:
    """Return a row a set for coil bind, and one for the retainer."""
    rows = [_margin_row(margin, units) for margin in sheet.margins]
    clearance_mm, limit_mm = sheet.clearance_mm, sheet.build.limits.min_clearance_mm
    kept = None if clearance_mm is None else not exceeds(limit_mm, clearance_mm)
    rows.append(
        (
            "retainer to guide",
            length(clearance_mm, units),
            "at full lift",
            "-",
            length(limit_mm, units),
            "-",
            _kept(kept),
        )
    )
    return rows


def margin_headings(units: Units) -> Row:
    """Return the titles of margin_rows."""
    unit = units.length
    return ("", f"left {unit}", "at valve", f"solid {unit}", f"least {unit}",
            f"EN 13906-1 {unit}", "")  # fmt: skip


def _margin_row(margin: MarginRow, units: Units) -> Row:
    solid = length(margin.solid_height_mm, units)
    return (
        f"{margin.set_name}, coil bind",
        length(margin.margin_mm, units),
        UNKNOWN if margin.valve is None else margin.valve,
        f"{solid} computed" if margin.computed else solid,
        length(margin.limit_mm, units),
        length(margin.gap_mm, units),
        _kept(margin.kept) + (", under EN 13906-1's" if _under_gap(margin) else ""),
    )


def _under_gap(margin: MarginRow) -> bool:
    if margin.gap_mm is None or margin.margin_mm is None:
        return False
    return exceeds(margin.gap_mm, margin.margin_mm)


def _kept(kept: bool | None) -> str:
    return {None: "NOT KNOWN: measure it", True: "kept", False: "NOT KEPT"}[kept]


def level_rows(levels: tuple[Level, ...]) -> list[Row]:
    """Return what each level of effort gives."""
    return [
        (
            WITH[level.effort],
            UNKNOWN if level.objective is None else f"{level.objective:.4g}",
            f"{sum(plan.fits for plan in level.valves)} of {len(level.valves)}"
            if level.valves
            else "no way",
            str(level.shims),
            str(level.cuts),
            level.status,
        )
        for level in levels
    ]


def set_headings(check: SetCheck, units: Units) -> Row:
    """Return the titles of set_rows."""
    columns = ["spring"]
    for height in check.summary:
        columns += [f"{units.length_text(height.height_mm)}, {units.load}", "off %"]
    return (*columns, f"rate {units.load}/{units.length}", f"free {units.length}", "flags")


def set_rows(check: SetCheck, units: Units) -> list[Row]:
    """Return a row a spring: loads, deviation from the set's middle, rate, free length, flags."""
    return [_spring_row(spring, units) for spring in check.springs]


def _spring_row(spring: SpringCheck, units: Units) -> Row:
    cells = [spring.label]
    for reading in spring.readings:
        off = UNKNOWN if reading.deviation is None else f"{reading.deviation * 100.0:+.1f}"
        cells += [load_pm(reading.load_n, reading.load_u_n, units), off]
    rate = spring.rate_n_per_mm
    cells += [
        UNKNOWN if rate is None else units.rate_text(rate).split()[0],
        length(spring.free_length_mm, units),
    ]
    return (*cells, ", ".join(flag.kind for flag in spring.flags).upper() or "none")


def set_feet(check: SetCheck, units: Units) -> list[Row]:
    """Return the rows below set_rows: middle, mean and spread of all its measured springs."""
    middle, mean, spread = ["middle"], ["mean"], ["spread"]
    for height in check.summary:
        centre = height.centre
        middle += [_bare(centre.median, units), ""]
        mean += [load_pm(centre.mean, centre.mean_u, units), ""]
        sd_n = centre.spread
        spread += [UNKNOWN if sd_n is None else _bare(sd_n, units), ""]
    rate = check.rate
    rates = (None, None, None) if rate is None else (rate.median, rate.mean, rate.spread)
    return [
        (*cells, UNKNOWN if one is None else units.rate_text(one).split()[0], "", "")
        for cells, one in zip((middle, mean, spread), rates, strict=True)
    ]


def flag_lines(check: SetCheck) -> list[tuple[str, str]]:
    """Return each flag as spring and kind, and its reason."""
    return [
        (f"{spring.label} {flag.kind}", flag.reason)
        for spring in check.springs
        for flag in spring.flags
    ]
