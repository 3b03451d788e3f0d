"""A build sheet as tables of numbers, for CSV. Pure.

A build sheet as a JSON document, in N and mm. Pure.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import Any, NamedTuple

from coilbench.analysis.report.document import document
from coilbench.analysis.report.phrases import describe
from coilbench.analysis.report.set_text import check_document
from coilbench.analysis.report.sheet import RigPart, SetPart, Sheet, ValveRow
from coilbench.analysis.report.sheet_text import CAUTIONS
from coilbench.analysis.report.units import Units
from coilbench.capture.tables.csv_table import Cell

Cells = tuple[Cell, ...]


class SheetTable(NamedTuple):
    """A table: its file's name without the ending, its columns and rows; unknown cells are None."""

    name: str
    columns: tuple[str, ...]
    rows: tuple[Cells, ...]


class _Edge(NamedTuple):
    """Display units as columns name them, and numbers in them."""

    units: Units

    @property
    def load(self) -> str:
        return self.units.load.lower()

    @property
    def length(self) -> str:
        return self.units.length

    def n(self, load_n: float | None) -> float | None:
        return None if load_n is None else self.units.load_value(load_n)

    def mm(self, length_mm: float | None) -> float | None:
        return None if length_mm is None else self.units.length_value(length_mm)

    def rate(self, rate_n_per_mm: float | None) -> float | None:
        return None if rate_n_per_mm is None else self.units.rate_value(rate_n_per_mm)


def sheet_tables(sheet: Sheet, units: Units) -> Iterator[SheetTable]:
    """Yield what the sheet is, valves, margins, the sets' springs and readings, and curves."""
    edge = _Edge(units)
    yield _about(sheet, edge)
    yield _valves(sheet, edge)
    yield _margins(sheet, edge)
    yield _springs(sheet, edge)
    yield _readings(sheet, edge)
    yield _curves(sheet, edge)


def _about(sheet: Sheet, edge: _Edge) -> SheetTable:
    rows = [("Verdict", sheet.verdict), *(("Reason", words) for words in sheet.reasons)]
    rows += [("Warning", describe(one, edge.units)) for one in sheet.rig.warnings]
    rows += [("Left out", name) for name in sheet.left_out]
    rows += [("Spare", name) for name in sheet.spares]
    rows += [("Assumed", words) for words in sheet.notes]
    return SheetTable("about", ("what", "words"), (*rows, *sheet.method))


def _valves(sheet: Sheet, edge: _Edge) -> SheetTable:
    load, length = edge.load, edge.length
    columns = (
        "valve", "outer_set", "outer", "inner_set", "inner", "shims", f"shim_{length}",
        f"seat_cut_{length}", f"bare_height_{length}", f"outer_height_{length}",
        f"inner_height_{length}", f"seat_{load}", f"seat_u_{load}", f"open_{load}",
        f"open_u_{load}", f"coil_bind_margin_{length}", "fits", "sure",
    )  # fmt: skip
    return SheetTable("valves", columns, tuple(_valve(row, edge) for row in sheet.valves))


def _valve(row: ValveRow, edge: _Edge) -> Cells:
    inner = row.inner
    return (
        row.valve,
        row.outer.set_name,
        row.outer.spring,
        None if inner is None else inner.set_name,
        None if inner is None else inner.spring,
        len(row.choice.shims_mm),
        edge.mm(row.choice.shim_mm),
        edge.mm(row.choice.seat_cut_mm),
        edge.mm(row.bare_height_mm),
        edge.mm(row.outer.height_mm),
        None if inner is None else edge.mm(inner.height_mm),
        edge.n(row.seat_n),
        edge.n(row.seat_u_n),
        edge.n(row.open_n),
        edge.n(row.open_u_n),
        edge.mm(row.margin_mm),
        _truth(row.fits),
        _truth(row.sure),
    )


def _truth(known: bool | None) -> int | None:
    return None if known is None else int(known)


def _margins(sheet: Sheet, edge: _Edge) -> SheetTable:
    length = edge.length
    columns = ("set", "role", f"margin_{length}", "valve", f"solid_height_{length}", "computed",
               f"limit_{length}", f"smallest_gap_{length}", "kept")  # fmt: skip
    rows = [
        (
            each.set_name, each.role, edge.mm(each.margin_mm), each.valve,
            edge.mm(each.solid_height_mm), int(each.computed), edge.mm(each.limit_mm),
            edge.mm(each.gap_mm), _truth(each.kept),
        )
        for each in sheet.margins
    ]  # fmt: skip
    return SheetTable("margins", columns, tuple(rows))


