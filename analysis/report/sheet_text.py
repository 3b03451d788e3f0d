"""A build sheet in sentences, table cells, JSON keys, and as tables of numbers for CSV.

What isn't known says "unknown". CSV columns name the display units they are in.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from coilbench.analysis.engine.assignment import Level
from coilbench.analysis.engine.pairing import Combination
from coilbench.analysis.engine.shims import Effort
from coilbench.analysis.inputs.sheet import RigPart, ScalePart, SetPart, Sheet, ValveRow
from coilbench.analysis.limits.limits import LimitsReport
from coilbench.analysis.report.assignment_text import (
    ALLOWED,
    assignment_notes,
    assignment_verdict,
    number_text,
)
from coilbench.analysis.report.curve_text import set_notes
from coilbench.analysis.report.document import JSON_SKIP, describe, document, json_keys, picked
from coilbench.analysis.report.limits_text import CAUTIONS as LIMITS_CAUTIONS
from coilbench.analysis.report.limits_text import limits_text
from coilbench.analysis.report.pairing_text import pair_text, range_text
from coilbench.analysis.report.set_text import STROKE_RULE, check_document
from coilbench.analysis.report.units import SI, Units
from coilbench.analysis.sets.judge import SetCheck
from coilbench.capture.strokes.sweep import Origin, Provenance
from coilbench.capture.tables.csv_table import Cell

CAUTIONS = (
    "A compressed valve spring can blind. Wear eye protection, keep the spring captive at both "
    "ends whenever it is pressed, keep fingers out, and stop before the coils bind.",
    LIMITS_CAUTIONS[0],
    "Measure the height, coil bind and retainer clearance of every valve on the engine itself "
    "before it turns. The load reading is not legal for trade.",
)
CAME = {
    Origin.RIG: "strokes on the rig",
    Origin.RAW_FILE: "strokes from files of raw counts",
    Origin.CONVERTED_FILE: "strokes from files of loads and heights",
    Origin.POINTS_FILE: "rows of points from files",
    Origin.KEYED: "rounds of readings keyed in",
}


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

json_keys(
    Sheet,
    "build=build.name made_utc=record.made_utc effort=assignment.effort per_valve=named fits "
    "reasons card=build.cam valves spares=assignment.chosen.spares.name left_out "
    "unsure unused_sets=unused margins warnings=rig.warnings calibration=rig "
    "retainer_clearance_mm=build.clearance_mm",
)
json_keys(
    ValveRow,
    "valve outer_set=outer.set_name outer=outer.spring inner_set=inner.set_name "
    "inner=inner.spring shims_mm=choice.shims_mm seat_cut_mm=choice.seat_cut_mm bare_height_mm "
    "outer_height_mm=outer.height_mm inner_height_mm=inner.height_mm seat_n=seat.load_n "
    "seat_u_n=seat.load_u_n open_n=open.load_n open_u_n=open.load_u_n "
    "coil_bind_margin_mm=margin_mm fits sure",
)
json_keys(
    RigPart,
    "calibration_id=card.calibration_id load_age_days=card.load.age_days check=card.check scales",
)
json_keys(ScalePart, "name=scale.name made_utc age_days")


@dataclass(frozen=True)
class SheetLimits:
    """What is said of wire, surge and valve float.

    Attributes:
        found: for each pair of sets with what is under it: its name, what isn't kept and the
            figures; what was said of a set before isn't said again.
        assumed: what all of it rests on.
        not_given: what isn't given, and what it would tell.
    """

    found: tuple[tuple[str, tuple[str, ...]], ...]
    assumed: tuple[str, ...]
    not_given: tuple[str, ...]
    cautions: tuple[str, ...] = LIMITS_CAUTIONS


@dataclass(frozen=True)
class SheetText:
    """A sheet's sentences, without full stops, the cautions with them.

    Attributes:
        verdict: what was found.
        loads_of: whose loads the valves' are; empty where each has its own springs.
        reasons: why not more, or what should be known.
        left_out: the flagged springs that are not used, and of the sets shown why.
        warnings: reasons to doubt the figures.
        notes: what was assumed.
        set_notes: what the reader of a set's loads should know, by set.
        method: how it was computed: what, and words for it.
    """

    verdict: str
    loads_of: str = field(metadata=JSON_SKIP)
    reasons: tuple[str, ...] = field(metadata=JSON_SKIP)
    limits: SheetLimits
    warnings: tuple[str, ...] = field(metadata=JSON_SKIP)
    cautions: tuple[str, ...]
    notes: tuple[str, ...]
    set_notes: Mapping[str, tuple[str, ...]] = field(metadata=JSON_SKIP)
    method: Mapping[str, str]


def sheet_text(sheet: Sheet, units: Units) -> SheetText:
    """Say what there is to say about a sheet."""
    return SheetText(
        _verdict(sheet, units),
        "" if sheet.best is None else _loads_of(sheet.best, units),
        tuple(describe(reason, units) for reason in sheet.reasons),
        _limits(sheet.limits, units),
        tuple(describe(warning, units) for warning in sheet.rig.warnings),
        CAUTIONS,
        assignment_notes(sheet.assignment, units),
        {part.name: _set_notes(part, units) for part in sheet.sets},
        dict(_method(sheet)),
    )


def sheet_document(sheet: Sheet) -> dict[str, object]:
    """Return the whole of a sheet as a JSON document holds it."""
    sets = [_set_document(part) for part in sheet.sets]
    return {**document(sheet), **document(sheet_text(sheet, SI)), "sets": sets}


def _set_document(part: SetPart) -> dict[str, object]:
    judged = {"set": part.name} if part.check is None else check_document(part.check)
    return judged | {
        "set_id": part.set_id,
        "role": part.role,
        "unjudged": None if part.unjudged is None else describe(part.unjudged, SI),
        "not_measured": part.not_measured,
        "measured": document(part.came),
    }


def _verdict(sheet: Sheet, units: Units) -> str:
    level, best = sheet.assignment.chosen, sheet.best
    found = assignment_verdict(level)
    kept = "" if not sheet.failures else "; its limits fail"
    if best is None:
        return found + kept
    how = "which fits the card" if best.fits else "which is the nearest, and does not fit"
    if best.seat is None or best.full is None:
        how = "of which it can't be said whether it fits"
    kind = "set" if best.inner is None else "pair of sets"
    named = pair_text(best.outer, best.inner, best.choice, units)
    return f"{found}, so this sheet shows the best {kind}: {named}, {how}{kept}"


def _loads_of(best: Combination, units: Units) -> str:
    """Say of a pair whose loads are shown, and between what those of single springs lie."""
    said = "Loads are those of the sets' mean springs"
    if best.seat is None or best.full is None:
        return said
    between = range_text(best.seat, best.full, units)
    return f"{said}; from the weakest to the strongest of both sets they are {between}"


def _limits(reports: Sequence[LimitsReport], units: Units) -> SheetLimits:
    """Join the limits of several pairs; what holds for one set is said once."""
    found, said, missing, assumed = [], set[str](), dict[str, None](), dict[str, None]()
    for each in reports:
        text = limits_text(each, units)
        new = tuple(each for each in (*text.verdicts, *text.findings) if each not in said)
        said.update(new)
        missing |= dict.fromkeys(text.not_given)
        assumed |= dict.fromkeys(text.assumed)
        if new:
            found.append((pair_text(each.outer, each.inner, each.choice, units), new))
    return SheetLimits(tuple(found), tuple(assumed), tuple(missing))


def _set_notes(part: SetPart, units: Units) -> tuple[str, ...]:
    """Return what the reader of a set's loads should know."""
    strokes = (
        f"{label}, stroke {one.number}: {describe(one, units)}" for label, one in part.left_out
    )
    return (*set_notes(part.curves, part.heights_mm, units), *strokes)


