"""Every stored row has a digest; damage is named wherever it decides, and is never sealed."""

from __future__ import annotations

import hashlib
import re
import shutil
import sqlite3
import struct
from contextlib import closing
from pathlib import Path

import pytest
from sqlite_utils import Database

from coilbench.capture.book.calibrations import newest_part
from coilbench.capture.book.copies import copy_book
from coilbench.capture.book.digests import (
    DIGESTS,
    WITHOUT,
    content_digest,
    row_digest,
    stored_rows,
    tables,
)
from coilbench.capture.book.merging import merge_books
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.scales import part_points
from coilbench.capture.book.sets import SetPlan, find_set, new_set
from coilbench.capture.book.soundness import check_book
from coilbench.capture.book.state import BookState, SetState
from coilbench.capture.book.sweeps import StrokeRow, load_sweeps, store_sweep
from coilbench.capture.book.vouching import tally_damages
from coilbench.capture.errors import CoilbenchError
from support.edits import changing, harm
from support.sqlite_utils_book import utils

FIRST = Path(__file__).parents[2] / "data" / "first_version.sqlite"


@pytest.fixture
def book(db, path, larch, calibration_id, points_sweep, stroke) -> Path:
    """Three springs with a stroke each, the first one's sampled; another set with one."""
    store_sweep(db, points_sweep(samples=stroke, calibration_id=calibration_id))
    for spring in larch.springs:
        store_sweep(db, points_sweep(spring_id=spring.spring_id))
    rowan = new_set(db, SetPlan("rowan", "inner", ("r",)))
    store_sweep(db, points_sweep(spring_id=rowan.springs[0].spring_id))
    db.conn.close()
    return path


def whole(connection: sqlite3.Connection) -> bool:
    rows = [
        row
        for table in set(tables(connection)) - set(WITHOUT)
        for row in stored_rows(connection, table)
    ]
    assert len(rows) > 10
    assert not list(tally_damages(connection))
    return all(row.whole for row in rows)


def digests(path: Path, table: str) -> dict[str, tuple[bytes, ...]]:
    with closing(Database(path)) as db:
        names = [name for name in utils(db).table(table).columns_dict if name in DIGESTS]
        return {
            row["id"]: tuple(row[name] for name in names) for row in utils(db).table(table).rows
        }


def refusal(path: Path, name: str = "larch") -> str:
    with pytest.raises(CoilbenchError) as caught, open_book(path) as db:
        find_set(db, name)
    return str(caught.value)


def test_every_table_has_digests_and_none_is_empty(book: Path) -> None:
    with open_book(book) as db:
        for table in set(tables(db.conn)) - set(WITHOUT):
            names = [name for name in utils(db).table(table).columns_dict if name in DIGESTS]
            assert names, table
            for row in utils(db).table(table).rows:
                assert [len(row[name]) for name in names] == [16] * len(names)
        assert whole(db.conn)


def test_a_digest_is_blake2b_of_the_cells_as_python_writes_them() -> None:
    """RFC 7693; what the bytes are is ours, written down here."""
    text = b"('sets', b'larch', 52.5, 3, None)"
    assert (
        row_digest("sets", b"larch", 52.5, 3, None)
        == hashlib.blake2b(text, digest_size=16).digest()
    )


def test_a_strokes_content_is_its_samples_and_its_rows(book: Path) -> None:
    with closing(sqlite3.connect(book)) as plain:
        (sweep_id, blob) = plain.execute("SELECT id, samples_blob FROM sweeps LIMIT 1").fetchone()
        rows = plain.execute(
            "SELECT branch, point, height_mm, load_n FROM curve_rows WHERE sweep_id = ?"
            " ORDER BY branch, point",
            [sweep_id],
        ).fetchall()
        text = repr((sweep_id, blob)).encode()
        for branch in ("loading", "unloading"):
            numbers = [cell for name, *row in rows if name == branch for cell in row]
            text += struct.pack(f"<q{len(numbers)}d", len(numbers), *numbers)
        assert content_digest(plain, sweep_id) == hashlib.blake2b(text, digest_size=16).digest()


