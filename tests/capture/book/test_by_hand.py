"""What is corrected or measured by hand: kept with its ±, its contradictions refused, merged."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from msgspec.structs import replace
from sqlite_utils import Database

from coilbench.capture.book.by_hand import (
    SLIP_SHARE,
    add_springs,
    edit_set,
    keep_of_springs,
    swap_pressed,
)
from coilbench.capture.book.depths import read_from_files
from coilbench.capture.book.entries import KEYED, LAST, Entry
from coilbench.capture.book.keyed_readings import store_readings
from coilbench.capture.book.merging import merge_books
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import (
    SetPlan,
    SetRecord,
    SpringRecord,
    find_set,
    labels_for,
    new_set,
)
from coilbench.capture.book.soundness import check_book
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.keyed import KeyedReading, KeyedSetup
from coilbench.capture.tables.spring_lines import SpringEntry
from support import edits
from support.sqlite_utils_book import utils

STEP_MM = 0.05


def measure(db: Database, record: SetRecord, *lines: str) -> SetRecord:
    entries = [SpringEntry.parse(line, STEP_MM) for line in lines]
    return keep_of_springs(db, record, entries).record


def counted_points(db: Database, label: str) -> list[tuple[float, float]]:
    """Heights and loads that count of one spring, highest first."""
    return db.execute(
        "SELECT height_mm, load_n FROM curve_rows JOIN sweeps ON sweeps.id = sweep_id"
        " JOIN springs ON springs.id = spring_id WHERE label = ? AND counted"
        " ORDER BY height_mm DESC",
        [label],
    ).fetchall()


def key_in(db: Database, record: SetRecord, *lines: str) -> None:
    store_readings(db, record, [KeyedReading.parse(line) for line in lines], KeyedSetup())


def test_dimensions_are_changed_and_forgotten_and_the_history_stays(db, larch) -> None:
    done = edit_set(db, larch, {"wire_mm": 4.2, "solid_height_mm": 24.0, "note": "used"})
    assert (done.record.wire_mm, done.record.note) == (4.2, "used")
    done = edit_set(db, done.record, {"solid_height_mm": None, "role": "inner"})
    assert (done.record.solid_height_mm, done.record.role) == (None, "inner")
    assert find_set(db, "larch") == done.record
    assert utils(db).table("hand_entries").count == 5


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"solid_height_mm": 53.0}, "solid height.*below the free length"),
        ({"free_length_mm": 24.0, "solid_height_mm": 24.5}, "solid height"),
        ({"wire_mm": -1.0}, "wire"),
        ({"coil_diameter_mm": 4.0, "wire_mm": 4.2}, "wire.*below the coil diameter"),
        ({"note": "x" * 401}, "note"),
        ({"mark": "two\nlines"}, "mark"),
    ],
)
def test_dimensions_that_can_not_be_change_nothing(db, larch, counts, changes, said) -> None:
    before = counts()
    with pytest.raises(CoilbenchError, match=said):
        edit_set(db, larch, changes)
    assert (counts(), find_set(db, "larch")) == (before, larch)


def test_springs_are_added_after_those_that_are_there(db, larch) -> None:
    more = add_springs(db, larch, ["larch-04", "blue"])
    assert more.labels == (*larch.labels, "larch-04", "blue")
    for labels in (["blue"], ["a", "a"], ["a,b"]):
        with pytest.raises(CoilbenchError):
            add_springs(db, more, labels)
    assert find_set(db, "larch") == more


def test_a_springs_own_lengths_come_before_its_sets(db, larch) -> None:
    record = measure(db, larch, "larch-02 free 52.6mm", "larch-02 solid 24.1mm", "larch-03 mark x")
    assert [record.free_of_mm(label) for label in record.labels] == [53.0, 52.6, 53.0]
    assert [record.solid_of_mm(label) for label in record.labels] == [
        24.1,
        24.1,
        24.1,
    ]  # sisters are no lower, as far as is known
    own = record.spring("larch-02")
    assert own.solid_reason == "by hand"
    assert own.free_length_u_mm == own.solid_by_hand_u_mm == pytest.approx(0.052, abs=1e-3)
    assert record.spring("larch-03").mark == "x"
    taken_back = measure(db, record, "larch-02 solid none", "larch-03 mark none")
    assert taken_back.spring("larch-02").solid_height_mm is None
    assert taken_back.spring("larch-02").solid_by_hand_u_mm is None
    assert taken_back.spring("larch-03").mark is None


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_a_length_far_from_the_sets_is_a_slip_of_the_pen(db, larch, sign) -> None:
    limit_mm = 53.0 * (1.0 + sign * SLIP_SHARE)
    measure(db, larch, f"larch-01 free {limit_mm - sign * 0.01:.2f}mm")
    with pytest.raises(CoilbenchError, match="far from the set's"):
        measure(db, larch, f"larch-01 free {limit_mm + sign * 0.01:.2f}mm")


def test_a_solid_height_is_not_above_what_was_read(db, larch) -> None:
    key_in(db, larch, "larch-01 27.6mm 40kg")
    with pytest.raises(CoilbenchError, match="above the"):
        measure(db, larch, "larch-01 solid 27.8mm")  # ± 0.10 mm
    assert measure(db, larch, "larch-01 solid 27.69mm").solid_of_mm("larch-01") == 27.69
    assert measure(db, larch, "larch-02 solid 27.8mm").solid_of_mm("larch-02") == 27.8


def test_one_wrong_line_keeps_none(db, larch, counts) -> None:
    before = counts()
    for wrong in ("larch-99 free 53mm", "larch-02 free 0mm", "larch-02 solid 60mm"):
        with pytest.raises(CoilbenchError):
            measure(db, larch, "larch-01 free 52.9mm", wrong)
    assert counts() == before


# ------------------------------------------------------------------ depths


def test_depths_follow_the_free_length_and_heights_stay(db, larch) -> None:
    key_in(
        db, larch, "larch-01 15mm down 23kg", "larch-01 38.5mm 22kg", "larch-01 25mm down 41kg up"
    )
    key_in(db, larch, "larch-02 38.5mm 22kg")
    loads_n = [load_n for _, load_n in counted_points(db, "larch-01")]
    done = edit_set(db, larch, {"free_length_mm": 53.4})
    assert done.rederived == ("larch-01",)
    points = counted_points(db, "larch-01")
    assert [mm for mm, _ in points] == pytest.approx([38.5, 38.4, 28.4])
    assert sorted(load_n for _, load_n in points) == sorted(loads_n)
    typed = [
        json.loads(row[0]) for row in db.execute("SELECT keyed_json FROM sweeps WHERE counted")
    ]
    by_depth = [one for one in typed if one["readings"][0]["depth_mm"] is not None]
    assert sorted(one["readings"][0]["depth_mm"] for one in by_depth) == [15.0, 25.0]
    assert all(one["free_length_mm"] == 53.4 for one in by_depth)
    again = edit_set(db, done.record, {"free_length_mm": 53.4})
    assert again.rederived == ()
    back = edit_set(db, again.record, {"free_length_mm": 53.0})
    assert back.rederived == ("larch-01",)
    assert [mm for mm, _ in counted_points(db, "larch-01")] == pytest.approx([38.5, 38.0, 28.0])
    assert Entry.undo(db, LAST, KEYED).labels == ("larch-02",)
    Entry.undo(db, LAST, KEYED)
    assert counted_points(db, "larch-01") == []


def test_depths_follow_a_springs_own_free_length(db, larch) -> None:
    key_in(db, larch, "larch-01 15mm down 23kg", "larch-02 15mm down 23kg")
    record = measure(db, larch, "larch-01 free 52.5mm")
    assert counted_points(db, "larch-01")[0][0] == pytest.approx(37.5)
    assert counted_points(db, "larch-02")[0][0] == pytest.approx(38.0)
    key_in(db, record, "larch-01 25mm down 41kg")
    assert counted_points(db, "larch-01")[1][0] == pytest.approx(27.5)
    assert edit_set(db, record, {"free_length_mm": 53.2}).rederived == ("larch-02",)


def test_what_was_taken_by_hand_stays_with_its_label_when_two_are_swapped(db, larch) -> None:
    """The strokes and readings go to the other label; twice is as before."""
    key_in(db, larch, "larch-01 15mm down 23kg", "larch-02 38.5mm 20kg")
    measured = ("larch-01 free 52.5mm", "larch-01 mark white", "larch-02 solid 24.1mm",
                "larch-02 note rusty")  # fmt: skip
    before = measure(db, larch, *measured)
    points = {label: counted_points(db, label) for label in ("larch-01", "larch-02")}
    labels = before.labels

    def own(record: SetRecord) -> list[SpringRecord]:
        return [replace(record.spring(label), spring_id="", turn=0) for label in labels]

    done = swap_pressed(db, before, "larch-01", "larch-02")
    assert own(done.record) == own(before)
    assert counted_points(db, "larch-01") == points["larch-02"]
    # 15 mm down on a spring that is 53.0 long as the set says, not 52.5
    assert done.rederived == ("larch-02",)
    assert counted_points(db, "larch-02")[0][0] == pytest.approx(38.0)
    again = swap_pressed(db, done.record, "larch-02", "larch-01").record
    assert {label: counted_points(db, label) for label in points} == points
    assert again == before


def test_a_swap_that_the_lengths_contradict_changes_nothing(db, larch, counts) -> None:
    key_in(db, larch, "larch-01 27.6mm 40kg")
    record = measure(db, larch, "larch-02 solid 29mm")  # larch-01 was read lower than that
    before = counts()
    with pytest.raises(CoilbenchError, match="above the"):
        swap_pressed(db, record, "larch-01", "larch-02")
    assert (counts(), find_set(db, "larch")) == (before, record)


def test_a_free_length_that_depths_need_is_not_forgotten(db, larch, counts) -> None:
    key_in(db, larch, "larch-01 15mm down 23kg")
    before = counts()
    with pytest.raises(CoilbenchError, match=r"larch-01.*depths"):
        edit_set(db, larch, {"free_length_mm": None})
    with pytest.raises(CoilbenchError, match="height"):
        edit_set(db, larch, {"free_length_mm": 14.0})
    assert (counts(), find_set(db, "larch").free_length_mm) == (before, 53.0)


def test_points_of_files_are_named_since_their_depths_are_not_kept(db, larch, points_sweep) -> None:
    from coilbench.capture.book.sweeps import store_sweep
    from coilbench.capture.strokes.sweep import Origin

    assert read_from_files(db, larch) == ()
    store_sweep(db, points_sweep(origin=Origin.POINTS_FILE))
    store_sweep(db, points_sweep(origin=Origin.POINTS_FILE, counted=False,
                                 spring_id=larch.springs[1].spring_id))  # fmt: skip
    assert read_from_files(db, larch) == ("larch-01",)


# ------------------------------------------------------------------ merging


@pytest.fixture
def two(tmp_path: Path) -> tuple[Path, Path]:
    """Two copies of one book: three springs, one read by depth."""
    paths = tmp_path / "a.db", tmp_path / "b.db"
    with open_book(paths[0], create=True) as db:
        plan = SetPlan("larch", "outer", labels_for("larch", 3), free_length_mm=53.0)
        key_in(db, new_set(db, plan), "larch-01 15mm down 23kg")
    paths[1].write_bytes(paths[0].read_bytes())
    return paths


def change(path: Path, free_mm: float | None, *lines: str, added: tuple[str, ...] = ()) -> None:
    with open_book(path) as db:
        record = find_set(db, "larch")
        if free_mm is not None:
            record = edit_set(db, record, {"free_length_mm": free_mm}).record
        record = measure(db, record, *lines)
        if added:
            add_springs(db, record, added)


def content(path: Path) -> tuple[object, ...]:
    with open_book(path) as db:
        record = find_set(db, "larch")
        springs = [(s.label, s.free_length_mm, s.solid_height_mm, s.mark) for s in record.springs]
        return record.free_length_mm, springs, counted_points(db, "larch-01")


def test_what_was_done_in_both_books_is_in_both_afterwards(two) -> None:
    ours, theirs = two
    change(ours, None, "larch-02 free 52.7mm")
    change(theirs, 53.4, "larch-02 mark blue", "larch-03 solid 24mm", added=("larch-04",))
    first = ours.with_name("other-way.db")
    first.write_bytes(theirs.read_bytes())
    merge_books(first, [ours])
    merge_books(ours, [theirs])
    expected = (
        53.4,
        [("larch-01", None, None, None), ("larch-02", 52.7, None, "blue"),
         ("larch-03", None, 24.0, None), ("larch-04", None, None, None)],
        [(pytest.approx(38.4), pytest.approx(23 * 9.80665))],
    )  # fmt: skip
    assert content(ours) == content(first) == expected
    assert merge_books(ours, [theirs]).kept is None


def test_the_later_of_two_corrections_holds_whichever_way_they_merge(two) -> None:
    ours, theirs = two
    change(ours, 53.2)
    change(theirs, 53.4)
    first = ours.with_name("other-way.db")
    first.write_bytes(theirs.read_bytes())
    merge_books(first, [ours])
    merge_books(ours, [theirs])
    assert content(ours)[0] == content(first)[0] == 53.4
    assert (
        content(ours)[2]
        == content(first)[2]
        == [(pytest.approx(38.4), pytest.approx(23 * 9.80665))]
    )


def test_the_same_correction_in_both_books_counts_once(two) -> None:
    ours, theirs = two
    change(ours, 53.4)
    change(theirs, 53.4)
    merge_books(ours, [theirs])
    assert len(content(ours)[2]) == 1


@pytest.mark.parametrize("labels", [("larch-04", "larch-05"), ("larch-04", "larch-04")])
def test_springs_added_in_both_books_join_the_set_in_every_order(two, labels) -> None:
    ours, theirs = two
    change(ours, None, added=(labels[0], "larch-09"))
    change(theirs, None, added=(labels[1],))
    first = ours.with_name("other-way.db")
    first.write_bytes(theirs.read_bytes())
    third = ours.with_name("third.db")
    third.write_bytes(ours.read_bytes())
    merge_books(first, [ours])
    merge_books(ours, [theirs])
    merge_books(ours, [first])
    merge_books(first, [ours])
    merge_books(third, [first, theirs])
    found = [springs_of(path) for path in (ours, first, third)]
    assert found[0] == found[1] == found[2]
    names = [label for _, label in found[0]]
    assert [turn for turn, _ in found[0]] == list(range(1, len(names) + 1))
    assert [name.partition("~")[0] for name in names[-3:]] == [labels[0], "larch-09", labels[1]]
    assert len(set(names)) == len(names)
    assert check_book(ours).findings == []


def test_a_set_that_was_registered_with_other_springs_is_refused(two) -> None:
    ours, theirs = two
    edits.change(theirs, "UPDATE springs SET turn = 9 WHERE turn = 2")
    before = content(ours)
    with pytest.raises(CoilbenchError, match="'larch' has other springs than in this book"):
        merge_books(ours, [theirs])
    assert content(ours) == before


def springs_of(path: Path) -> list[tuple[int, str]]:
    with open_book(path) as db:
        return db.execute("SELECT turn, label FROM springs ORDER BY turn").fetchall()
