"""What is read is vouched for where it is read: no row damaged, gone, or lost to an index."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable
from contextlib import closing
from functools import reduce
from operator import xor
from pathlib import Path

import pytest
from sqlite_utils import Database

from coilbench.capture.book.calibrations import newest_part
from coilbench.capture.book.damage import leave_damaged
from coilbench.capture.book.entries import FILES, Entry
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import Ratings, tell_set_rests
from coilbench.capture.book.rests import rests_beside, untold_strokes
from coilbench.capture.book.rows import writing
from coilbench.capture.book.scales import part_points
from coilbench.capture.book.sessions import CaptureRun
from coilbench.capture.book.sets import SetPlan, find_set, new_set, remove_set, set_names
from coilbench.capture.book.soundness import check_book
from coilbench.capture.book.state import BookState, SetState
from coilbench.capture.book.sweeps import StrokeRow, store_sweep
from coilbench.capture.book.zeros import session_zeros
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.sweep import Origin
from support.edits import change, harm

Read = Callable[[Database], object]


@pytest.fixture
def book(db, path, larch, calibration_id, points_sweep, stroke) -> Path:
    """A set with something of every kind, and another one with a stroke."""
    CaptureRun.begin(db, larch.set_id, "virtual:", None, None).end("finished")
    store_sweep(db, points_sweep(samples=stroke, calibration_id=calibration_id))
    for spring in larch.springs:
        store_sweep(db, points_sweep(spring_id=spring.spring_id))
    tell_set_rests(db, larch.set_id, 1.0)
    larch.swap_springs(db, "larch-01", "larch-02")
    Ratings(cell_n=900.0).store(db)
    Ratings(cell_n=800.0).store(db)
    rowan = new_set(db, SetPlan("rowan", "inner", ("r",)))
    store_sweep(db, points_sweep(spring_id=rowan.springs[0].spring_id))
    db.conn.close()
    assert check_book(path).findings == []
    return path


def refusal(book: Path, read: Read) -> str:
    with pytest.raises(CoilbenchError) as caught, open_book(book) as db:
        read(db)
    return str(caught.value)


def larch_of(db: Database) -> object:
    return find_set(db, "larch")


def every(db: Database) -> object:
    return SetState.every(db.conn)


OF_LARCH = "WHERE set_id = (SELECT id FROM sets WHERE name = 'larch')"
GONE = {
    "a spring": f"DELETE FROM springs {OF_LARCH} AND turn = 3",
    "a stroke": "DELETE FROM sweeps WHERE rowid = 3",
    "all strokes of a spring": "DELETE FROM sweeps WHERE spring_id ="
    f" (SELECT id FROM springs {OF_LARCH} AND turn = 3)",
    "what rests": f"DELETE FROM set_rests {OF_LARCH}",
    "a swap": f"DELETE FROM label_swaps {OF_LARCH}",
    "a capture": f"DELETE FROM sessions {OF_LARCH}",
    "its tally": "DELETE FROM tallies WHERE of = (SELECT id FROM sets WHERE name = 'larch')",
}


@pytest.mark.parametrize("what", GONE)
def test_a_row_of_a_set_that_is_gone_is_noticed_by_who_reads_the_set(book: Path, what: str) -> None:
    assert harm(book, GONE[what])
    missed = "the set larch is damaged: a row is gone"
    assert missed in refusal(book, larch_of)
    assert re.search(f"{missed}|refers to a missing row of springs", refusal(book, every))
    with pytest.raises(CoilbenchError, match=r"damaged|missing row"):
        BookState.read(book)
    with open_book(book) as db:  # the other set is as usable as before
        assert find_set(db, "rowan").labels == ("r",)
    assert any(
        "the set larch is damaged: a row is gone" in one for one in check_book(book).findings
    )


def test_a_set_that_is_gone_is_missed(book: Path) -> None:
    for table in ("label_swaps", "set_rests", "sessions", "springs"):
        harm(book, f"DELETE FROM {table} {OF_LARCH}")
    harm(book, "DELETE FROM tallies WHERE of = (SELECT id FROM sets WHERE name = 'larch')")
    harm(book, "DELETE FROM sets WHERE name = 'larch'")
    for read in (larch_of, set_names):
        assert "the list of sets is damaged" in refusal(book, read)
    assert "refers to a missing row of springs" in refusal(book, every)
    with open_book(book) as db:
        assert find_set(db, "rowan")
    assert any("the list of sets" in one for one in check_book(book).findings)


@pytest.mark.parametrize("table", ["calibrations", "rig_ratings"])
def test_a_row_of_the_rig_that_is_gone_refuses_the_book(book: Path, table: str) -> None:
    assert harm(book, f"DELETE FROM {table}")
    assert "what is kept of the rig is damaged: a row is gone" in refusal(book, larch_of)


def test_a_point_that_is_gone_is_missed_with_its_calibration(book: Path) -> None:
    assert harm(book, "DELETE FROM calibration_points WHERE point = 1")
    told = refusal(book, lambda db: part_points(db, newest_part(db, "load").part_id))
    assert "a calibration's list of points is damaged" in told
    with open_book(book) as db:
        assert find_set(db, "larch")
    assert any("list of points" in one for one in check_book(book).findings)


def test_what_lists_every_run_of_note_is_made_of_whole_rows(book: Path) -> None:
    harm(book, GONE["a stroke"])
    told = refusal(book, lambda db: Entry.newest_first(db, [Origin.KEYED]))
    assert "the set larch is damaged" in told


def test_a_value_that_is_flipped_wherever_it_lies_is_noticed(book: Path, tmp_path: Path) -> None:
    """In a table or in any of its indexes: a label, and the id that other rows refer to."""
    with closing(sqlite3.connect(book)) as plain:
        plain.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        sql = f"SELECT label, id FROM springs {OF_LARCH} AND turn = 2"
        values = plain.execute(sql).fetchone()
    content = book.read_bytes()
    for value in values:
        places = [found.start() for found in re.finditer(re.escape(value.encode()), content)]
        assert len(places) >= 2
        for at in places:
            harmed = tmp_path / f"{at}.db"
            harmed.write_bytes(content[:at] + bytes([content[at] ^ 2]) + content[at + 1 :])
            refusal(harmed, larch_of)


KEYS = {
    "sets": ("id", "name"),
    "springs": ("id", "set_id", "label"),
    "sweeps": ("id", "spring_id", "calibration_id"),
    "calibrations": ("id", "load_part_id"),
    "calibration_parts": ("id",),
    "set_rests": ("id", "set_id"),
}


@pytest.mark.parametrize(("table", "key"), [(of, key) for of in KEYS for key in KEYS[of]])
def test_a_key_that_is_no_text_any_more_leads_to_no_set_without_a_word(
    book: Path, table: str, key: str
) -> None:
    """A bit above ASCII in what other rows are found by: read as text, it is another key."""
    with closing(sqlite3.connect(book)) as plain:
        (key_was,) = plain.execute(f"SELECT {key} FROM {table} WHERE rowid = 1").fetchone()
    flipped = bytearray(key_was.encode())
    flipped[1] |= 0x80
    changed = f"UPDATE {table} SET {key} = CAST(? AS TEXT) WHERE rowid = 1"
    assert harm(book, changed, bytes(flipped))
    refusal(book, larch_of)
    refusal(book, every)
    with pytest.raises(CoilbenchError):
        BookState.read(book)


def test_a_set_that_is_removed_leaves_no_tally(book: Path) -> None:
    with open_book(book) as db:
        fir = new_set(db, SetPlan("fir", "outer", ("f",)))
        remove_set(db, fir)
        found = {of for (of,) in db.execute("SELECT of FROM tallies")}
    assert fir.set_id not in found
    assert check_book(book).findings == []


def test_a_tally_is_the_number_of_a_sets_rows_and_the_sum_of_their_digests(book: Path) -> None:
    """The sum without carry, of digests read by plain SQL."""
    with open_book(book) as db:
        set_id = find_set(db, "larch").set_id
        digests = [
            digest
            for (digest,) in db.execute(
                "SELECT digest FROM sets WHERE id = :of"
                " UNION ALL SELECT digest FROM springs WHERE set_id = :of"
                " UNION ALL SELECT digest FROM sessions WHERE set_id = :of"
                " UNION ALL SELECT digest FROM set_rests WHERE set_id = :of"
                " UNION ALL SELECT digest FROM label_swaps WHERE set_id = :of"
                " UNION ALL SELECT digest FROM hand_entries WHERE set_id = :of"
                " UNION ALL SELECT sweeps.digest FROM sweeps JOIN springs"
                " ON springs.id = spring_id WHERE set_id = :of",
                {"of": set_id},
            )
        ]
        kept = db.execute("SELECT rows, total FROM tallies WHERE of = ?", [set_id]).fetchone()
    total = reduce(xor, (int.from_bytes(digest, "big") for digest in digests))
    assert kept == (len(digests), total.to_bytes(16, "big"))
    assert len(digests) == 1 + 3 + 1 + 1 + 1 + 4


STALE = {  # a page that was not written: a row as it was before its last change, digests and all
    "a spring": ("springs", "spring_note = 'rusty'"),
    "a set": ("sets", "set_note = 'from the shelf'"),
    "another stroke": ("sweeps", "load_u_n = 2.0"),
}
DAMAGED = {
    "what never changes": "load_u_n = 3.0",
    "its digest": "digest = x'00112233445566778899aabbccddeeff'",
    "its digest, that is gone": "digest = NULL",
    "what may change": "note = 'x'",
}


@pytest.mark.parametrize("damaged", DAMAGED)
@pytest.mark.parametrize("what", STALE)
def test_beside_a_damaged_stroke_that_was_left_out_an_older_row_is_noticed(
    book: Path, what: str, damaged: str
) -> None:
    table, change_of = STALE[what]
    with closing(sqlite3.connect(book)) as plain:
        before = plain.execute(f"SELECT * FROM {table} WHERE rowid = 1")
        names, older = [name for name, *_ in before.description], before.fetchone()
    change(book, f"UPDATE {table} SET {change_of} WHERE rowid = 1")
    harm(book, f"UPDATE sweeps SET {DAMAGED[damaged]} WHERE rowid = 3")
    with open_book(book) as db:
        with writing(db):
            leave_damaged(db.conn, 3, "damaged")
        assert find_set(db, "larch")  # the others stay usable
    cells = ", ".join(f"{name} = ?" for name in names)
    harm(book, f"UPDATE {table} SET {cells} WHERE rowid = 1", *older)
    assert "the set larch is damaged: a row is gone, or is not what was" in refusal(book, larch_of)
    assert any("the set larch" in one for one in check_book(book).findings)


OF_STROKES: dict[str, Read] = {
    "runs": lambda db: Entry.newest_first(db, FILES),
    "zeros": session_zeros,
    "weights beside the rig's": lambda db: rests_beside(db, 0.5),
    "strokes told none": untold_strokes,
}


@pytest.fixture
def rigs(db, path, larch, calibration_id, points_sweep, stroke) -> Path:
    """A set with a stroke of the rig for each question; rowan without any stroke."""
    new_set(db, SetPlan("rowan", "inner", ("r", "s")))
    run = CaptureRun.begin(db, larch.set_id, "virtual:", None, None)
    rig = {
        "samples": stroke,
        "calibration_id": calibration_id,
        "origin": Origin.RIG,
        "session_id": run.session_id,
        "zero_counts": 100.0,
    }
    store_sweep(db, points_sweep(**rig, rests_n=0.4))
    store_sweep(db, points_sweep(**rig))
    store_sweep(db, points_sweep(entry_id="run", origin=Origin.POINTS_FILE))
    run.end("finished")
    db.conn.close()
    return path


@pytest.mark.parametrize("question", OF_STROKES)
def test_a_question_of_some_strokes_looks_at_the_sets_that_have_them(
    rigs: Path, question: str
) -> None:
    read = OF_STROKES[question]
    with open_book(rigs) as db:
        before = read(db)
    assert before
    harm(rigs, "UPDATE springs SET spring_note = 'x' WHERE label = 'r'")
    with open_book(rigs) as db:
        assert read(db) == before
    assert "the spring r is damaged" in refusal(rigs, every)
    harm(rigs, "UPDATE springs SET spring_note = 'x' WHERE label = 'larch-03'")
    assert "the spring larch-03 is damaged" in refusal(rigs, read)


@pytest.mark.parametrize("question", OF_STROKES)
def test_a_stroke_that_damage_leads_away_from_its_set_is_missed(rigs: Path, question: str) -> None:
    harm(rigs, "UPDATE sweeps SET spring_id = 'none'")
    assert "a stroke is damaged" in refusal(rigs, OF_STROKES[question])


def test_a_list_of_all_runs_lacks_none_whatever_set_it_was_of(rigs: Path) -> None:
    harm(rigs, "DELETE FROM springs WHERE label = 'r'")
    told = "the set rowan is damaged: a row is gone"
    assert told in refusal(rigs, OF_STROKES["runs"])


@pytest.mark.parametrize("damage", ["counted = 0", "note = 'x'", "ruling = 'use'", "edits = 9"])
def test_damage_of_the_ruling_itself_leaves_no_stroke_out_unnoticed(
    book: Path, damage: str
) -> None:
    """Ruled out while it counted: a flip of what says so looks like one that was left out."""
    change(book, "UPDATE sweeps SET ruling = 'leave' WHERE rowid = 3")
    harm(book, f"UPDATE sweeps SET {damage} WHERE rowid = 3")
    assert "larch-01:1" in refusal(book, larch_of)
    with open_book(book) as db:
        record = find_set(db, "larch", strokes=False)
        with writing(db):
            StrokeRow.keep_rulings(db, record, [("larch-01", 1, "leave")])
        assert find_set(db, "larch")
