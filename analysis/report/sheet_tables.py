"""A build sheet as tables of numbers, for CSV. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from coilbench.analysis.engine.placed import Load
from coilbench.analysis.inputs.sheet import Sheet, ValveRow
from coilbench.analysis.report.sheet_text import sheet_text
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

    def load_and_u(self, load: Load | None) -> tuple[float | None, float | None]:
        return (None, None) if load is None else (self.n(load.load_n), self.n(load.load_u_n))

    def mm(self, length_mm: float | None) -> float | None:
        return None if length_mm is None else self.units.length_value(length_mm)

    def rate(self, rate_n_per_mm: float | None) -> float | None:
        return None if rate_n_per_mm is None else self.units.rate_value(rate_n_per_mm)


def sheet_tables(sheet: Sheet, units: Units) -> Iterator[SheetTable]:
    """Yield what the sheet is, valves, margins, the sets' springs and readings, and curves."""
    edge = _Edge(units)
    yield _about(sheet, units)
    yield _valves(sheet, edge)
    yield _margins(sheet, edge)
    yield _springs(sheet, edge)
    yield _readings(sheet, edge)
    yield _curves(sheet, edge)


def _about(sheet: Sheet, units: Units) -> SheetTable:
    text = sheet_text(sheet, units)
    spares = (spring.name for spring in sheet.assignment.chosen.spares)
    rows = [
        ("Verdict", text.verdict),
        *(("Reason", each) for each in text.reasons),
        *(("Warning", each) for each in text.warnings),
        *(("Left out", name) for name in sheet.left_out),
        *(("Spare", name) for name in spares),
        *(("Assumed", each) for each in text.notes),
        *text.method.items(),
    ]
    return SheetTable("about", ("what", "words"), tuple(rows))


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
        *edge.load_and_u(row.seat),
        *edge.load_and_u(row.open),
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
            "; ".join(flag.reason for flag in spring.flags),
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