def test_what_the_program_changes_stays_whole(book: Path) -> None:
    with open_book(book) as db:
        record = find_set(db, "larch").rename_spring(db, "larch-02", "new")
        record = record.swap_springs(db, "new", "larch-03")
        StrokeRow.keep_rulings(db, record, [("larch-01", 1, "leave")])
        assert whole(db.conn)
    assert check_book(book).findings == []


@pytest.mark.parametrize("table", ["sets", "springs", "calibration_parts", "sweeps"])
def test_another_programs_change_fails(book: Path, table: str) -> None:
    column = "counted" if table == "sweeps" else "id"
    with (
        closing(sqlite3.connect(book)) as plain,
        pytest.raises(sqlite3.OperationalError, match="no such function: coil_"),
    ):
        plain.execute(f"UPDATE {table} SET {column} = 0")


@pytest.mark.parametrize(
    "table", ["sets", "springs", "calibration_points", "sweeps", "curves", "curve_steps"]
)
def test_another_programs_deleting_fails(book: Path, table: str) -> None:
    with (
        closing(sqlite3.connect(book)) as plain,
        pytest.raises(sqlite3.OperationalError, match="no such function: coil_"),
    ):
        plain.execute(f"DELETE FROM {table}")


def test_no_table_can_be_emptied_by_another_program(book: Path) -> None:
    with open_book(book) as db:
        guarded = {
            table
            for (table,) in db.execute(
                "SELECT tbl_name FROM sqlite_schema WHERE type = 'trigger'"
                " AND sql LIKE '% DELETE ON%coil_%'"
            )
        }
        assert guarded == set(tables(db.conn))


ORDERED = ["calibration_parts", "calibrations", "sets", "sweeps"]


@pytest.mark.parametrize("table", ORDERED)
def test_another_order_of_storing_is_damage(book: Path, table: str) -> None:
    """By it the calibration in force is decided, and ties are broken."""
    harm(book, f"UPDATE {table} SET rowid = 100 WHERE rowid = 1")
    assert any("is damaged" in one for one in check_book(book).findings)
    assert "damaged" in refusal(book)


def test_a_vacuum_by_another_program_leaves_all_whole(book: Path) -> None:
    with changing(book) as connection:  # a gap in the order
        own = "IN (SELECT id FROM sweeps WHERE rowid = 2)"
        for rows in (
            f"curve_steps WHERE curve IN (SELECT curve FROM curves WHERE sweep_id {own})",
            f"curves WHERE sweep_id {own}",
            f"sweeps WHERE id {own}",
        ):
            connection.execute(f"DELETE FROM {rows}")
    with closing(sqlite3.connect(book)) as plain:
        plain.execute("VACUUM")
        rowids = [rowid for (rowid,) in plain.execute("SELECT rowid FROM sweeps ORDER BY rowid")]
    assert rowids == [1, 3, 4, 5]
    assert check_book(book).findings == []


def test_rows_get_a_place_before_the_books_own_and_a_digest_that_covers_it(
    book: Path, tmp_path: Path
) -> None:
    other = tmp_path / "other.db"
    with open_book(other, create=True) as db:
        larch = new_set(db, SetPlan("fir", "outer", ("f",)))
        assert larch.springs
    merge_books(book, [other])
    with open_book(book) as db:
        assert db.execute("SELECT min(rowid) FROM sets").fetchone()[0] < 1
        assert whole(db.conn)
    merge_books(other, [book])  # all of its calibrations and strokes, at other places
    assert check_book(other).findings == []


def test_damage_is_never_sealed(book: Path) -> None:
    with open_book(book) as db:
        larch = find_set(db, "larch")
        harm(book, "UPDATE sets SET free_length_mm = 52.0 WHERE name = 'larch'")
        with pytest.raises(sqlite3.IntegrityError, match="a row of sets is damaged"):
            larch.keep_nominal(db, None)


