"""What one bench says of its instruments stays its own; what it told of a set is said with both."""

from __future__ import annotations

import json
from functools import partial
from pathlib import Path

import pytest
from msgspec.structs import replace
from sqlite_utils import Database

from coilbench.analysis.report.merge_text import note_text
from coilbench.analysis.report.units import SI
from coilbench.capture.book.by_hand import add_springs, edit_set
from coilbench.capture.book.calibrations import NewCheck, mass_checks
from coilbench.capture.book.gains import Gains
from coilbench.capture.book.keyed_readings import last_setup, store_readings
from coilbench.capture.book.merging import merge_books
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import tell_set_rests
from coilbench.capture.book.scales import find_scale, newer_elsewhere, scale_called
from coilbench.capture.book.sets import find_set, rename_set, set_names
from coilbench.capture.book.state import BookState, scale_weighed
from coilbench.capture.book.told import Told
from coilbench.capture.book.zeros import keep_zero, rest_zeros
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.keyed import KeyedReading
from support.book_changes import Change, calibrates, copied, imports, makes, reads, scales, write


def hand(free_length_mm: float) -> Change:
    return lambda db: edit_set(db, find_set(db, "larch"), {"free_length_mm": free_length_mm})


def rests(weight_n: float) -> Change:
    return lambda db: tell_set_rests(db, find_set(db, "larch").set_id, weight_n)


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
    with open_book(base) as db:
        told = partial(Told, "larch", set_id=find_set(db, "larch").set_id)
    assert merge_books(base, [other]).notes == (
        told("free_length_mm", (52.0, None)),
        told("rests_n", (2.0, None)),
    )
    write(base, hand(51.0), rests(1.0))
    write(other, hand(50.0), rests(3.0))
    twice = {note.what: note for note in merge_books(base, [other]).notes}
    assert twice["free_length_mm"] == told("free_length_mm", (50.0, 51.0), at_once=True)
    assert twice["rests_n"] == told("rests_n", (3.0, 1.0), at_once=True)
    (here, there) = (
        again.notes for again in (merge_books(other, [base]), merge_books(base, [other]))
    )
    assert {note.what: note for note in here} == twice  # whose word won is told as well
    assert there == ()


def test_a_name_that_became_free_is_not_taken_by_another_benchs_set(tmp_path: Path) -> None:
    """A build file that still says it is refused, rather than read with other springs."""
    one, two = (write(tmp_path / name, makes("larch")) for name in ("one.db", "two.db"))
    merge_books(two, [one])
    with open_book(two) as db:
        rename_set(db, find_set(db, "larch"), "cedar")
    merge_books(two, [write(one, makes("rowan"))])
    with open_book(two) as db:
        assert [name[:6] for name in set_names(db)] == ["larch~", "cedar", "rowan"]
        with pytest.raises(CoilbenchError, match="there is no set 'larch'"):
            find_set(db, "larch")


def test_strokes_that_come_in_beside_ones_own_are_said_by_their_set(tmp_path: Path) -> None:
    base = write(tmp_path / "base.db", makes("larch"), makes("rowan"))
    ours = copied(base, "ours.db", reads("larch-01"))
    other = copied(base, "other.db", reads("larch-01", 221.0), reads("rowan-01"))
    notes = [str(note) for note in merge_books(ours, [other]).notes]
    said = "larch: 1 stroke came in beside those of this bench"
    assert [note.partition(";")[0] for note in notes if "beside" in note] == [said]
    assert not merge_books(ours, [other]).notes


def test_a_newer_weighing_elsewhere_of_ones_own_scale_is_found(tmp_path: Path) -> None:
    """As after a book was put back: what was weighed since is in the store alone."""
    older = write(tmp_path / "older.db", scales(0.3))
    newer = write(tmp_path / "newer.db", scales(0.3))
    for ours, others, found in ((older, newer, True), (newer, older, False)):
        book = tmp_path / f"{ours.name}.merged.db"
        book.write_bytes(ours.read_bytes())
        merge_books(book, [others])
        with open_book(book) as db:
            (theirs,) = db.execute("SELECT id FROM scales WHERE rowid <= 0").fetchone()
            assert newer_elsewhere(db, "bath") == (f"bath~{theirs[:4]}" if found else None)
            assert newer_elsewhere(db, "kitchen") is None