def _method(sheet: Sheet) -> Iterator[tuple[str, str]]:
    assignment, record = sheet.assignment, sheet.record
    yield "Loads", LOADS_METHOD
    yield "Choice", _choice_method(assignment.chosen, assignment.effort)
    checks = [part.check for part in sheet.sets if part.check is not None]
    yield "Flags", _flags_method(checks)
    yield "Uncertainty", UNCERTAINTY_METHOD
    for part in sheet.sets:
        came = (*(_came(one) for one in part.came), f"set {part.set_id}")
        yield f"Measured, {part.name}", "; ".join(came)
    digest = hashlib.sha256(record.build_text.encode()).hexdigest()
    yield "Build file", f"{sheet.build.name}, SHA-256 {digest}"
    yield "Book", record.book
    yield "Made", f"{record.made_utc[:16].replace('T', ' ')} UTC"
    yield "Versions", ", ".join(f"{name} {version}" for name, version in record.versions.items())


def _choice_method(level: Level, effort: Effort) -> str:
    """Say how springs were given to valves."""
    if not level.valves:
        return (
            "Every outer set with every inner set over every stack of shims and every cut, each "
            "set counted with the mean of its springs; the one shown fits, or is nearest to, the "
            "card"
        )
    return (
        "Springs and what is under them were chosen for all valves together, so that the sum of "
        "((shut - card) / tolerance)^2 + ((full lift - card) / tolerance)^2 over the valves is "
        "least while the limits are kept: a whole-number programme, solved by HiGHS through "
        f"SciPy. Allowed: {ALLOWED[effort]}. Sum {number_text(level.objective)}, none is below "
        f"{number_text(level.bound)}; status: {level.status}"
    )


