"""A stored book of the first version comes up to date: a copy is kept, nothing in it changes.

tests/data/first_version.sqlite was made by the program as it was before its second migration:
two strokes of 1.62 and 1.64 kg/mm from 53 mm and two keyed readings in the set larch, and the
springs of the Watertown report of 1900 in the set nest.
"""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from sqlite_utils import Database

from coilbench.capture.book import opening
from coilbench.capture.book.digests import BRANCHES, seal_content, stored_rows
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.schema import bring_to, migrations
from coilbench.capture.book.sets import SetPlan, find_set, new_set, set_names
from coilbench.capture.book.soundness import check_book
from coilbench.capture.book.sweeps import load_sweeps
from coilbench.capture.book.versions import MIGRATION_NAMES
from coilbench.capture.errors import CoilbenchError
from support.edits import harm
from support.sqlite_utils_book import utils

pytestmark = pytest.mark.usefixtures("new_books_are_made")

FIRST = Path(__file__).parents[2] / "data" / "first_version.sqlite"
TABLES = ("calibration_parts", "calibration_points", "calibrations", "sets", "springs", "sweeps")


@pytest.fixture
def old(tmp_path: Path) -> Path:
    path = tmp_path / "old.db"
    shutil.copyfile(FIRST, path)
    return path


def rows(path: Path, table: str) -> list[dict[str, object]]:
    with closing(sqlite3.connect(path)) as plain:
        plain.row_factory = sqlite3.Row
        return [dict(row) for row in plain.execute(f"SELECT * FROM {table}")]