@pytest.mark.parametrize("other_gain", [2000.0, 1000.0])
def test_one_file_is_counted_once_where_its_loads_are_the_same(
    tmp_path: Path, other_gain: float
) -> None:
    """With another calibration, the earlier one would else put its own loads in the other's place.

    The loads are those of the file, worked out by hand: 2,000 counts a kg.
    """
    same = other_gain == 2000.0
    at_both = [makes("larch"), *([calibrates(2000.0)] if same else [])]
    mine = write(tmp_path / "mine.db", *at_both)
    theirs = copied(mine, "theirs.db", *([] if same else [calibrates(other_gain)]))
    write(theirs, imports("larch-01"))  # stored first
    write(mine, *([] if same else [calibrates(2000.0)]), imports("larch-01"))
    words = [str(note) for note in merge_books(mine, [theirs]).notes]
    with open_book(mine) as db:
        rows = db.execute(
            "SELECT sweeps.rowid > 0, counted, max(load_n) FROM sweeps JOIN curve_rows"
            " ON sweep_id = sweeps.id GROUP BY sweeps.id"
        ).fetchall()
    highest_n = {bool(own): (counted, round(load_n)) for own, counted, load_n in rows}
    expected_n = 1.6 * 23.0 * 9.81  # of the lowest height, 30 mm of 53 mm
    assert highest_n[True] == (0 if same else 1, pytest.approx(expected_n, rel=0.01))
    assert highest_n[False] == (1, pytest.approx(expected_n * 2000.0 / other_gain, rel=0.01))
    assert any("counted once" in one for one in words) == same
    assert any("both count, as other loads" in one for one in words) == (not same)


def test_springs_that_another_bench_added_to_a_set_are_said(tmp_path: Path) -> None:
    """By default, a head has a valve for each spring of a set."""
    base = write(tmp_path / "base.db", makes("larch"))
    more = ("larch-03", "larch-04")
    other = copied(
        base,
        "other.db",
        lambda db: add_springs(db, find_set(db, "larch"), more),
        makes("rowan"),
        lambda db: add_springs(db, find_set(db, "rowan"), ["rowan-03"]),
    )
    (note,) = merge_books(base, [other]).notes
    assert note_text(note, SI) == (
        "larch: another bench added larch-03, larch-04; the set has 4 springs now"
    )
    assert merge_books(base, [other]).notes == ()


def test_zeros_of_another_bench_hide_no_drift_of_this_rig(tmp_path: Path) -> None:
    mine = write(tmp_path / "mine.db", lambda db: keep_zero(db, "rig", 100.0))
    theirs = write(tmp_path / "theirs.db", lambda db: keep_zero(db, "rig", 900.0))
    merge_books(mine, [theirs])
    with open_book(mine) as db:
        assert [zero.counts for zero in rest_zeros(db, "rig")] == [100.0]


def checked(*errors_n: float) -> Change:
    """Checks with 20 kg, 196.133 N, off by so much and uncertain by nothing."""

    def change(db: Database) -> None:
        (part_id,) = db.execute("SELECT id FROM calibration_parts WHERE kind = 'load'").fetchone()
        for error_n in errors_n:
            numbers = (20.0, 9.80665, 100.0, 40_100.0, 3.0, error_n, 0.0, 1.0)
            NewCheck(part_id, None, *numbers, passed=error_n == 0.0).store(db)

    return change


def test_checks_of_another_bench_make_no_load_of_this_bench_surer(tmp_path: Path) -> None:
    """Root mean square of the checks made here, by hand: 2 N of 196.133 N, as many up as down."""
    mine = write(tmp_path / "mine.db", makes("larch"), calibrates(2000.0))
    theirs = copied(mine, "theirs.db", checked(*[0.0] * 60))
    write(mine, checked(2.0, -2.0, 2.0, -2.0))
    fresh = write(tmp_path / "fresh.db")
    merge_books(mine, [theirs])
    merge_books(fresh, [theirs])
    for path, counted, u_relative in ((mine, 4, 2.0 / 196.133), (fresh, 60, 0.0)):
        with open_book(path) as db:
            ((calibration_id, part_id, made_utc),) = db.execute(
                "SELECT id, load_part_id, made_utc FROM calibrations"
            )
            found = Gains(db).u_relative(calibration_id, made_utc, 0.0)
            every = mass_checks(db)
            assert len(mass_checks(db, part_id)) == counted
        assert found == pytest.approx(u_relative, abs=1e-9)
        assert sum(one.counts for one in every) == counted
        assert len(every) == (64 if path == mine else 60)
        assert BookState.read(path).check.passed == (path == fresh)