def _flags_method(checks: Sequence[SetCheck]) -> str:
    """Say by which rules springs were flagged."""
    if not checks:
        return "No set could be judged"
    bands = {check.name: _band(check) for check in checks}
    alike = len(set(bands.values())) == 1
    said = bands.values() if alike else (f"{name}: {band}" for name, band in bands.items())
    return (
        f"Each load and rate within {'; '.join(dict.fromkeys(said))}, with the uncertainty as a "
        "guard band; springs that stand apart by the generalised ESD test, which raises a false "
        f"alarm in at most {checks[0].alpha:.0%} of sound sets; free length and shape of the "
        "curve likewise. Weak, stiff, short and odd springs are left out unless asked for"
    )


def _band(check: SetCheck) -> str:
    """Say the tolerances that were applied: a kept nominal may have its own."""
    shares = {
        round(ruling.facts[f"tolerance_{unit}"] / ruling.facts[f"aim_{unit}"], 6)
        for spring in check.springs
        for ruling in spring.rulings
        if ruling.rule == "nominal"
        for unit in ("n_per_mm" if ruling.height_mm is None else "n",)
    }
    of_nominal = (f" and {100.0 * share:.3g}% of its nominal" for share in sorted(shares))
    middle = f"{100.0 * check.tolerance:.3g}% of its set's middle (median)"
    return "".join((middle, *of_nominal))


def _came(one: Provenance) -> str:
    first, last = one.first_utc[:10], one.last_utc[:10]
    when = first if first == last else f"{first} to {last}"
    by = "" if one.calibration_id is None else f", calibration {one.calibration_id}"
    if one.origin is Origin.KEYED:
        by = ", a scale without a calibration of its own"
        if one.scale is not None:
            by = f", by the calibrated scale {one.scale}"
    return f"{one.sweeps} {CAME[one.origin]}, of {one.springs} springs{by}, {when}"


