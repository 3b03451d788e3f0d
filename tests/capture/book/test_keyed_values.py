"""What a book says of keyed readings and how they were taken: each number in range, or found."""

from __future__ import annotations

from pathlib import Path

import pytest
from sqlite_utils import Database

from coilbench.capture.book.keyed_readings import store_readings
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.book.soundness import check_book
from coilbench.capture.calibration.give import GivePoint, fit_give
from coilbench.capture.calibration.keyed_setup import LEAST_GIVE_N, MOST_GIVE_MM, KeyedSetup
from coilbench.capture.tables.keyed import KeyedReading
from support.edits import change

NUMBERS = [name for name in KeyedSetup.__struct_fields__ if name != "scale"]
GIVE = fit_give([GivePoint(0.8, 400.0), GivePoint(1.5, 800.0)], 0.1)
PAST = [(name, value) for name in NUMBERS for value in (-1.0, 1e300)] + [
    ("lever_ratio", 0.0),
    ("give_mm", MOST_GIVE_MM + 0.1),
    ("give_u_mm", MOST_GIVE_MM + 0.1),
    ("give_bend_u_mm", MOST_GIVE_MM + 0.1),
    ("give_at_n", LEAST_GIVE_N / 2.0),
    ("give_at_n", 0.0),  # a give at no load
    ("give_mm", "1.6"),
]


@pytest.fixture
def keyed(db: Database, path: Path, larch: SetRecord) -> Path:
    setup = KeyedSetup(tare_n=5.0, **GIVE._asdict())
    store_readings(db, larch, [KeyedReading("larch-01", 220.0, height_mm=38.0)], setup)
    return path


def wrong_reading(keyed: Path, change_to: str, *values: object) -> str:
    """Change what the one reading's document says; returns what is found of it."""
    assert change(keyed, f"UPDATE sweeps SET keyed_json = {change_to}", *values) == 1
    (found,) = check_book(keyed).findings
    return found


def test_a_give_that_we_stored_is_whole(keyed: Path) -> None:
    assert check_book(keyed).findings == []


@pytest.mark.parametrize(("name", "value"), PAST)
def test_a_number_that_cannot_be_is_found(keyed: Path, name: str, value: object) -> None:
    found = wrong_reading(keyed, "json_set(keyed_json, '$.setup.' || ?, ?)", name, value)
    assert "its keyed_json cannot be" in found


PARTS = [
    *("readings", "setup"),
    *(f"readings[0].{name}" for name in ("label", "shown_load_n", "height_mm", "depth_mm")),
    *("readings[0].loading", "setup.tare_n", "setup.lever_ratio", "setup.quill_resolution_mm"),
]


@pytest.mark.parametrize("part", PARTS)
def test_a_part_that_all_our_documents_have_and_readers_ask_for(keyed: Path, part: str) -> None:
    sql = "UPDATE sweeps SET keyed_json = json_remove(keyed_json, '$.' || ?)"
    assert change(keyed, sql, part) == 1
    (found,) = check_book(keyed).findings
    assert "its keyed_json cannot be" in found


NO_READING = [
    ("readings[0].height_mm", "-38.5"),
    ("readings[0].shown_load_n", "1" + "0" * 25),  # Python's JSON has whole numbers of any size
    ("readings", "[]"),
    ("setup", "null"),
    ("free_length_mm", "0.0"),
    ("stated_u_n", "[-1.0]"),
    ("setup.scale", '{"name": 5, "fit": {}}'),
    ("setup.tare_n", "9007199254740993"),
]


@pytest.mark.parametrize(("part", "value"), NO_READING)
def test_what_no_reading_can_say_is_found(keyed: Path, part: str, value: str) -> None:
    found = wrong_reading(keyed, "json_set(keyed_json, '$.' || ?, json(?))", part, value)
    assert "its keyed_json cannot be" in found


def test_as_many_uncertainties_as_points(keyed: Path) -> None:
    found = wrong_reading(keyed, "json_set(keyed_json, '$.stated_u_n', json('[1.0, 2.0]'))")
    assert "it has other uncertainties than points" in found


@pytest.mark.parametrize("again", ['"setup": null, ', '"readings": [], '])
def test_a_name_that_is_there_twice_is_found(keyed: Path, again: str) -> None:
    """SQLite reads the first of the two, Python the last."""
    found = wrong_reading(keyed, "'{' || ? || substr(keyed_json, 2)", again)
    assert "its keyed_json cannot be" in found


@pytest.mark.parametrize("names", [("give_mm",), tuple(GIVE._fields)])
def test_a_book_of_before_the_give_is_whole(keyed: Path, names: tuple[str, ...]) -> None:
    """What a set-up does not say of the give is 0."""
    paths = ", ".join(f"'$.setup.{name}'" for name in names)
    change(keyed, f"UPDATE sweeps SET keyed_json = json_remove(keyed_json, {paths})")
    assert check_book(keyed).findings == []
