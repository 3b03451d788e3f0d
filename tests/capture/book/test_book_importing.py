"""Files into the book: all of them or none, and nothing twice."""

import re
from pathlib import Path

import numpy as np
import pytest

from coilbench.capture.book.entries import FILES, Entry
from coilbench.capture.book.importing import (
    FILE_HEIGHT_U_MM,
    FILE_LOAD_U_RELATIVE,
    import_table,
)
from coilbench.capture.book.sets import SetPlan, find_set, new_set
from coilbench.capture.book.sweeps import load_sweeps
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.sweep import Origin
from coilbench.capture.tables.csv_table import read_table
from support.sqlite_utils_book import utils

DATA = Path(__file__).parents[2] / "data"
POINTS = "label,height_mm,load_kg\nlarch-01,38.0,22.4\nlarch-01,27.1,40.7\n"
POINTS_OF_TWO = POINTS + "larch-02,38.0,22.9\nlarch-02,27.1,41.1\n"


def table(text: str, name: str = "points.csv"):
    return read_table(text.encode(), name)


def raw_text(stroke, zero: int = 0) -> str:
    rows = zip(
        ((stroke["t_us"] - stroke["t_us"][0]) * 1e-6).tolist(),
        stroke["load_counts"].tolist(),
        stroke["travel_counts"].tolist(),
        strict=True,
    )
    lines = [f"{t_s:.6f},{load + zero},{travel}" for t_s, load, travel in rows]
    return "t_s,load_counts,travel_counts\n" + "\n".join(lines) + "\n"


def converted_text() -> str:
    height_mm = 33.0 + np.abs(np.linspace(-20.0, 20.0, 161))
    load_kg = 1.68 * (53.0 - height_mm)
    lines = [
        f"{row / 80.0:.4f},{kg:.4f},{mm:.3f}"
        for row, (kg, mm) in enumerate(zip(load_kg, height_mm, strict=True))
    ]
    return "t_s,load_kg,height_mm\n" + "\n".join(lines) + "\n"


def test_points_become_a_sweep_a_spring(db, larch):
    brought = import_table(db, larch, table(POINTS_OF_TWO))
    assert (brought.kind, brought.labels) == ("points", ("larch-01", "larch-02"))
    sweeps = load_sweeps(db, larch)
    assert [len(sweeps[label]) for label in larch.labels] == [1, 1, 0]
    sweep = sweeps["larch-01"][0]
    assert sweep.origin is Origin.POINTS_FILE
    assert sweep.loading.height_mm.tolist() == [38.0, 27.1]
    # the kilogram-force is 9.80665 N exactly (3rd CGPM, 1901)
    assert sweep.loading.load_n == pytest.approx([22.4 * 9.80665, 40.7 * 9.80665])
    assert len(sweep.unloading) == 0


def test_what_a_file_is_taken_as_good_for_is_stored_and_said(db, larch):
    brought = import_table(db, larch, table(POINTS))
    sweep = load_sweeps(db, larch)["larch-01"][0]
    assert sweep.load_u_relative == FILE_LOAD_U_RELATIVE
    assert sweep.height_u_mm == FILE_HEIGHT_U_MM
    (note,) = (note for note in brought.notes if note.kind == "file_uncertainty")
    assert note["load_u_relative"] == pytest.approx(0.005)  # k = 2
    assert note["height_u_mm"] == pytest.approx(0.1)


def test_one_spring_of_a_points_file(db, larch):
    brought = import_table(db, larch, table(POINTS_OF_TWO), label="larch-02")
    assert brought.labels == ("larch-02",)
    assert [len(found) for found in load_sweeps(db, larch).values()] == [0, 1, 0]


def test_depths_use_the_sets_free_length(db, larch):
    """Common practice, no source: 53 mm free, about 15 mm down 22.4 kg, 25.9 mm down 40.7 kg."""
    text = "label,depth_mm,load_kg\nlarch-01,15.0,22.4\nlarch-01,25.9,40.7\n"
    import_table(db, larch, table(text))
    sweep = load_sweeps(db, larch)["larch-01"][0]
    assert sweep.loading.height_mm == pytest.approx([38.0, 27.1])
    rate_kg_per_mm = np.diff(sweep.loading.load_n)[0] / 9.80665 / 10.9
    assert rate_kg_per_mm == pytest.approx(1.68, abs=0.005)


def test_a_converted_sweep_is_kept_whole(db, larch):
    brought = import_table(db, larch, table(converted_text(), "stroke.csv"), label="larch-01")
    assert (brought.kind, brought.labels) == ("converted sweep", ("larch-01",))
    sweep = load_sweeps(db, larch)["larch-01"][0]
    assert sweep.dense
    assert (len(sweep.loading), len(sweep.unloading)) == (81, 80)
    assert sweep.loading.load_n == pytest.approx(
        1.68 * 9.80665 * (53.0 - sweep.loading.height_mm), abs=0.002
    )


