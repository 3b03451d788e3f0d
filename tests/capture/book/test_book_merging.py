"""Merging books: a join, whatever the order; and what contradicts or is unfit is refused."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sqlite_utils import Database

from coilbench.capture.book.by_hand import edit_set
from coilbench.capture.book.calibrations import (
    NewCheck,
    current_calibration,
    mass_checks,
    set_good_for_days,
    store_part,
)
from coilbench.capture.book.importing import import_table
from coilbench.capture.book.keyed_readings import last_setup, store_readings
from coilbench.capture.book.merge_rows import RULES
from coilbench.capture.book.merging import TwoNominals, merge_books
from coilbench.capture.book.nominals import NominalLoad, SetNominal
from coilbench.capture.book.opening import hold_book, open_book
from coilbench.capture.book.ratings import Ratings, tell_set_rests
from coilbench.capture.book.rests import rests_of_sets
from coilbench.capture.book.scales import find_scale, scale_called, store_scale
from coilbench.capture.book.sets import SetPlan, find_set, new_set, set_names
from coilbench.capture.book.soundness import check_book
from coilbench.capture.book.state import GOOD_FOR_DAYS, good_for_days, scale_weighed
from coilbench.capture.book.sweeps import load_sweeps, uncount
from coilbench.capture.book.told import Told
from coilbench.capture.calibration.fit import load_part, travel_part
from coilbench.capture.calibration.keyed_setup import KeyedSetup, ScalePoint
from coilbench.capture.calibration.known_points import GaugePoint, LoadPoint
from coilbench.capture.calibration.scale import calibrate_scale
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.csv_table import read_table
from coilbench.capture.tables.keyed import KeyedReading
from support.edits import change, harm
from support.shop_books import make_larch

# Tables without a rule: this bench's own, a stroke under way.
BESIDE_THE_RULES = (
    *("rig_settings", "rig_ratings", "stroke_chunks"),
    *("shop", "shop_seen", "shop_news"),
    "tallies",
)
FIRST = Path(__file__).parents[2] / "data" / "first_version.sqlite"
Change = Callable[[Database], object]


def reads(label: str, load_n: float = 220.0) -> Change:
    def change(db: Database) -> None:
        record = next(
            one for one in (find_set(db, name) for name in set_names(db)) if label in one.labels
        )
        store_readings(db, record, [KeyedReading(label, load_n, height_mm=38.5)], KeyedSetup())

    return change


def makes(name: str) -> Change:
    return lambda db: new_set(db, SetPlan(name, "outer", (f"{name}-01", f"{name}-02")))


def calibrates(counts_a_kg: float) -> Change:
    def change(db: Database) -> None:
        masses = [LoadPoint(kg, 100 + counts_a_kg * kg) for kg in (0.0, 10.0, 20.0, 40.0)]
        store_part(db, load_part(masses, "masses.csv", 9.81))
        gauges = [GaugePoint(mm, (60 - mm) * 100) for mm in (0.0, 20.0, 50.0)]
        store_part(db, travel_part(gauges, "gauges.csv"))

    return change


def imports(label: str, shift: int = 0) -> Change:
    """A raw stroke from a file; the same shift is the same file."""
    height_mm = 30.0 + np.abs(np.linspace(-25.0, 25.0, 81))
    load_kg = 1.6 * np.clip(53.0 - height_mm, 0.0, None)
    rows = "".join(
        f"{i / 80},{round(100 + 2000 * kg) + shift + i % 3},{round((60 - mm) * 100)}\n"
        for i, (kg, mm) in enumerate(zip(load_kg, height_mm, strict=True))
    )
    table = read_table(f"t_s,load_counts,travel_counts\n{rows}".encode(), "stroke.csv")

    def change(db: Database) -> None:
        import_table(db, find_set(db, "larch"), table, label=label)

    return change


def weighs(mass_kg: float) -> Change:
    def change(db: Database) -> None:
        part_id = db.execute("SELECT id FROM calibration_parts WHERE kind = 'load'").fetchone()[0]
        numbers = (mass_kg, 9.81, 0.0, 1.0, 0.1, 0.2, 0.1, 1.0)
        NewCheck(part_id, None, *numbers, passed=True).store(db)

    return change


def scales(more_kg: float) -> Change:
    points = [ScalePoint(kg, kg + more_kg) for kg in (0.0, 10.0, 20.0, 40.0)]
    return lambda db: store_scale(db, calibrate_scale("bath", points, "scale.csv"))


def hand(free_length_mm: float) -> Change:
    return lambda db: edit_set(db, find_set(db, "larch"), {"free_length_mm": free_length_mm})


def rests(weight_n: float) -> Change:
    return lambda db: tell_set_rests(db, find_set(db, "larch").set_id, weight_n)


def redoes(label: str) -> Change:
    return lambda db: uncount(db, find_set(db, "larch").spring(label).spring_id, last_only=True)


def nominal(load_n: float) -> Change:
    said = SetNominal((NominalLoad(38.5, load_n),))
    return lambda db: find_set(db, "larch").keep_nominal(db, said)


def ruled(word: str) -> Change:
    return lambda db: db.execute("UPDATE sweeps SET ruling = ? WHERE origin = 'keyed'", [word])


def write(path: Path, *changes: Change) -> Path:
    with open_book(path, create=True) as db:
        for change in changes:
            change(db)
            db.conn.commit()
    return path


def copied(path: Path, name: str, *changes: Change) -> Path:
    other = path.with_name(name)
    shutil.copyfile(path, other)
    return write(other, *changes)


def rows(path: Path) -> dict[str, list[tuple[Any, ...]]]:
    """Return every table's rows, without their places and what covers these: digests, tallies.

    Without what is each bench's own: what it calls one of two sets of one name, and its rig.
    """
    with closing(sqlite3.connect(path)) as plain:
        return {
            table: sorted(plain.execute(f"SELECT {_without_digest(plain, table)}"), key=repr)
            for table in (*RULES, *BESIDE_THE_RULES)
            if table not in ("tallies", "rig_settings", "rig_ratings")
        }


def _without_digest(plain: sqlite3.Connection, table: str) -> str:
    names = [row[1] for row in plain.execute(f"PRAGMA table_info({table})")]
    called = "substr(name, 1, instr(name || '~', '~') - 1)" if table == "sets" else "name"
    shown = [called if name == "name" else name for name in names if name != "digest"]
    return f"{', '.join(shown)} FROM {table}"


@pytest.fixture
def base(tmp_path: Path) -> Path:
    """A book that two benches will copy."""
    return write(
        tmp_path / "base.db",
        calibrates(2000.0),
        lambda db: new_set(db, SetPlan("larch", "outer", ("larch-01", "larch-02"))),
        reads("larch-01"),
        imports("larch-02"),
    )


def test_every_table_has_its_rule(base: Path) -> None:
    with open_book(base) as db:
        ours = {name for name in db.table_names() if not name.startswith("_")}
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


@settings(max_examples=4, deadline=None)
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
        ab, ba, bc = (into(book, other) for book, other in ((a, b), (b, a), (b, c)))
        assert rows(ab) == rows(ba)
        assert rows(into(into(ab, a), b)) == rows(ab)
        abc = rows(into(ab, c))
        assert rows(into(a, bc)) == abc
        assert rows(into(into(c, b), a)) == abc


def placed(book: Path, folder: Path, name: str) -> Path:
    return Path(shutil.copyfile(book, folder / name))


def into(book: Path, other: Path) -> Path:
    """Return a copy of a book with another one merged into it."""
    copy = Path(tempfile.mkdtemp(dir=book.parent)) / book.name
    shutil.copyfile(book, copy)
    merge_books(copy, [other])
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


def test_a_merge_changes_no_scale_and_no_way_of_reading_of_this_bench(tmp_path: Path) -> None:
    """Each bench calls its scale `bath`; a tare, lever and give are of one bench, too."""
    heavy = KeyedSetup(tare_n=5.0, lever_ratio=3.0, give_mm=2.0, give_at_n=500.0)

    def with_lever(db: Database) -> None:
        readings = [KeyedReading("larch-01", 70.0, height_mm=38.5)]
        store_readings(db, find_set(db, "larch"), readings, heavy)

    one = write(tmp_path / "one.db", makes("larch"), scales(0.3))
    two = write(tmp_path / "two.db", makes("rowan"), scales(-1.0))
    write(one, with_lever)
    (note,) = [str(one) for one in merge_books(two, [one]).notes]
    with open_book(two) as db:
        (theirs,) = db.execute("SELECT id FROM scales WHERE rowid <= 0").fetchone()
        assert f"bath~{theirs[:4]} here, and bath stays this bench's" in note
        assert find_scale(db, "bath").points[1].shown_kg == 9.0
        other = find_scale(db, f"bath~{theirs[:4]}")
        assert (other.name, other.points[1].shown_kg) == (f"bath~{theirs[:4]}", 10.3)
        for scale, called in ((other, other.name), (find_scale(db, "bath"), "bath")):
            written = json.dumps(KeyedSetup(scale=replace(scale, name="bath")).to_document())
            assert scale_called(db, json.loads(written)["scale"]) == called
        assert last_setup(db, find_set(db, "larch")) is None
        assert last_setup(db, find_set(db, "rowan")) is None


def test_a_scale_that_only_another_bench_weighed_is_refused_and_named(tmp_path: Path) -> None:
    one = write(tmp_path / "one.db", scales(0.3))
    two = write(tmp_path / "two.db", makes("rowan"))
    merge_books(two, [one])
    with open_book(two) as db:
        (theirs,) = db.execute("SELECT id FROM scales").fetchone()
        with pytest.raises(CoilbenchError, match="this bench weighed no scale 'bath'") as refused:
            find_scale(db, "bath")
        assert f"bath~{theirs[:4]} (weighed 20" in str(refused.value.hint)
        assert not scale_weighed(db)


def test_what_another_bench_told_by_hand_is_said_with_both_values(base: Path) -> None:
    other = copied(base, "other.db", hand(52.0), rests(2.0))
    assert merge_books(base, [other]).notes == (
        Told("larch", "free_length_mm", 52.0),
        Told("larch", "rests_n", 2.0),
    )
    write(base, hand(51.0), rests(1.0))
    write(other, hand(50.0), rests(3.0))
    twice = {note.what: note for note in merge_books(base, [other]).notes}
    assert twice["free_length_mm"] == Told("larch", "free_length_mm", 50.0, 51.0, at_once=True)
    assert twice["rests_n"] == Told("larch", "rests_n", 3.0, 1.0, at_once=True)
    (here, there) = (
        again.notes for again in (merge_books(other, [base]), merge_books(base, [other]))
    )
    assert {note.what: note for note in here} == twice  # whose word won is told as well
    assert there == ()


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
    assert isinstance(notes[0], TwoNominals)
    assert notes[0].set_name == "larch"
    assert [load.load_n for load in notes[0].kept.loads] == [240.0]
    assert notes[1] == "springs were labelled in two ways: larch-01 and oak (now oak)"


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


def refusal(path: Path, *others: Path) -> str:
    before = rows(path)
    with pytest.raises(CoilbenchError) as caught:
        merge_books(path, others)
    assert rows(path) == before
    left = {one.name for one in path.parent.iterdir() if one.name.startswith(".")}
    assert left == set()
    return str(caught.value)


def test_what_is_unfit_is_refused_in_a_sentence(tmp_path: Path, base: Path) -> None:
    other = copied(base, "other.db", makes("rowan"))
    assert "the book itself" in refusal(base, base)
    assert "no book here" in refusal(base, tmp_path / "none.db")
    assert "too many" in refusal(base, *[other] * 9)
    (tmp_path / "text.db").write_text("words, not a book\n" * 99)
    assert "not a readable" in refusal(base, tmp_path / "text.db")
    broken = copied(base, "broken.db")
    harm(broken, "UPDATE sweeps SET samples_blob = x'00', samples_format = 'raw1'"
         " WHERE samples_blob IS NOT NULL")  # fmt: skip
    assert "damaged" in refusal(base, other, broken)
    newer = copied(base, "newer.db")
    harm(newer, "INSERT INTO _sqlite_migrations (migration_set, name, applied_at)"
         " VALUES ('coilbench', '9999_of_tomorrow', 'x')")  # fmt: skip
    assert "newer coilbench" in refusal(base, newer)
    with pytest.raises(CoilbenchError, match="no book here to merge into"):
        merge_books(tmp_path / "nowhere.db", [other])


def test_a_book_that_a_capture_has_open_is_refused(base: Path) -> None:
    other = copied(base, "other.db")
    with hold_book(base):
        assert re.search("coilbench.*writing", refusal(base, other))
    change(
        other,
        "INSERT INTO sessions (id, set_id, source_url, started_utc, seen_utc, samples,"
        " samples_lost, lines_bad, restarts)"
        " SELECT 's', id, 'virtual:', made_utc, made_utc, 0, 0, 0, 0 FROM sets",
    )
    assert "a capture has this book open" in refusal(base, other)


@pytest.mark.parametrize(
    ("sql", "words"),
    [
        ("UPDATE sweeps SET load_u_n = 9.5 WHERE origin = 'keyed'", "another load_u_n"),
        ("UPDATE curve_steps SET load_n = load_n + 1 WHERE point = 0", "curve_rows"),
        ("UPDATE calibration_parts SET fit_json = replace(fit_json, '0', '0')||' '", "fit_json"),
        ("UPDATE sets SET wire_mm = 4.5", "another wire_mm"),
        ("INSERT INTO springs (id, set_id, label, turn) SELECT 'x', set_id, 'extra', 3 FROM springs"
         " WHERE label = 'larch-01'", "has other springs"),
    ],
)  # fmt: skip
def test_books_that_contradict_each_other_are_refused(base: Path, sql: str, words: str) -> None:
    other = copied(base, "other.db", makes("rowan"))
    change(other, sql)
    assert words in refusal(base, other)


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


@pytest.mark.parametrize("counter", ["name_edits", "label_edits", "nominal_edits"])
def test_a_count_near_its_end_is_not_merged(tmp_path: Path, counter: str) -> None:
    """Else the next change would count past what a book keeps, and damage it."""
    books = [tmp_path / "a.db", tmp_path / "b.db"]
    for path in books:
        with open_book(path, create=True) as db:
            new_set(db, SetPlan(path.stem, "outer", ("one",)))
    change(books[1], f"UPDATE sets SET {counter} = ?", 2**53)
    assert check_book(books[1]).findings == []
    with pytest.raises(CoilbenchError, match="counts more changes than anybody can have made"):
        merge_books(books[0], books[1:])
    with open_book(books[0]) as db:
        assert db.execute("SELECT count(*) FROM sets").fetchone() == (1,)