@pytest.mark.parametrize(
    ("sql", "words"),
    [
        ("UPDATE sets SET free_length_mm = 52.0 WHERE name = 'larch'", "set larch was registered"),
        ("UPDATE springs SET turn = 9 WHERE label = 'larch-02'", "the spring larch-02"),
        ("UPDATE calibration_parts SET fit_json = replace(fit_json, '1', '2') WHERE kind = 'load'",
         "the load calibration made 20"),
        ("UPDATE calibrations SET made_utc = '2026-01-01T00:00Z'", "the calibration made 2026-01"),
        ("UPDATE sets SET name = CAST(x'ff1b5b' AS TEXT) WHERE name = 'larch'", r"\xff\x1b["),
    ],
)  # fmt: skip
def test_what_is_damaged_is_named_with_the_cure(book: Path, sql: str, words: str) -> None:
    assert harm(book, sql) == 1
    of_rig = "calibration" in sql
    if not of_rig:  # another set is as usable as before
        with open_book(book) as db:
            assert find_set(db, "rowan").labels == ("r",)
    for told in (refusal(book), refusal(book, "rowan")) if of_rig else (refusal(book),):
        assert words in told
        assert "is damaged" in told
        assert "coilbench book put-back" in told
    with pytest.raises(CoilbenchError, match="is damaged"):
        BookState.read(book)
    assert any("is damaged" in one for one in check_book(book).findings)


def test_points_are_looked_at_with_their_calibration(book: Path) -> None:
    assert harm(book, "UPDATE calibration_points SET mass_kg = 11 WHERE mass_kg = 10") == 1
    with open_book(book) as db:
        assert find_set(db, "larch")
        with pytest.raises(CoilbenchError, match="point 2 of a calibration is damaged"):
            part_points(db, newest_part(db, "load").part_id)
    assert any("point 2 of a calib" in one for one in check_book(book).findings)


CURVE = "(SELECT min(curve) FROM curves JOIN sweeps ON id = sweep_id WHERE sweeps.rowid = 3)"
STROKE = [
    "UPDATE sweeps SET load_u_n = 1.5 WHERE rowid = 3",
    "UPDATE sweeps SET counted = 0 WHERE rowid = 3",
    "UPDATE sweeps SET digest = zeroblob(16) WHERE rowid = 3",
    "UPDATE sweeps SET stored_utc = '2020' || substr(stored_utc, 5) WHERE rowid = 3",
    "UPDATE sweeps SET note = CAST(x'ff' AS TEXT) WHERE rowid = 3",
    f"UPDATE curve_steps SET load_n = load_n + 0.5 WHERE point = 1 AND curve = {CURVE}",
    f"DELETE FROM curve_steps WHERE point = 0 AND curve = {CURVE}",
    f"UPDATE curves SET branch = 'unloading' WHERE curve = {CURVE}",
    f"UPDATE curves SET sweep_id = 'x' || sweep_id WHERE curve = {CURVE}",
]


@pytest.mark.parametrize("sql", STROKE)
def test_a_damaged_stroke_is_named_left_out_and_leaves_the_others(book: Path, sql: str) -> None:
    assert harm(book, sql) == 1
    told = refusal(book)
    assert "damaged" in told
    assert "coilbench set strokes larch --leave larch-02:1" in told
    assert any("stroke larch-02:1 of larch is damaged" in one for one in check_book(book).findings)
    with open_book(book) as db:
        assert load_sweeps(db, find_set(db, "rowan"))["r"]  # other sets are as usable as before
        record = find_set(db, "larch", strokes=False)
        with pytest.raises(CoilbenchError, match="only be left out"):
            StrokeRow.keep_rulings(db, record, [("larch-02", 1, "use")])
        StrokeRow.keep_rulings(db, record, [("larch-02", 1, "leave")])
    with open_book(book) as db:
        sweeps = load_sweeps(db, find_set(db, "larch"))
        assert {label: len(own) for label, own in sweeps.items()} == {
            "larch-01": 2,
            "larch-02": 0,
            "larch-03": 1,
        }
        assert [one.measured for one in SetState.every(db.conn)] == [2, 1]


