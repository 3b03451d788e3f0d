"""The book's tables and views: names with units, readable without our code."""

import importlib
import json
import pkgutil
import sqlite3
import subprocess
import sys
import typing
from contextlib import closing

import pytest

import coilbench.capture.book
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, new_set
from coilbench.capture.book.sweeps import store_sweep
from coilbench.capture.strokes.judging import Purpose
from coilbench.capture.strokes.stored import CurveRow
from coilbench.capture.strokes.sweep import SweepStatus
from support.sqlite_utils_book import utils

pytestmark = pytest.mark.usefixtures("new_books_are_made")

UNITS = ("_n", "_mm", "_kg", "_counts", "_m_s2", "_days", "_s", "_hz")
WITHOUT_UNIT = ("_relative", "active_coils")


def named_with_its_unit(name: str) -> bool:
    return name.endswith(UNITS + WITHOUT_UNIT)


def test_every_real_column_says_its_unit(db):
    columns = [
        (table, column)
        for table in utils(db).table_names() + utils(db).view_names()
        for _, column, kind, *_ in db.execute(f"PRAGMA table_info({table})")
        if kind == "REAL"
    ]
    assert len(columns) > 20
    assert [pair for pair in columns if not named_with_its_unit(pair[1])] == []


def records_of_the_book():
    for module in pkgutil.iter_modules(coilbench.capture.book.__path__):
        loaded = importlib.import_module(f"coilbench.capture.book.{module.name}")
        yield from (
            kind
            for kind in vars(loaded).values()
            if hasattr(kind, "__struct_fields__") and kind.__module__ == loaded.__name__
        )


def test_every_float_field_says_its_unit():
    floats = [
        (kind.__name__, name)
        for kind in records_of_the_book()
        for name in kind.__struct_fields__
        if float in (hint := typing.get_type_hints(kind)[name], *typing.get_args(hint))
    ]
    assert ("SetPlan", "free_length_mm") in floats
    unnamed = [pair for pair in floats if not named_with_its_unit(pair[1])]
    assert unnamed == []


def test_a_name_without_a_unit_would_be_found():
    assert not named_with_its_unit("load")
    assert not named_with_its_unit("mean")


def test_every_table_is_strict_and_keyed(db):
    """https://www.sqlite.org/stricttables.html; the list's columns: pragma_table_list."""
    ours = [
        row
        for row in db.query("SELECT name, strict FROM pragma_table_list WHERE type = 'table'")
        if not row["name"].startswith(("sqlite_", "_sqlite_"))
    ]
    assert len(ours) > 8
    assert [row["name"] for row in ours if not row["strict"]] == []
    for name in (row["name"] for row in ours):
        assert utils(db).table(name).pks != ["rowid"], name


def test_a_key_that_leads_nowhere_is_refused(db, points_sweep, counts):
    with pytest.raises(sqlite3.IntegrityError, match="FOREIGN KEY"):
        store_sweep(db, points_sweep(spring_id="no such spring"))
    assert counts()["sweeps"] == 0


@pytest.mark.parametrize(
    ("column", "value"),
    [("origin", "guessed"), ("status", "done"), ("purpose", "fun"), ("counted", 2)],
)
def test_only_the_known_words_go_in(db, points_sweep, column, value):
    store_sweep(db, points_sweep())
    with pytest.raises(sqlite3.IntegrityError, match="CHECK"):
        db.execute(f"UPDATE sweeps SET {column} = ?", [value])


def test_raw_counts_always_name_their_calibration(db, points_sweep, stroke):
    with pytest.raises(sqlite3.IntegrityError, match="CHECK"):
        store_sweep(db, points_sweep(samples=stroke))


def test_the_views_of_an_empty_book_are_empty(db):
    for view in ("spring_summary", "curve_points"):
        assert list(utils(db).view(view).rows) == []


def test_a_set_without_a_sweep_is_in_the_summary(db, larch):
    rows = list(utils(db).view("spring_summary").rows)
    assert [row["label"] for row in rows] == list(larch.labels)
    assert rows[0] == {
        "set_name": "larch",
        "role": "outer",
        "turn": 1,
        "label": "larch-01",
        "sweeps_counted": 0,
        "conditioning_presses": 0,
        "sweeps_not_counted": 0,
        "samples": 0,
        "samples_lost": 0,
        "free_length_mm": None,
        "solid_height_mm": None,
        "mark": None,
        "note": None,
        "highest_load_n": None,
        "lowest_height_mm": None,
        "last_stored_utc": None,
    }
    assert list(utils(db).view("curve_points").rows) == []