def _springs(sheet: Sheet, edge: _Edge) -> SheetTable:
    rate, length = f"{edge.load}_per_{edge.length}", edge.length
    columns = ("set", "role", "label", f"rate_{rate}", f"rate_u_{rate}", f"free_length_{length}",
               f"solid_height_{length}", "flags", "reasons")  # fmt: skip
    rows = [
        (
            part.name,
            part.role,
            spring.label,
            edge.rate(spring.rate_n_per_mm),
            edge.rate(spring.rate_u_n_per_mm),
            edge.mm(spring.free_length_mm),
            edge.mm(spring.solid_height_mm),
            " ".join(flag.kind for flag in spring.flags),
            "; ".join(describe(flag, edge.units) for flag in spring.flags),
        )
        for part in sheet.sets
        if part.check is not None
        for spring in part.check.springs
    ]
    return SheetTable("springs", columns, tuple(rows))


def _readings(sheet: Sheet, edge: _Edge) -> SheetTable:
    load, length = edge.load, edge.length
    columns = ("set", "label", f"height_{length}", f"load_{load}", f"load_u_{load}",
               "off_percent")  # fmt: skip
    rows = [
        (
            part.name,
            spring.label,
            edge.mm(reading.height_mm),
            edge.n(reading.load_n),
            edge.n(reading.load_u_n),
            None if reading.deviation is None else 100.0 * reading.deviation,
        )
        for part in sheet.sets
        if part.check is not None
        for spring in part.check.springs
        for reading in spring.readings
    ]
    return SheetTable("readings", columns, tuple(rows))


def _curves(sheet: Sheet, edge: _Edge) -> SheetTable:
    columns = ("role", "name", f"outer_height_{edge.length}", f"load_{edge.load}")
    rows = [
        (line.role, line.name, edge.mm(height_mm), edge.n(load_n))
        for line in sheet.lines
        for height_mm, load_n in zip(line.heights_mm, line.loads_n, strict=True)
    ]
    return SheetTable("curves", columns, tuple(rows))


def to_document(sheet: Sheet) -> dict[str, Any]:
    """Return a sheet for JSON; unknown values are None."""
    cam = sheet.build.cam
    return {
        "build": sheet.build.name,
        "made_utc": sheet.made_utc,
        "effort": sheet.effort,
        "per_valve": sheet.named,
        "fits": sheet.fits,
        "verdict": sheet.verdict,
        "reasons": list(sheet.reasons),
        "card": {
            "name": cam.name,
            "seat_n": cam.seat_load_n,
            "open_n": cam.open_load_n,
            "lift_mm": cam.valve_lift_mm,
            "implied_rate_n_per_mm": cam.implied_rate_n_per_mm,
        },
        "valves": [valve_document(row) for row in sheet.valves],
        "spares": list(sheet.spares),
        "left_out": list(sheet.left_out),
        "unused_sets": list(sheet.unused),
        "margins": [asdict(margin) for margin in sheet.margins],
        "retainer_clearance_mm": sheet.clearance_mm,
        "sets": [_set_document(part) for part in sheet.sets],
        "limits": asdict(sheet.limits),
        "calibration": _rig_document(sheet.rig),
        "warnings": document(sheet.rig.warnings),
        "cautions": list(CAUTIONS),
        "notes": list(sheet.notes),
        "method": dict(sheet.method),
    }


def valve_document(row: ValveRow) -> dict[str, Any]:
    """Return one valve; a spring's name is None where any of its set will do."""
    inner = row.inner
    return {
        "valve": row.valve,
        "outer_set": row.outer.set_name,
        "outer": row.outer.spring,
        "inner_set": None if inner is None else inner.set_name,
        "inner": None if inner is None else inner.spring,
        "shims_mm": list(row.choice.shims_mm),
        "seat_cut_mm": row.choice.seat_cut_mm,
        "bare_height_mm": row.bare_height_mm,
        "outer_height_mm": row.outer.height_mm,
        "inner_height_mm": None if inner is None else inner.height_mm,
        "seat_n": row.seat_n,
        "seat_u_n": row.seat_u_n,
        "open_n": row.open_n,
        "open_u_n": row.open_u_n,
        "coil_bind_margin_mm": row.margin_mm,
        "fits": row.fits,
        "sure": row.sure,
    }


def _set_document(part: SetPart) -> dict[str, Any]:
    judged = {"set": part.name} if part.check is None else check_document(part.check)
    return judged | {
        "set_id": part.set_id,
        "role": part.role,
        "unjudged": part.unjudged or None,
        "not_measured": list(part.not_measured),
        "measured": [asdict(one) | {"origin": one.origin.value} for one in part.came],
    }


def _rig_document(rig: RigPart) -> dict[str, Any]:
    card = rig.card
    return {
        "calibration_id": None if card is None else card.calibration_id,
        "load_age_days": None if card is None else card.load.age_days,
        "check": None if card is None or card.check is None else asdict(card.check),
        "scales": [
            {"name": one.scale.name, "made_utc": one.made_utc, "age_days": one.age_days}
            for one in rig.scales
        ],
    }
