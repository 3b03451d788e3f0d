"""Merging books: a join, whatever the order; and what it leaves to people is named."""

from __future__ import annotations

import re
import shutil
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlite_utils import Database

from coilbench.capture.book.calibrations import (
    current_calibration,
    mass_checks,
    set_good_for_days,
)
from coilbench.capture.book.merge_rows import RULES
from coilbench.capture.book.merging import merge_books
from coilbench.capture.book.nominals import SetNominal
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import Ratings, tell_set_rests
from coilbench.capture.book.rests import rests_of_sets
from coilbench.capture.book.scales import find_scale
from coilbench.capture.book.sets import SetPlan, find_set, new_set, set_names
from coilbench.capture.book.soundness import check_book
from coilbench.capture.book.state import GOOD_FOR_DAYS, good_for_days
from coilbench.capture.book.sweeps import load_sweeps
from coilbench.capture.book.told import NOMINAL, Told
from support.book_changes import (
    Change,
    calibrates,
    copied,
    imports,
    makes,
    nominal,
    reads,
    redoes,
    ruled,
    scales,
    weighs,
    write,
)
from support.edits import change
from support.shop_books import make_larch, rows_alike
from support.sqlite_utils_book import utils

# Tables without a rule: this bench's own, a stroke under way.
BESIDE_THE_RULES = (
    *("rig_settings", "rig_ratings", "stroke_chunks"),
    *("shop", "shop_seen", "shop_news"),
    "tallies",
)
FIRST = Path(__file__).parents[2] / "data" / "first_version.sqlite"