def test_plain_sqlite_reads_the_views(db, path, larch, calibration_id, points_sweep, stroke):
    """Two strokes that count, a conditioning press, one refused; read by sqlite3 alone."""
    rows = [CurveRow("loading", 0, 38.0, 196.133), CurveRow("unloading", 0, 27.0, 392.266)]
    store_sweep(db, points_sweep(rows=rows))
    raw = points_sweep(samples=stroke, calibration_id=calibration_id, samples_lost=2)
    store_sweep(db, raw)
    high = [CurveRow("loading", 0, 20.0, 900.0)]
    store_sweep(db, points_sweep(purpose=Purpose.CONDITIONING, rows=high))
    store_sweep(db, points_sweep(status=SweepStatus.ABORTED, counted=False, rows=high))

    with closing(sqlite3.connect(path)) as plain:
        plain.row_factory = sqlite3.Row
        summary = dict(plain.execute("SELECT * FROM spring_summary WHERE turn = 1").fetchone())
        points = plain.execute(
            "SELECT * FROM curve_points WHERE set_name = 'larch' AND label = 'larch-01'"
            " AND counted AND purpose = 'measured' AND sweep_id ="
            " (SELECT id FROM sweeps ORDER BY rowid LIMIT 1) ORDER BY branch, point"
        ).fetchall()
        everything = plain.execute("SELECT count(*) FROM curve_points").fetchone()[0]
    assert summary["sweeps_counted"] == 2
    assert summary["conditioning_presses"] == 1
    assert summary["sweeps_not_counted"] == 1
    assert summary["samples"] == 201
    assert summary["samples_lost"] == 2
    assert summary["highest_load_n"] == 399.1
    assert summary["lowest_height_mm"] == 27.0
    assert [(p["branch"], p["height_mm"], p["load_n"]) for p in points] == [
        ("loading", 38.0, 196.133),
        ("unloading", 27.0, 392.266),
    ]
    # the kilogram-force is 9.80665 N (3rd CGPM, 1901)
    assert [p["load_kg"] for p in points] == pytest.approx([20.0, 40.0])
    assert everything == 6


def test_the_summary_keeps_the_sets_and_the_turns_in_order(db, larch):
    new_set(db, SetPlan("alder", "inner", ("z", "a")))
    shown = [(row["set_name"], row["label"]) for row in utils(db).view("spring_summary").rows]
    assert shown == [
        ("larch", "larch-01"),
        ("larch", "larch-02"),
        ("larch", "larch-03"),
        ("alder", "z"),
        ("alder", "a"),
    ]


def test_a_springs_own_solid_height_goes_before_the_sets(db):
    new_set(db, SetPlan("yew", "single", ("a", "b"), solid_height_mm=21.0))
    db.execute("UPDATE springs SET solid_height_mm = 20.4 WHERE label = 'b'")
    shown = [row["solid_height_mm"] for row in utils(db).view("spring_summary").rows]
    assert shown == [21.0, 20.4]


def test_lists_read_the_index_and_one_set_is_not_the_whole_book(db, larch):
    """Else the time to show a set would grow with the book (tests/bench/bench_book.py)."""

    def plan(sql):
        return [row[3] for row in db.execute(f"EXPLAIN QUERY PLAN {sql}")]

    count = "SELECT count(*) FROM sweeps WHERE spring_id = 'x' AND purpose = 'measured' AND counted"
    assert plan(count) == [
        "SEARCH sweeps USING COVERING INDEX sweeps_in_brief (spring_id=? AND purpose=?)"
    ]
    shown = plan("SELECT * FROM spring_summary WHERE set_name = 'larch' ORDER BY turn")
    assert [step for step in shown if step.startswith("SCAN")] == []


def test_sqlite_utils_lists_the_tables_of_a_book(path):
    with open_book(path, create=True):
        pass
    said = subprocess.run(
        [sys.executable, "-m", "sqlite_utils", "tables", str(path)],
        capture_output=True,
        text=True,
        check=True,
    )
    names = {row["table"] for row in json.loads(said.stdout)}
    assert {"sets", "springs", "sweeps", "curves", "calibrations", "sessions"} <= names