def test_a_raw_sweep_names_the_calibration_it_was_read_with(db, larch, calibration_id, stroke):
    brought = import_table(db, larch, table(raw_text(stroke), "raw.csv"), label="larch-03")
    assert brought.kind == "raw sweep"
    (row,) = db.query("SELECT * FROM sweeps")
    assert (row["calibration_id"], row["samples"], row["note"]) == (calibration_id, 201, "raw.csv")
    sweep = load_sweeps(db, larch)["larch-03"][0]
    assert sweep.loading.load_n == pytest.approx(
        16.475 * (53.0 - sweep.loading.height_mm) + 5.0, abs=0.01
    )


def test_a_raw_sweep_needs_a_calibration(db, larch, stroke, counts):
    with pytest.raises(CoilbenchError, match="the rig's load is not calibrated"):
        import_table(db, larch, table(raw_text(stroke)), label="larch-01")
    assert counts()["sweeps"] == 0


def test_a_sweep_file_needs_a_label(db, larch, counts):
    with pytest.raises(CoilbenchError, match="does not name its spring") as caught:
        import_table(db, larch, table(converted_text(), "stroke.csv"))
    assert "--label" in str(caught.value)
    assert counts()["sweeps"] == 0


@pytest.mark.parametrize(
    ("text", "label", "words"),
    [
        (POINTS_OF_TWO + "birch-01,38.0,22.0\n", None, "has no spring 'birch-01'"),
        (POINTS_OF_TWO + "larch-03,38.0,nan\n", None, r"points\.csv, line 6"),
        (POINTS_OF_TWO + "larch-03,38.0\n", None, r"points\.csv, line 6"),
        (POINTS, "larch-03", "spring.*'larch-03'"),
        (POINTS, "birch-01", "'larch'.*spring.*'birch-01'"),
        ("label,load_kg\nlarch-01,3\n", None, "height"),
    ],
)
def test_what_is_wrong_anywhere_stores_nothing(db, larch, counts, text, label, words):
    before = counts()
    with pytest.raises(CoilbenchError) as caught:
        import_table(db, larch, table(text), label=label)
    assert re.search(words, str(caught.value))
    assert counts() == before


@pytest.mark.parametrize("kind", ["points", "converted", "raw"])
def test_the_same_readings_are_not_taken_twice(db, larch, calibration_id, stroke, counts, kind):
    """Another name and other line ends make no other measurement."""
    text, label = {
        "points": (POINTS_OF_TWO, None),
        "converted": (converted_text(), "larch-01"),
        "raw": (raw_text(stroke), "larch-01"),
    }[kind]
    import_table(db, larch, table(text, "first.csv"), label=label)
    before = counts()
    with pytest.raises(CoilbenchError) as caught:
        import_table(db, larch, table(text.replace("\n", "\r\n"), "copy of first.csv"), label=label)
    words = str(caught.value)
    assert words.startswith(
        "copy of first.csv: spring 'larch-01' already has these readings, imported from first.csv"
    )
    assert counts() == before


def test_one_spring_that_is_there_already_keeps_the_whole_file_out(db, larch, counts):
    import_table(db, larch, table(POINTS_OF_TWO), label="larch-02")
    before = counts()
    with pytest.raises(CoilbenchError, match="'larch-02' already has these readings"):
        import_table(db, larch, table(POINTS_OF_TWO))
    assert counts() == before
    import_table(db, larch, table(POINTS_OF_TWO), label="larch-01")


BATH = KeyedSetup(tare_n=14.0)


@pytest.mark.parametrize(("first", "then"), [(None, BATH), (BATH, None), (BATH, KeyedSetup())])
def test_the_same_rows_read_in_another_way_are_the_same_rows(db, larch, counts, first, then):
    """The way to read them otherwise is named: to take them back first, which is enough."""
    import_table(db, larch, table(POINTS_OF_TWO), hand=first)
    before = counts()
    with pytest.raises(CoilbenchError, match="'larch-01' already has these readings") as caught:
        import_table(db, larch, table(POINTS_OF_TWO), hand=then)
    assert counts() == before
    (entry_id,) = re.findall(r"--take-back (\w+)", str(caught.value))
    Entry.undo(db, entry_id, FILES)
    import_table(db, larch, table(POINTS_OF_TWO), hand=then)
    assert [len(own) for own in load_sweeps(db, larch).values()] == [1, 1, 0]


@pytest.mark.parametrize(
    "again",
    [
        POINTS + "larch-01,33.0,30.0\n",  # a sheet that grew
        "label,height_mm,load_kg\nlarch-01,27.1,40.7\nlarch-01,38.0,22.4\n",
        "spring,38.0 mm kg,27.1 mm kg\nlarch-01,22.4,40.7\n",
        POINTS.replace("load_kg", "load_kg,tare_kg")
        .replace("22.4", "22.4,1")
        .replace("40.7", "40.7,1"),
    ],
)
def test_the_same_rows_in_another_sheet_are_the_same_rows(db, larch, again):
    import_table(db, larch, table(POINTS))
    with pytest.raises(CoilbenchError, match="'larch-01' already has these readings"):
        import_table(db, larch, table(again))