VALVE = (
    "valve outer_set=outer.set_name outer=outer.spring inner_set=inner.set_name "
    "inner=inner.spring shims=choice.count shim_mm=choice.shim_mm seat_cut_mm=choice.seat_cut_mm "
    "bare_height_mm outer_height_mm=outer.height_mm inner_height_mm=inner.height_mm "
    "seat_n=seat.load_n seat_u_n=seat.load_u_n open_n=open.load_n open_u_n=open.load_u_n "
    "coil_bind_margin_mm=margin_mm fits sure"
)
MARGIN = (
    "set=set_name role margin_mm valve solid_height_mm computed limit_mm smallest_gap_mm=gap_mm "
    "kept"
)
SPRING = "label rate_n_per_mm rate_u_n_per_mm free_length_mm solid_height_mm"
READING = "height_mm load_n load_u_n"


class SheetTable(NamedTuple):
    """A table: its file's name without the ending, its columns and rows; unknown cells are None."""

    name: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


def sheet_tables(sheet: Sheet, units: Units) -> Iterator[SheetTable]:
    """Yield what the sheet is, valves, margins, the sets' springs and readings, and curves."""
    yield _about(sheet, units)
    yield _table("valves", VALVE, (picked(row, VALVE) for row in sheet.valves), units)
    yield _table("margins", MARGIN, (picked(each, MARGIN) for each in sheet.margins), units)
    checked = [
        (part, spring)
        for part in sheet.sets
        if part.check is not None
        for spring in part.check.springs
    ]
    springs = (
        {"set": part.name, "role": part.role}
        | picked(spring, SPRING)
        | {"flags": " ".join(flag.kind for flag in spring.flags)}
        | {"reasons": "; ".join(describe(flag, units) for flag in spring.flags)}
        for part, spring in checked
    )
    yield _table("springs", f"set role {SPRING} flags reasons", springs, units)
    readings = (
        {"set": part.name, "label": spring.label}
        | picked(reading, READING)
        | {"off_percent": None if reading.deviation is None else 100.0 * reading.deviation}
        for part, spring in checked
        for reading in spring.readings
    )
    yield _table("readings", f"set label {READING} off_percent", readings, units)
    points = (
        {"role": line.role, "name": line.name, "outer_height_mm": height_mm, "load_n": load_n}
        for line in sheet.lines
        for height_mm, load_n in zip(line.heights_mm, line.loads_n, strict=True)
    )
    yield _table("curves", "role name outer_height_mm load_n", points, units)


def _about(sheet: Sheet, units: Units) -> SheetTable:
    text = sheet_text(sheet, units)
    spares = (spring.name for spring in sheet.assignment.chosen.spares)
    lists: Sequence[tuple[str, Iterable[str]]] = (
        ("Verdict", (text.verdict,)),
        ("Reason", text.reasons),
        ("Warning", text.warnings),
        ("Left out", sheet.left_out),
        ("Unsure", sheet.unsure),
        ("Spare", spares),
        ("Assumed", text.notes),
    )
    rows = [(what, each) for what, found in lists for each in found]
    return SheetTable("about", ("what", "words"), (*rows, *text.method.items()))


def _table(name: str, keys: str, found: Iterable[dict[str, Any]], units: Units) -> SheetTable:
    """Put rows in N and mm, as their keys say, in display units."""
    load, length = units.load.lower(), units.length
    ends = {
        "_n_per_mm": (f"_{load}_per_{length}", units.rate_value),
        "_n": (f"_{load}", units.load_value),
        "_mm": (f"_{length}", units.length_value),
    }
    columns = []
    for key in (each.partition("=")[0] for each in keys.split()):
        end = next((each for each in ends if key.endswith(each)), None)
        shown = (key, None) if end is None else (key.removesuffix(end) + ends[end][0], ends[end][1])
        columns.append((key, *shown))
    rows = tuple(tuple(_cell(row[key], convert) for key, _, convert in columns) for row in found)
    return SheetTable(name, tuple(column for _, column, _ in columns), rows)


def _cell(value: Any, convert: Callable[[float], float] | None) -> Cell:
    if value is None or convert is not None:
        return None if value is None or convert is None else convert(value)
    return int(value) if isinstance(value, bool) else value