def test_samples_are_looked_at_where_they_count(book: Path) -> None:
    harm(book, "UPDATE sweeps SET samples_blob = zeroblob(9) WHERE rowid = 1")
    assert "--leave larch-01:1" in refusal(book)


def test_lists_name_a_stroke_whose_count_is_damaged(book: Path) -> None:
    harm(book, "UPDATE sweeps SET counted = 0 WHERE rowid = 3")
    with pytest.raises(CoilbenchError, match="larch-02:1"):
        BookState.read(book)


def test_a_merge_keeps_the_digests_and_refuses_what_is_damaged(book: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.db"
    with open_book(other, create=True):
        pass
    merge_books(other, [book])
    with open_book(other) as db:
        assert whole(db.conn)
    copy_book(book, tmp_path / "harmed.db")
    harm(tmp_path / "harmed.db", "UPDATE curve_steps SET load_n = 1 WHERE point = 0")
    with pytest.raises(CoilbenchError, match="damaged"):
        merge_books(other, [tmp_path / "harmed.db"])


def test_an_older_book_gets_digests_of_what_is_in_it(tmp_path: Path) -> None:
    path = tmp_path / "old.db"
    shutil.copyfile(FIRST, path)
    with open_book(path) as db:
        assert whole(db.conn)
        assert db.execute(
            "SELECT count(*) FROM sweeps WHERE content_digest IS NULL"
        ).fetchone() == (0,)
    assert check_book(path).findings == []


def test_a_copy_keeps_them(book: Path, tmp_path: Path) -> None:
    copy_book(book, tmp_path / "copy.db")
    assert digests(tmp_path / "copy.db", "sweeps") == digests(book, "sweeps")


def test_a_key_that_is_damaged_is_not_lost(book: Path) -> None:
    """A stroke that refers to no spring can't be named; the whole book is refused."""
    harm(book, "UPDATE sweeps SET spring_id = 'nobody' WHERE rowid = 3")
    assert re.search("damaged|refers to a missing row", refusal(book))


@pytest.mark.parametrize(
    "how",
    [
        "UPDATE OR REPLACE {table} SET {column} = {column}",
        "INSERT OR REPLACE INTO {table} SELECT * FROM {table}",
        "DELETE FROM {table}",
    ],
)
def test_no_statement_of_another_program_changes_any_table(tmp_path: Path, how: str) -> None:
    """Also a rowid, which replaces another row without its deletion's trigger."""
    with open_book(tmp_path / "bench.db", create=True) as db:
        places = [
            (name, next(iter(utils(db).table(name).columns_dict))) for name in tables(db.conn)
        ]
        places += [
            (name, "rowid")
            for name, _ in places
            if "WITHOUT ROWID" not in utils(db).table(name).schema
        ]
    assert len(places) > 30
    with closing(sqlite3.connect(tmp_path / "bench.db")) as other:
        for table, column in places:
            with pytest.raises(sqlite3.OperationalError, match="no such function"):
                other.execute(how.format(table=table, column=column))


def test_a_flipped_copy_of_a_value_is_named_wherever_it_lies(book: Path, tmp_path: Path) -> None:
    """A row that an index finds is read from its table, though the index has the value too."""
    copy_book(book, tmp_path / "whole.db")
    with closing(sqlite3.connect(tmp_path / "whole.db")) as plain:
        (stored,) = plain.execute("SELECT min(stored_utc) FROM sweeps WHERE counted").fetchone()
    content = (tmp_path / "whole.db").read_bytes()
    places = [found.start() for found in re.finditer(re.escape(stored.encode()), content)]
    assert len(places) >= 2
    for at in places:
        harmed = tmp_path / f"{at}.db"
        harmed.write_bytes(content[:at] + b"3" + content[at + 1 :])
        assert refusal(harmed)