def test_one_row_that_shows_the_same_again_may_be_a_repeat(db, larch):
    import_table(db, larch, table("label,height_mm,load_kg\nlarch-01,38.0,22.4\n"))
    import_table(db, larch, table(POINTS))


def test_other_readings_of_the_same_spring_are_welcome(db, larch, stroke, calibration_id):
    import_table(db, larch, table(POINTS))
    import_table(db, larch, table(POINTS.replace("22.4", "22.5")))
    import_table(db, larch, table(raw_text(stroke), "one.csv"), label="larch-01")
    import_table(db, larch, table(raw_text(stroke, zero=1), "two.csv"), label="larch-01")
    assert len(load_sweeps(db, larch)["larch-01"]) == 4


def test_two_springs_may_read_alike(db, larch):
    import_table(db, larch, table(POINTS))
    import_table(db, larch, table(POINTS.replace("larch-01", "larch-02")))
    assert [len(found) for found in load_sweeps(db, larch).values()] == [1, 1, 0]


# The solid heights of the twelve springs, read off the printed table by hand: U.S. Ordnance
# Department, Report of the Tests of Metals and Other Materials, Watertown Arsenal, 1900,
# pp. 386-387, the "closed down" rows, inches. Spring 12's file has no row below 9.75.
WATERTOWN_SOLID_IN = {
    "8": 9.63,
    "9": 9.70,
    "10": 9.68,
    "12": 9.75,
    "13": 9.65,
    "14": 9.68,
    "15": 9.55,
    "16": 9.70,
    "17": 9.67,
    "18": 9.63,
    "19": 9.69,
    "20": 9.70,
}


@pytest.fixture
def watertown(db):
    return new_set(db, SetPlan("arsenal", "single", tuple(WATERTOWN_SOLID_IN)))


@pytest.fixture
def arsenal_file():
    name = "watertown1900_springs.csv"
    return read_table((DATA / name).read_bytes(), name)


def test_twelve_real_springs_come_in_with_their_solid_heights(db, watertown, arsenal_file):
    """The inch is 25.4 mm and the pound 0.45359237 kg exactly (agreement of 1959)."""
    brought = import_table(db, watertown, arsenal_file)
    assert brought.labels == tuple(WATERTOWN_SOLID_IN)
    record = find_set(db, "arsenal")
    for spring in record.springs:
        assert spring.solid_height_mm == pytest.approx(25.4 * WATERTOWN_SOLID_IN[spring.label])
        assert "its row with the largest load" in spring.solid_reason
    assert [n["springs"] for n in brought.notes if n.kind == "solid_heights_found"] == [12]
    sweeps = load_sweeps(db, record)
    lbf_n = 0.45359237 * 9.80665
    loads = {
        label: float(found[0].loading.load_n[found[0].loading.height_mm.round(2) == 311.15][0])
        for label, found in sweeps.items()
    }
    # at 12.25 in, as printed
    assert loads["17"] == pytest.approx(15_080 * lbf_n)
    assert loads["13"] == pytest.approx(19_740 * lbf_n)
    assert loads["8"] == pytest.approx(17_700 * lbf_n)
    shown = {row["label"]: row["solid_height_mm"] for row in utils(db).view("spring_summary").rows}
    assert shown["15"] == pytest.approx(25.4 * 9.55)


def test_solid_heights_stay_away_when_the_user_says_so(db, watertown, arsenal_file):
    brought = import_table(db, watertown, arsenal_file, closed_down=False)
    assert [s.solid_height_mm for s in find_set(db, "arsenal").springs] == [None] * 12
    assert not any(note.kind == "solid_heights_found" for note in brought.notes)


def test_one_spring_gets_its_solid_height_by_what_all_show(db, watertown, arsenal_file):
    import_table(db, watertown, arsenal_file, label="15")
    found = {s.label: s.solid_height_mm for s in find_set(db, "arsenal").springs}
    assert found.pop("15") == pytest.approx(25.4 * 9.55)
    assert set(found.values()) == {None}


@pytest.mark.parametrize(("height_mm", "said"), [(25.0, []), (24.99, ["a"])])
def test_rows_that_near_solid_are_taken_and_marked(db, height_mm, said):
    record = new_set(db, SetPlan("yew", "single", ("a",), solid_height_mm=24.0))
    text = f"label,height_mm,load_kg\na,38,22.4\na,{height_mm},44.0\n"
    notes = import_table(db, record, table(text)).notes
    assert [note["label"] for note in notes if note.kind == "near_solid"] == said
