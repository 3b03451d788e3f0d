"""The build sheet's tables against the sheet, and back out of CSV with Python's own reader."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable

import pytest
from msgspec.structs import replace

from coilbench.analysis.inputs.sheet import Sheet
from coilbench.analysis.report.sheet_tables import SheetTable, sheet_tables
from coilbench.analysis.report.units import Units
from coilbench.capture.tables.csv_table import csv_bytes

MakeSheet = Callable[..., Sheet]
BUILD = """
[cam]
name = "Lake twin"
valve_lift = "10 mm"
seat_load = "300 N"
seat_tolerance = "20 N"
open_load = "600 N"
open_tolerance = "30 N"
[limits]
coil_bind_margin = "1.2 mm"
[springs]
outer = ["larch"]
[head.valves]
"=1+1" = "40.0 mm"
"-2 ex" = "40.1 mm"
"""
SETS = {"larch": {"@A": (50.0, 30.0), "+b": (50.0, 30.2), "c": (50.0, 30.1)}}


@pytest.fixture(scope="module")
def sheet(make_a_sheet: MakeSheet) -> Sheet:
    return make_a_sheet(BUILD, SETS, solid_mm=None)


def tables_of(sheet: Sheet, units: Units) -> dict[str, SheetTable]:
    return {table.name: table for table in sheet_tables(sheet, units)}


def test_every_row_has_every_column(sheet: Sheet) -> None:
    tables = tables_of(sheet, Units())
    assert list(tables) == ["about", "valves", "margins", "springs", "readings", "curves"]
    for table in tables.values():
        assert table.rows
        assert {len(row) for row in table.rows} == {len(table.columns)}
    assert len(tables["springs"].rows) == 3
    assert len(tables["readings"].rows) == 6


def test_units_are_in_the_columns_and_in_the_numbers(sheet: Sheet) -> None:
    """kg by 9.80665 N, lbf by 4.4482216152605 N, in by 25.4 mm: exact, by hand.

    Rounded to the second digit of the uncertainty: off by a twentieth of it at most.
    """
    row = sheet.valves[0]
    assert row.seat is not None
    kg = tables_of(sheet, Units("kg", "mm"))["valves"]
    assert kg.rows[0][kg.columns.index("seat_kg")] == pytest.approx(
        row.seat.load_n / 9.80665, abs=0.05 * row.seat.load_u_n / 9.80665
    )
    lbf = tables_of(sheet, Units("lbf", "in"))["valves"]
    assert lbf.rows[0][lbf.columns.index("seat_lbf")] == pytest.approx(
        row.seat.load_n / 4.4482216152605, abs=0.05 * row.seat.load_u_n / 4.4482216152605
    )
    assert lbf.rows[0][lbf.columns.index("bare_height_in")] == pytest.approx(40.0 / 25.4, abs=5e-5)
    newton = tables_of(sheet, Units("N", "mm"))["curves"]
    assert newton.columns == ("role", "name", "outer_height_mm", "load_n")
    assert newton.rows[0][3] == pytest.approx(sheet.lines[0].loads_n[0], abs=5e-5)


def test_no_cell_is_a_formula_and_unknown_is_empty(sheet: Sheet) -> None:
    named = replace(sheet, left_out=("=cmd|' /C calc'!A0", "\t=2"))
    for table in sheet_tables(named, Units()):
        text = csv_bytes(table.columns, table.rows).decode("utf-8-sig")
        rows = list(csv.reader(io.StringIO(text)))
        for row in rows[1:]:
            for cell in row:
                try:
                    float(cell)
                except ValueError:
                    assert not cell.startswith(("=", "+", "-", "@", "\t"))
    valves = tables_of(sheet, Units())["valves"]
    assert valves.rows[0][0] == "=1+1"
    assert valves.rows[0][valves.columns.index("coil_bind_margin_mm")] is None
    assert valves.rows[0][valves.columns.index("inner")] is None
