"""A build sheet as tables of numbers for CSV; columns name the display units they are in."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, NamedTuple

from coilbench.analysis.inputs.sheet import Sheet
from coilbench.analysis.report.document import describe, picked
from coilbench.analysis.report.sheet_text import sheet_text
from coilbench.analysis.report.units import Units
from coilbench.capture.tables.csv_table import Cell
from coilbench.capture.units import known_to

VALVE = (
    "valve outer_set=outer.set_name outer=outer.spring inner_set=inner.set_name "
    "inner=inner.spring shims=choice.count shim_mm=choice.shim_mm "
    "outer_shim_mm=choice.outer_shim_mm inner_shim_mm=choice.inner_shim_mm "
    "seat_cut_mm=choice.seat_cut_mm "
    "bare_height_mm outer_height_mm=outer.height_mm inner_height_mm=inner.height_mm "
    "seat_n=seat.load_n seat_u_n=seat.load_u_n open_n=open.load_n open_u_n=open.load_u_n "
    "coil_bind_margin_mm=margin_mm fits sure"
)
MARGIN = (
    "set=set_name role margin_mm valve solid_height_mm=solid.height_mm "
    "solid_height_u_mm=solid.height_u_mm solid_height_from=solid.known_from limit_mm "
    "smallest_gap_mm=gap_mm kept"
)
SPRING = (
    "label rate_n_per_mm rate_u_n_per_mm free_length_mm free_length_u_mm free_length_from "
    "solid_height_mm"
)
READING = "height_mm load_n load_u_n"
PLACES = 4  # of what has no uncertainty beside it: a length in inches needs them


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
    rows = tuple(
        tuple(_cell(row[key], convert, _u(row, key)) for key, _, convert in columns)
        for row in found
    )
    return SheetTable(name, tuple(column for _, column, _ in columns), rows)


def _u(row: dict[str, Any], key: str) -> float | None:
    """Return the uncertainty that stands beside a load or rate, its own if it is one."""
    for end in ("_n_per_mm", "_n"):
        if key.endswith(end):
            return row.get(key if "_u_" in key else f"{key.removesuffix(end)}_u{end}")
    return None


def _cell(value: Any, convert: Callable[[float], float] | None, u: float | None) -> Cell:
    if value is None:
        return None
    if convert is None:
        value = round(value, PLACES) if isinstance(value, float) else value
        return int(value) if isinstance(value, bool) else value
    return round(convert(value), PLACES) if not u else known_to(convert(value), convert(u))
