"""What a build sheet says of how its numbers came about, and its cautions. Pure.

The build sheet's tables as text; what isn't known says "unknown". Pure.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from coilbench.analysis.engine.assignment import Effort, Level
from coilbench.analysis.engine.combination import Combination
from coilbench.analysis.engine.placed import exceeds
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.limits_text import CAUTIONS as LIMITS_CAUTIONS
from coilbench.analysis.report.set_text import STROKE_RULE
from coilbench.analysis.report.sheet import MarginRow, Place, SetPart, Sheet, ValveRow
from coilbench.analysis.report.units import Units
from coilbench.analysis.sets.judge import SetCheck, SpringCheck
from coilbench.capture.strokes.sweep import Origin, Provenance

CAUTIONS = (
    "A compressed valve spring can blind. Wear eye protection, keep the spring captive at both "
    "ends whenever it is pressed, keep fingers out, and stop before the coils bind.",
    LIMITS_CAUTIONS[0],
    "Measure the height, coil bind and retainer clearance of every valve on the engine itself "
    "before it turns. The load reading is not legal for trade.",
)
WITH: dict[Effort, str] = {"none": "no shims", "shims": "shims", "cuts": "shims and seat cuts"}
CAME = {
    Origin.RIG: "strokes on the rig",
    Origin.RAW_FILE: "strokes from files of raw counts",
    Origin.CONVERTED_FILE: "strokes from files of loads and heights",
    Origin.POINTS_FILE: "rows of points from files",
    Origin.KEYED: "rounds of readings keyed in",
}


def verdict(level: Level) -> str:
    """Say what an assignment gives, and whether it is proven the best."""
    fitting = sum(plan.fits for plan in level.valves)
    proven = (
        "Proven: no other choice from these springs comes nearer to it"
        if level.status == "optimal"
        else "The time ran out before this was proven the nearest"
    )
    return f"{fitting} of {len(level.valves)} valves are inside the card's tolerances. {proven}"


def no_assignment(level: Level) -> str:
    """Say that not every valve could be given springs of its own."""
    if level.status == "infeasible":
        return "There is no way to give every valve springs of its own"
    return "The time ran out before any way to give every valve springs of its own was found"


def loads_of(best: Combination, units: Units) -> str:
    """Say of a pair whose loads are shown, and between what those of single springs lie."""
    said = "Loads are those of the sets' mean springs"
    if best.seat is None or best.full is None:
        return said
    ends = [
        f"{units.load_text(load.lowest_n)} to {units.load_text(load.highest_n)} {where}"
        for load, where in ((best.seat, "shut"), (best.full, "at full lift"))
    ]
    return f"{said}; from the weakest to the strongest of both sets they are {' and '.join(ends)}"


def choice_method(level: Level, effort: Effort) -> str:
    """Say how springs were given to valves."""
    if not level.valves:
        return (
            "Every outer set with every inner set over every stack of shims and every cut, each "
            "set counted with the mean of its springs; the one shown fits, or is nearest to, the "
            "card"
        )
    return (
        "Springs and what lies under them were chosen for all valves together, so that the sum of "
        "((shut - card) / tolerance)^2 + ((full lift - card) / tolerance)^2 over the valves is "
        "least while the limits are kept: a whole-number programme, solved by HiGHS through "
        f"SciPy. Allowed: {WITH[effort]}. Sum {_number(level.objective)}, none is below "
        f"{_number(level.bound)}; status: {level.status}"
    )


def flags_method(checks: Sequence[SetCheck]) -> str:
    """Say by which rules springs were flagged."""
    if not checks:
        return "No set could be judged"
    one = checks[0]
    return (
        f"Each load and rate within {one.tolerance:.0%} of its set's middle (median) and of "
        "its nominal, with the uncertainty as a guard band; springs that stand apart by the "
        f"generalised ESD test, which raises a false alarm in at most {one.alpha:.0%} of sound "
        "sets; free length and shape of the curve likewise. Weak, stiff, short and odd springs "
        "are left out unless asked for"
    )


LOADS_METHOD = (
    "A spring's load at a height is the mean of its counted strokes, of both branches where both "
    "were measured, each stroke read with the calibration it was captured with. "
    f"{STROKE_RULE}; what was left out is named with its set. Curves are never "
    "carried on beyond what was measured. Outer and inner push side by side, each at its own "
    "height, so their loads add; a shim lowers both heights, a seat cut raises both"
)
UNCERTAINTY_METHOD = (
    "± is the expanded uncertainty, k = 2 (about 95 %), by the law of propagation (JCGM 100:2008). "
    "In a sum of outer and inner what the bench's errors have in common adds plainly, what is each "
    "reading's own by root sum of squares. It covers the measurement, not how a spring changes as "
    "it runs, nor the engine's heights"
)


def came_words(part: SetPart) -> str:
    """Say of a set how its numbers came about; without a full stop."""
    return "; ".join((*(_came(one) for one in part.came), f"set {part.set_id}"))


def _came(one: Provenance) -> str:
    first, last = one.first_utc[:10], one.last_utc[:10]
    when = first if first == last else f"{first} to {last}"
    by = "" if one.calibration_id is None else f", calibration {one.calibration_id}"
    if one.origin is Origin.KEYED:
        by = ", a scale without a calibration of its own"
        if one.scale is not None:
            by = f", by the calibrated scale {one.scale}"
    return f"{one.sweeps} {CAME[one.origin]}, of {one.springs} springs{by}, {when}"


def _number(value: float | None) -> str:
    return "unknown" if value is None else f"{value:.4g}"


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


def flag_lines(check: SetCheck, units: Units) -> list[tuple[str, str]]:
    """Return each flag as spring and kind, and its reason."""
    return [
        (f"{spring.label} {flag.kind}", describe(flag, units))
        for spring in check.springs
        for flag in spring.flags
    ]
