"""The check of a book: whole ones pass, every kind of damage that is planted is found."""

from __future__ import annotations

import contextlib
import re
import sqlite3
import tempfile
import zlib
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.capture.book import soundness
from coilbench.capture.book.copies import copy_book
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, new_set
from coilbench.capture.book.soundness import check_book
from coilbench.capture.book.state import BookState
from coilbench.capture.book.sweeps import store_sweep
from coilbench.capture.errors import CoilbenchError
from support.edits import change, harm

FIRST = Path(__file__).parents[2] / "data" / "first_version.sqlite"


@pytest.fixture
def written(db, path, larch, calibration_id, points_sweep, stroke):
    store_sweep(db, points_sweep(samples=stroke, calibration_id=calibration_id))
    store_sweep(db, points_sweep())
    return path


def test_a_whole_book_is_whole_and_counted(written):
    found = check_book(written)
    assert found.findings == []
    assert (found.sets, found.springs, found.sweeps, found.samples) == (1, 3, 2, 201)
    assert not found.newer
    assert not found.running


def test_checking_changes_nothing(written):
    before = {file: file.read_bytes() for file in written.parent.iterdir()}
    check_book(written)
    after = {file: file.read_bytes() for file in written.parent.iterdir()}
    assert {k: v for k, v in after.items() if not k.name.endswith("-shm")} == {
        k: v for k, v in before.items() if not k.name.endswith("-shm")
    }


@pytest.mark.parametrize("at", range(0, 400, 37))
def test_one_flipped_bit_in_a_strokes_samples_is_found(written, at):
    """zlib's Adler-32 over the samples, RFC 1950; the first two bytes are its header."""
    with closing(sqlite3.connect(written)) as connection:
        (blob,) = connection.execute(
            "SELECT samples_blob FROM sweeps WHERE samples_blob IS NOT NULL"
        ).fetchone()
    at = min(at, len(blob) - 1)
    flipped = blob[:at] + bytes([blob[at] ^ 0x10]) + blob[at + 1 :]
    harm(written, "UPDATE sweeps SET samples_blob = ? WHERE samples_blob IS NOT NULL", flipped)
    (finding,) = check_book(written).findings
    assert re.search("larch-01.*damaged", finding)


def test_samples_that_are_too_few_or_out_of_order_are_found(written):
    change(written, "UPDATE sweeps SET samples = 200 WHERE samples_blob IS NOT NULL")
    assert re.search("201 samples.*200", check_book(written).findings[0])


def test_a_clock_that_goes_backwards_is_found(written, stroke, db, points_sweep, calibration_id):
    stroke["t_us"] = stroke["t_us"][::-1]
    store_sweep(db, points_sweep(samples=stroke, calibration_id=calibration_id))
    assert "its clock goes backwards" in check_book(written).findings[0]


def test_a_key_that_leads_nowhere_is_found(written):
    harm(written, "DELETE FROM springs WHERE label = 'larch-01'")  # plain SQLite checks no keys
    findings = check_book(written).findings
    assert ["sweeps refers to a missing row of springs" in one for one in findings] == [
        *(True, True),  # two strokes
        *(False, False),  # and the tallies of a set that is none, and of the one that lacks it
    ]
    assert "the set larch is damaged: a row is gone" in findings[-1]


def test_a_calibration_that_cannot_be_read_is_found(written):
    harm(written, "UPDATE calibration_parts SET fit_json = '{}' WHERE kind = 'load'")
    assert re.search("load calibration made .* is damaged", check_book(written).findings[0])


def test_a_scrambled_page_is_found(path, db, larch, points_sweep, stroke, calibration_id):
    for _ in range(40):
        store_sweep(db, points_sweep(samples=stroke, calibration_id=calibration_id))
    db.conn.close()
    pages = bytearray(path.read_bytes())
    for page in range(8, len(pages) // 4096 - 1, 5):
        pages[page * 4096 : page * 4096 + 8] = b"\xff" * 8
    path.write_bytes(pages)
    findings = check_book(path).findings
    assert findings
    assert all(words.startswith(("SQLite", "row", "stroke", "and")) for words in findings)


def test_so_many_findings_and_no_more(written, monkeypatch):
    monkeypatch.setattr(soundness, "MOST_FINDINGS", 1)
    harm(written, "UPDATE calibration_parts SET fit_json = '{}'")
    assert check_book(written).findings[1:] == ["and 1 more"]


def test_a_capture_that_has_it_open_is_told(written, larch, db):
    db.execute(
        "INSERT INTO sessions (id, set_id, source_url, started_utc, seen_utc, samples,"
        " samples_lost, lines_bad, restarts) VALUES ('s', ?, 'virtual:', '2026-11-01T00:00Z',"
        " '2026-11-01T00:00Z', 0, 0, 0, 0)",
        [larch.set_id],
    )
    db.conn.commit()
    assert check_book(written).running


def test_a_newer_book_is_told_apart(path):
    with open_book(path, create=True) as db:
        new_set(db, SetPlan("larch", "outer", ("a",)))
    harm(
        path,
        "INSERT INTO _sqlite_migrations (migration_set, name, applied_at)"
        " VALUES ('coilbench', '9999_of_tomorrow', 'x')",
    )
    found = check_book(path)
    assert found.newer
    assert found.findings == []


def opened(path):
    with open_book(path):
        pass


@settings(max_examples=25)
@given(
    at=st.integers(0, FIRST.stat().st_size - 1),
    garbage=st.binary(min_size=1, max_size=64),
    cut=st.booleans(),
)
def test_a_damaged_file_is_a_finding_or_a_sentence(at, garbage, cut):
    """Whatever is done to it: looked at, copied, opened, it ends in our words or goes well."""
    whole = FIRST.read_bytes()
    damaged = whole[:at] if cut else whole[:at] + garbage + whole[at + len(garbage) :]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "damaged.db"
        path.write_bytes(damaged)
        for look in (
            check_book,
            BookState.read,
            lambda book: copy_book(book, book.with_name("copy.db")),
            opened,
        ):
            with contextlib.suppress(CoilbenchError):
                look(path)


def test_the_checksum_is_there_as_the_format_says(written):
    """RFC 1950: the last four bytes are the Adler-32 of what was packed, big end first."""
    with closing(sqlite3.connect(written)) as connection:
        (blob,) = connection.execute(
            "SELECT samples_blob FROM sweeps WHERE samples_blob IS NOT NULL"
        ).fetchone()
    assert int.from_bytes(blob[-4:], "big") == zlib.adler32(zlib.decompress(blob))