def rows_of(path: Path, sql: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as plain:
        return plain.execute(sql).fetchall()


def kept_beside(path: Path) -> list[Path]:
    return sorted(path.parent.glob("old.before-*.db"))


def test_the_stored_book_is_of_the_first_version(old: Path) -> None:
    assert check_book(old).version == MIGRATION_NAMES[0]
    assert check_book(old).findings == []


def test_it_comes_up_to_date_and_a_copy_of_it_is_kept(old: Path) -> None:
    with open_book(old) as db:
        assert [one.name for one in migrations.applied(utils(db))] == list(MIGRATION_NAMES)
    (kept,) = kept_beside(old)
    assert ".before-0002-" in kept.name
    for table in TABLES:
        was = rows(FIRST, table)
        assert was
        assert rows(kept, table) == was
        for before, after in zip(was, rows(old, table), strict=True):
            assert {name: after[name] for name in before} == before
    assert check_book(old).findings == []
    with open_book(old):
        pass
    assert kept_beside(old) == [kept]  # once


def test_its_numbers_are_what_they_were(old: Path) -> None:
    """The strokes follow 1.62 and 1.64 kg/mm from 53 mm, as the file was made."""
    with open_book(old) as db:
        assert set_names(db) == ["larch", "nest"]
        sweeps = load_sweeps(db, find_set(db, "larch"))
        for label, rate_kg in (("larch-01", 1.62), ("larch-02", 1.64)):
            (sweep,) = sweeps[label]
            pressed = sweep.loading.height_mm < 50.0
            load_kg = sweep.loading.load_n[pressed] / 9.80665
            model_kg = rate_kg * (53.0 - sweep.loading.height_mm[pressed])
            assert abs(load_kg - model_kg).max() < 0.05
        assert sweeps["larch-03"][0].loading.load_n / 9.80665 == pytest.approx([23.1, 33.9])
        # the Watertown report: spring 8 was closed down at 9.63 in
        assert find_set(db, "nest").spring("8").solid_height_mm == pytest.approx(9.63 * 25.4)
        told = db.execute(
            "SELECT sweeps.solid_height_mm FROM sweeps JOIN springs ON springs.id = spring_id"
            " WHERE springs.label = '8'"
        ).fetchall()
    assert told == [(pytest.approx(9.63 * 25.4),)]  # now with the stroke that tells it


def test_a_copy_that_cannot_be_made_leaves_the_book_as_it_is(
    old: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(path: Path, word: str) -> Path:
        raise CoilbenchError("the disk is full")

    monkeypatch.setattr(opening, "keep_copy", full)
    with pytest.raises(CoilbenchError, match="disk is full"), open_book(old):
        pass
    assert check_book(old).version == MIGRATION_NAMES[0]


def test_curves_named_once_are_the_same_rows_in_a_smaller_book(tmp_path: Path) -> None:
    """Plain SQL shows the same `curve_rows`; the room of the repeated names is given back."""
    path = tmp_path / "wide.db"
    curve = [(branch, at, 50.0 - at / 99.0, 9.0 * at) for branch in BRANCHES for at in range(3000)]
    with open_book(path, create=True) as db:
        new_set(db, SetPlan("larch", "outer", ("a", "b")))
    with closing(sqlite3.connect(tmp_path / "old.db")) as plain:
        older = Database(plain, execute_plugins=False)
        bring_to(older, "0016_order")
        plain.execute("ATTACH ? AS new", [str(path)])
        for table in ("sets", "springs"):
            plain.execute(f"INSERT INTO main.{table} SELECT * FROM new.{table}")
        cells = "'rig', 'complete', 'measured', 1, 0, 0, 0, 0, 0"
        plain.execute(
            "INSERT INTO sweeps (id, spring_id, stored_utc, origin, status, purpose, counted,"
            " samples, samples_lost, load_u_n, load_u_relative, height_u_mm)"
            f" SELECT id || '-stroke', id, '2026-01-01T00:00:00+00:00', {cells} FROM springs"
        )
        plain.executemany("INSERT INTO curve_rows SELECT id, ?, ?, ?, ? FROM sweeps", curve)
        for (sweep_id,) in plain.execute("SELECT id FROM sweeps").fetchall():
            seal_content(plain, sweep_id)
        plain.commit()
    sealed = "SELECT id, digest, state_digest, content_digest FROM sweeps ORDER BY id"
    shown = "SELECT sweep_id, branch, point, height_mm, load_n FROM curve_rows ORDER BY 1, 2, 3"
    before, size = (
        [rows_of(tmp_path / "old.db", sql) for sql in (sealed, shown)],
        ((tmp_path / "old.db").stat().st_size),
    )
    with open_book(tmp_path / "old.db"):
        pass
    assert [rows_of(tmp_path / "old.db", sql) for sql in (sealed, shown)] == before
    assert len(before[1]) == 2 * len(curve)
    assert (tmp_path / "old.db").stat().st_size < size / 2
    assert check_book(tmp_path / "old.db").findings == []


def test_a_new_book_needs_no_copy(tmp_path: Path) -> None:
    with open_book(tmp_path / "old.db", create=True):
        pass
    assert kept_beside(tmp_path / "old.db") == []


HARMS = {
    "what never changes of a stroke": "UPDATE sweeps SET load_u_n = 2 * load_u_n WHERE rowid = 1",
    "what does": "UPDATE sweeps SET counted = 0 WHERE rowid = 1",
    "a piece of an unfinished one": "UPDATE stroke_chunks SET zero_counts = 1.0",
}


@pytest.mark.parametrize("version", MIGRATION_NAMES[MIGRATION_NAMES.index("0013_digests") :])
@pytest.mark.parametrize("what", HARMS)
def test_what_is_damaged_in_an_older_book_is_damaged_in_the_newest(
    old: Path, version: str, what: str
) -> None:
    with closing(sqlite3.connect(old)) as plain:
        bring_to(Database(plain, execute_plugins=False), version)
        plain.execute(
            "INSERT INTO stroke_chunks (session_id, chunk, spring_id, purpose, calibration_id,"
            " load_u_n, load_u_relative, height_u_mm, samples_format, samples_blob)"
            " SELECT 'one', 0, spring_id, purpose, 'none', 1.0, 0.0, 1.0, 'raw1', x'00'"
            " FROM sweeps LIMIT 1"
        )
        plain.commit()
    assert harm(old, HARMS[what])
    with closing(sqlite3.connect(old)) as plain:
        bring_to(Database(plain, execute_plugins=False))
        plain.commit()
        wrong = [
            (table, row.rowid)
            for table in ("sweeps", "stroke_chunks", "springs", "sets", "calibration_parts")
            for row in stored_rows(plain, table)
            if not row.whole
        ]
    assert wrong == [(HARMS[what].split()[1], 1)]


def test_a_damaged_stroke_of_an_older_book_is_named_once_it_is_up_to_date(old: Path) -> None:
    with closing(sqlite3.connect(old)) as plain:
        bring_to(Database(plain, execute_plugins=False), "0017_curves")
        plain.commit()
    assert harm(old, HARMS["what never changes of a stroke"])
    for _ in range(2):
        with pytest.raises(CoilbenchError, match=r"--leave larch-01:1"), open_book(old) as db:
            find_set(db, "larch")
    assert check_book(old).version == MIGRATION_NAMES[-1]
    assert any("larch-01:1" in one for one in check_book(old).findings)


def test_a_newer_book_is_refused_and_left_as_it_is(old: Path) -> None:
    with closing(sqlite3.connect(old)) as plain:
        bring_to(Database(plain, execute_plugins=False))
        plain.commit()
    with closing(sqlite3.connect(old)) as plain:
        plain.execute(
            "INSERT INTO _sqlite_migrations (migration_set, name, applied_at)"
            " VALUES ('coilbench', '9999_of_tomorrow', 'x')"
        )
        plain.commit()
    before = old.read_bytes()
    words = "a newer coilbench has written this book"
    with pytest.raises(CoilbenchError, match=words), open_book(old):
        pass
    assert old.read_bytes() == before
    assert kept_beside(old) == []