def rows(path: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Return every table's rows, without their places and what covers these: digests, tallies.

    Without what is each bench's own: what it calls one of two sets of one name, and its rig.
    """
    with closing(sqlite3.connect(path)) as plain:
        return {
            table: sorted(rows_alike(plain, table), key=repr)
            for table in (*RULES, *BESIDE_THE_RULES)
            if table not in ("tallies", "rig_settings", "rig_ratings")
        }


def test_every_table_has_its_rule(base: Path) -> None:
    with open_book(base) as db:
        ours = {name for name in utils(db).table_names() if not name.startswith("_")}
    of_view = {"curves", "curve_steps"}  # merged by the view of both
    assert ours - of_view | {"curve_rows"} == {*RULES, *BESIDE_THE_RULES}


def test_two_benches_books_become_one(tmp_path: Path) -> None:
    one = write(tmp_path / "one.db", calibrates(2000.0), makes("larch"), reads("larch-01"))
    two = write(tmp_path / "two.db", calibrates(1900.0), makes("rowan"), reads("rowan-02"))
    write(two, weighs(20.0), scales(0.3), lambda db: set_good_for_days(db, 60.0))
    with open_book(one) as db:
        in_force = current_calibration(db).calibration_id
    result = merge_books(one, [two])
    assert result.notes == ()
    assert result.brought == {
        "calibration_parts": 2, "calibration_points": 7, "calibrations": 1, "scales": 1,
        "scale_points": 4, "mass_checks": 1, "sets": 1, "springs": 2, "sweeps": 1,
    }  # fmt: skip
    with open_book(one) as db:
        assert set_names(db) == ["larch", "rowan"]
        assert len(load_sweeps(db, find_set(db, "rowan"))["rowan-02"]) == 1
        assert current_calibration(db).calibration_id == in_force
        (theirs,) = db.execute("SELECT id FROM scales").fetchone()
        assert find_scale(db, f"bath~{theirs[:4]}").points[1].shown_kg == 10.3
        assert good_for_days(db) == GOOD_FOR_DAYS  # another bench's limit is of its own rig
        assert [check.check.mass_kg for check in mass_checks(db)] == [20.0]
        gravity = db.execute("SELECT DISTINCT gravity_m_s2 FROM calibration_parts").fetchall()
    assert (9.81,) in gravity
    assert result.kept is not None
    assert check_book(result.kept).sets == 1  # the book as it was


def test_a_book_without_a_calibration_takes_the_others(tmp_path: Path) -> None:
    one = write(tmp_path / "one.db", makes("larch"))
    two = write(tmp_path / "two.db", calibrates(1900.0), calibrates(1901.0))
    with open_book(two) as db:
        newest = current_calibration(db).calibration_id
    merge_books(one, [two])
    with open_book(one) as db:
        assert current_calibration(db).calibration_id == newest


def test_merging_again_changes_nothing_and_keeps_no_copy(tmp_path: Path, base: Path) -> None:
    other = copied(base, "other.db", reads("larch-02"), makes("rowan"), nominal(230.0))
    assert merge_books(base, [other]).kept is not None
    before = rows(base)
    again = merge_books(base, [other, other])
    assert again == type(again)({}, (), None)
    assert rows(base) == before
    assert len(list(tmp_path.glob("base.before-merge-*"))) == 1


CHANGES: list[Change] = [
    reads("larch-01", 221.0),
    reads("larch-02", 222.0),
    imports("larch-01", 4),
    imports("larch-01", 5),
    makes("rowan"),
    makes("fir"),
    nominal(230.0),
    nominal(240.0),
    calibrates(2001.0),
    weighs(10.0),
    scales(0.2),
    redoes("larch-01"),
    ruled("use"),
    ruled("leave"),
    lambda db: find_set(db, "larch").rename_spring(db, find_set(db, "larch").labels[0], "oak"),
    lambda db: find_set(db, "larch").rename_spring(db, find_set(db, "larch").labels[1], "elm"),
    lambda db: set_good_for_days(db, 30.0),
    lambda db: set_good_for_days(db, 90.0),
]


def by_label(changes: list[Change]) -> list[Change]:
    """Put renaming last: the other changes name springs by the labels they had."""
    return sorted(changes, key=lambda change: CHANGES.index(change))


some = st.lists(st.sampled_from(CHANGES), max_size=4, unique_by=id).map(by_label)


@pytest.fixture(scope="module")
def bases(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A book that two benches copied, and one of a third bench with a set of the same name."""
    folder = tmp_path_factory.mktemp("bases")
    twice = write(folder / "twice.db", calibrates(2000.0), makes("larch"), reads("larch-01"))
    return twice, write(folder / "third.db", calibrates(2002.0), makes("larch"))


@settings(max_examples=4)
@given(first=some, second=some, third=some)
def test_merging_is_the_same_in_any_order(
    bases: tuple[Path, Path], first: list[Change], second: list[Change], third: list[Change]
) -> None:
    """Idempotent, commutative and associative, as sets of rows."""
    with tempfile.TemporaryDirectory() as folder:
        a, b = (placed(bases[0], Path(folder), name) for name in ("a.db", "b.db"))
        c = placed(bases[1], Path(folder), "c.db")
        for book, changes in ((a, first), (b, second), (c, third)):
            write(book, *changes)
        ab, ba, bc = (into(*books) for books in ((a, b), (b, a), (b, c)))
        assert rows(ab) == rows(ba)
        assert rows(into(ab, a, b)) == rows(ab)
        abc = rows(into(ab, c))
        assert rows(into(a, bc)) == abc
        assert rows(into(c, b, a)) == abc


def placed(book: Path, folder: Path, name: str) -> Path:
    return Path(shutil.copyfile(book, folder / name))


def into(book: Path, *others: Path) -> Path:
    """Return a copy of a book with others merged into it."""
    copy = Path(tempfile.mkdtemp(dir=book.parent)) / book.name
    shutil.copyfile(book, copy)
    merge_books(copy, others)
    assert check_book(copy).findings == []
    return copy


def test_two_sets_of_one_name_are_kept_apart_and_named(tmp_path: Path) -> None:
    one = write(tmp_path / "one.db", makes("larch"))
    two = write(tmp_path / "two.db", makes("larch"))
    with open_book(two) as db:
        later_id = find_set(db, "larch").set_id
    with open_book(one) as db:
        first_id = find_set(db, "larch").set_id
    for book, own, theirs in ((two, later_id, first_id), (one, first_id, later_id)):
        (note,) = merge_books(book, [one if book == two else two]).notes
        full = f"larch~{theirs[:4]}"
        assert note.startswith("there are two sets larch: another bench's, which came in,")
        assert f"is called {full} here" in note
        with open_book(book) as db:
            assert find_set(db, "larch").set_id == own  # what a build file means stays
            assert sorted(set_names(db)) == ["larch", full]
            for set_id in (own, theirs):  # in full it means the same at both
                assert find_set(db, f"larch~{set_id[:4]}").set_id == set_id
    assert rows(one) == rows(two)
    assert merge_books(one, [two]).notes == ()


def test_a_stroke_that_was_redone_in_one_book_does_not_count(base: Path) -> None:
    other = copied(base, "other.db", redoes("larch-01"))
    result = merge_books(base, [other])
    assert len(result.notes) == 1
    assert result.notes[0].startswith("larch: the stroke larch-01:1 stored 20")
    assert "no longer counts" in result.notes[0]
    with open_book(base) as db:
        assert load_sweeps(db, find_set(db, "larch"))["larch-01"] == []


def test_two_nominals_and_two_labellings_are_named(base: Path) -> None:
    write(base, nominal(230.0))
    rename = CHANGES[-4]
    other = copied(base, "other.db", nominal(240.0), rename)
    notes = merge_books(base, [other]).notes
    assert "larch: springs were labelled in two ways: larch-01 and oak (now oak)" in notes
    (told,) = [note for note in notes if isinstance(note, Told)]
    assert (told.of, told.what, told.at_once) == ("larch", NOMINAL, False)
    found = [SetNominal.from_json(str(value)) for value in told.values]
    assert [one and one.loads[0].load_n for one in found] == [240.0, 230.0]


def test_one_file_imported_at_two_benches_counts_once(base: Path) -> None:
    first = copied(base, "first.db", imports("larch-01", 9))
    second = copied(base, "second.db", imports("larch-01", 9))
    result = merge_books(first, [second])
    assert any(re.search(r"\b1 stroke.*once", note) for note in result.notes)
    with open_book(first) as db:
        assert len(load_sweeps(db, find_set(db, "larch"))["larch-01"]) == 2  # one is keyed


def test_a_book_of_the_first_version_is_brought_in_and_not_changed(
    tmp_path: Path, base: Path
) -> None:
    old = tmp_path / "old.db"
    shutil.copyfile(FIRST, old)
    result = merge_books(base, [old])
    assert result.brought["sweeps"] == 15
    assert old.read_bytes() == FIRST.read_bytes()
    with open_book(base) as db:
        # the Watertown report: spring 8 was closed down at 9.63 in
        assert find_set(db, "nest").spring("8").solid_height_mm == pytest.approx(9.63 * 25.4)


@pytest.mark.parametrize("ours_first", [True, False])
def test_the_later_word_on_a_sets_cups_holds_in_both_books(
    tmp_path: Path, base: Path, ours_first: bool
) -> None:
    def tells(rests_n: float, at: str) -> Change:
        def change(db: Database) -> None:
            tell_set_rests(db, find_set(db, "larch").set_id, rests_n)
            db.execute("UPDATE set_rests SET told_utc = ?", [at])

        return change

    words = [
        tells(1.4, "2026-01-01T00:00:00.000+00:00"),
        tells(0.9, "2026-01-02T00:00:00.000+00:00"),
    ]
    if not ours_first:
        words.reverse()
    other = copied(base, "other.db", words[1])
    write(base, words[0])
    merge_books(base, [other])
    merge_books(other, [base])
    for path in (base, other):
        with open_book(path) as db:
            assert rests_of_sets(db) == {"larch": 0.9}


def test_strokes_that_tell_no_weight_are_named_where_this_rigs_is_added(tmp_path: Path) -> None:
    other = tmp_path / "other.db"
    make_larch(other)
    for rests_n, told in ((0.0, 0), (1.4, 1)):
        book = tmp_path / f"{told}.db"
        with open_book(book, create=True) as db:
            Ratings(rests_n=rests_n).store(db)
        notes = [str(note) for note in merge_books(book, [other]).notes]
        assert sum("larch: 6 strokes of another bench" in note for note in notes) == told
        assert not any("6 strokes" in str(note) for note in merge_books(book, [other]).notes)
    with open_book(other) as db:
        tell_set_rests(db, find_set(db, "larch").set_id, 0.9)
    assert not any("add" in str(note) for note in merge_books(book, [other]).notes)


def test_a_set_whose_springs_another_program_removed_is_merged_as_it_is(tmp_path: Path) -> None:
    for name in ("a.db", "b.db"):
        with open_book(tmp_path / name, create=True) as db:
            new_set(db, SetPlan(name[0], "outer", ("1", "2")))
    change(tmp_path / "b.db", "DELETE FROM springs")
    merge_books(tmp_path / "a.db", [tmp_path / "b.db"])
    with open_book(tmp_path / "a.db") as db:
        assert set_names(db) == ["a", "b"]
        assert find_set(db, "b").springs == ()
