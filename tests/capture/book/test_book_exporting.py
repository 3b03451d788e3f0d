"""What an export knows of: everything that the book holds of springs, strokes and calibrations."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from coilbench.capture.book.digests import DIGESTS
from coilbench.capture.book.edits import COUNTERS
from coilbench.capture.book.exporting import HEADS, columns_of, file_name
from coilbench.capture.book.opening import open_book
from coilbench.capture.calibration.keyed_setup import KeyedSetup, ScalePoint
from coilbench.capture.calibration.known_points import FlexPoint, GaugePoint, LoadPoint
from coilbench.capture.tables.keyed import KeyedReading
from support.sqlite_utils_book import utils

COLUMNS = {
    kind: [name for line in head.splitlines()[1:] for name in columns_of(line)]
    for kind, head in HEADS.items()
}
# Columns of the book that the CSV has under another name, in a file of its own, or not at all.
ELSEWHERE = {
    "sets": {"id", "name", "nominal_json"},  # set, nominal_…
    # own_…, order of rows
    "springs": {"id", "set_id", "turn", "solid_reason"}
    | {"solid_by_hand_mm", "solid_by_hand_u_mm"},
    "sweeps": {"id", "spring_id", "calibration_id", "samples_format", "samples_blob", "keyed_json"},
    "curve_rows": {"sweep_id", "branch", "point"},  # stroke_id, direction, order of rows
    "calibration_parts": {"residual_sd_n", "residual_sd_mm"},  # in fit_json
    "scales": set(),
}
FILE_OF = {"sets": "springs", "springs": "springs", "sweeps": "strokes", "curve_rows": "curves"}


@pytest.mark.parametrize("table", ELSEWHERE)
def test_every_column_of_the_book_is_exported_or_known_to_be_elsewhere(
    tmp_path: Path, table: str
) -> None:
    """So that a column that the book gets later is not forgotten."""
    with open_book(tmp_path / "bench.db", create=True) as db:
        of_book = set(utils(db)[table].columns_dict)
    exported = set(COLUMNS[FILE_OF.get(table, "calibrations")])
    assert of_book - exported - {*DIGESTS, *COUNTERS} == ELSEWHERE[table]


def test_everything_typed_has_its_column() -> None:
    typed = {*KeyedReading.__struct_fields__, *KeyedSetup.__struct_fields__}
    assert typed - set(COLUMNS["keyed"]) == {"loading"}  # direction


def test_every_field_of_a_point_has_its_column() -> None:
    """A flex point's direction is told by the order of the points."""
    for kind, point in (("load", LoadPoint), ("travel", GaugePoint), ("scale", ScalePoint)):
        assert set(point.__struct_fields__) == set(COLUMNS[kind]), kind
    assert set(FlexPoint.__struct_fields__) - {"direction"} == set(COLUMNS["flex"])


@pytest.mark.parametrize("kind", HEADS)
def test_no_comment_holds_a_cell_that_a_spreadsheet_runs(kind: str) -> None:
    assert re.search(r"[,;\t]\s*[=+@-](?!-)", HEADS[kind]) is None
    assert HEADS[kind].isascii()
    assert len(COLUMNS[kind]) == len(set(COLUMNS[kind]))


def test_file_names_fit_every_system_and_are_never_the_same() -> None:
    taken: set[str] = set()
    labels = ("a", "A", "a:b", "a*b", "..", "ä 1")
    assert [file_name(taken, "strokes", "set/1", label) for label in labels] == [
        "strokes/set_1/a.csv",
        "strokes/set_1/A_2.csv",
        "strokes/set_1/a_b.csv",
        "strokes/set_1/a_b_2.csv",
        "strokes/set_1/_.csv",
        "strokes/set_1/ä_1.csv",
    ]
    assert file_name(taken, "../../etc") == ".._.._etc.csv"
