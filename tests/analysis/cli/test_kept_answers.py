"""Asked again, a command says the same from what it kept; changed inputs are worked out anew."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from sqlite_utils import Database

from coilbench.analysis.cli.demo import BUILD_FILE
from coilbench.analysis.inputs import kept, measured, other_sets
from coilbench.analysis.report import sheet_page
from coilbench.capture.book import depends
from coilbench.capture.book.calibrations import NewCheck
from coilbench.capture.book.depends import depends_on, depends_on_sets
from coilbench.capture.book.digests import WITHOUT, register, tables
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import find_set
from coilbench.capture.shop.answers import _inputs
from support import edits
from support.demo_runs import four_of_each
from support.shared import copied, made_once

CHECK = ("set", "check", "larch", "--at", "38.5mm", "--at", "27.6mm")
Ask = Callable[..., str]


@pytest.fixture
def book(tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return Path(shutil.copy(four_of_each(tmp_path_factory), tmp_path / "b.db"))


@pytest.fixture
def ask(call, book: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Ask:
    """Return what asks that book, with a folder of kept answers that has this name."""
    (tmp_path / "demo.toml").write_text(BUILD_FILE)

    def asked(cache: str, *arguments: str) -> str:
        monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / cache))
        said = call(*arguments, "--json")
        assert said.status < 2, said.err
        return said.out

    return asked


def build_commands(tmp_path: Path) -> list[tuple[str, ...]]:
    file = str(tmp_path / "demo.toml")
    return [("pair", file), ("assign", file), ("set", "spring", "heron", "heron-03")]


def test_what_is_kept_says_the_same_and_without_it_too(ask: Ask, tmp_path: Path) -> None:
    for command in (CHECK, *build_commands(tmp_path)):
        first = ask("one", *command)
        before = {file.name: file.stat().st_ino for file in kept.folder().iterdir()}
        assert ask("one", *command) == first
        assert {file.name: file.stat().st_ino for file in kept.folder().iterdir()} == before
        shutil.rmtree(tmp_path / "one")
        assert ask("one", *command) == first


@pytest.mark.parametrize("name", ["larch", "pressed"])
def test_what_was_keyed_or_came_in_files_is_kept_too(
    name: str, request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    call = request.getfixturevalue(name)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "kept"))
    asked = ("set", "check", "larch" if name == "larch" else "elm", "--at", "38.5mm", "--json")
    call("status")  # what making the book said is read with it
    first = call(*asked)
    monkeypatch.setattr(measured, "_measured", None)
    monkeypatch.setattr(measured, "check_set", None)
    assert call(*asked) == first
    assert first.status < 2


def test_the_sheets_drawing_is_kept_and_follows_what_it_draws(
    ask: Ask, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def drawing(cache: str, file: str = "demo.toml") -> str:
        sheet = tmp_path / "sheet.html"
        ask(cache, "report", str(tmp_path / file), "-o", str(sheet), "--force")
        page = sheet.read_text()
        return page[page.index("<svg") : page.index("</svg>")]

    first = drawing("kept")
    with monkeypatch.context() as patch:
        patch.setattr(sheet_page, "_draw", None)
        assert drawing("kept") == first
    (tmp_path / "other.toml").write_text(BUILD_FILE.replace('"2 kg"', '"2.5 kg"'))
    second = drawing("kept", "other.toml")
    assert first != second == drawing("fresh", "other.toml")


CHANGES = {
    "a ruling": "UPDATE sweeps SET ruling = 'leave' WHERE rowid = ("
    "SELECT max(sweeps.rowid) FROM sweeps"
    " JOIN springs ON springs.id = spring_id JOIN sets ON sets.id = set_id"
    " WHERE name = 'larch' AND purpose = 'measured' AND counted)",
    "a stroke's zero": "UPDATE sweeps SET zero_counts = zero_counts + 300",
    "what rests": "UPDATE sweeps SET rests_n = coalesce(rests_n, 0) + 3",
    "raw counts": "UPDATE sweeps SET samples_blob = (SELECT samples_blob FROM sweeps AS other"
    " WHERE other.rowid > sweeps.rowid AND other.purpose = 'measured'"
    " AND other.samples = sweeps.samples LIMIT 1)"
    " WHERE EXISTS (SELECT 1 FROM sweeps AS other WHERE other.rowid > sweeps.rowid"
    " AND other.purpose = 'measured' AND other.samples = sweeps.samples)",
    "a calibration": "UPDATE calibration_parts SET fit_json ="
    " json_set(fit_json, '$.coefficients[1]', 1.01 * (fit_json ->> '$.coefficients[1]'))"
    " WHERE kind = 'load'",
    "the set's free length": "UPDATE sets SET free_length_mm = 60.0 WHERE name = 'larch'",
    "a spring's solid height": "UPDATE springs SET solid_by_hand_mm = 30.0,"
    " solid_by_hand_u_mm = 0.1 WHERE label = 'larch-02'",
    "the nominal": "UPDATE sets SET nominal_json ="
    ' \'{"loads": [{"height_mm": 38.5, "load_n": 300.0}], "rate_n_per_mm": null,'
    " \"tolerance_relative\": 0.02}' WHERE name = 'larch'",
}


@pytest.fixture
def kept_before(ask: Ask, tmp_path: Path, tmp_path_factory: pytest.TempPathFactory) -> None:
    """What CHECK was worked out to be, once for all who change the book after it."""

    def keep(folder: Path) -> None:
        ask("kept", *CHECK)
        shutil.copytree(tmp_path / "kept", folder / "kept")

    copied(made_once(tmp_path_factory, "kept-before", keep), tmp_path)


@pytest.mark.usefixtures("kept_before")
@pytest.mark.parametrize("change", CHANGES)
def test_a_changed_input_is_worked_out_anew(
    ask: Ask, book: Path, tmp_path: Path, change: str
) -> None:
    commands = [CHECK, *build_commands(tmp_path)[: change == "a ruling"]]
    before = [ask("kept", *command) for command in commands]
    assert edits.change(book, CHANGES[change]) > 0
    after = [ask("kept", *command) for command in commands]
    assert after == [ask("fresh", *command) for command in commands]
    assert json.loads(after[0]) != json.loads(before[0])


# A calibration never changes: another has another id.
@pytest.mark.parametrize("change", sorted({*CHANGES} - {"a calibration"}))
def test_what_a_store_is_given_follows_from_the_same(book: Path, change: str) -> None:
    with open_book(book) as db:
        before = _inputs(db, find_set(db, "larch"))
        others = _inputs(db, find_set(db, "heron"))
    assert edits.change(book, CHANGES[change]) > 0
    with open_book(book) as db:
        assert _inputs(db, find_set(db, "larch")) != before
        if "larch" in CHANGES[change]:
            assert _inputs(db, find_set(db, "heron")) == others


def test_so_does_a_check_with_a_mass(book: Path) -> None:
    with open_book(book) as db:
        record = find_set(db, "larch")
        before, inputs = depends_on(db, record), _inputs(db, record)
        (part_id,) = db.execute("SELECT load_part_id FROM calibrations").fetchone()
        check = (5.0, 9.81, 0.0, 9e4, 5.0, 0.5, 0.2, 0.1)
        NewCheck(part_id, None, *check, passed=False).store(db)
        assert depends_on(db, record) != before
        assert _inputs(db, record) != inputs


def test_so_is_what_is_asked(ask: Ask, tmp_path: Path) -> None:
    told = set()
    for more in ((), ("--tolerance", "2%"), ("--branch", "loading"), ("--at", "33mm")):
        said = ask("kept", *CHECK, *more)
        assert said == ask("kept", *CHECK, *more) == ask("fresh", *CHECK, *more)
        told.add(said)
    assert len(told) == 4
    build = tmp_path / "demo.toml"
    first = ask("kept", "pair", str(build))
    build.write_text(BUILD_FILE.replace('"38.5 mm"', '"38.4 mm"\nheight_u = "0.1 mm"'))
    second = ask("kept", "pair", str(build))
    assert first != second == ask("fresh", "pair", str(build))
    assert second != ask("kept", "pair", str(build), "--use-flagged")


def test_every_row_counts_that_is_not_named_as_telling_nothing(book: Path) -> None:
    """Of another set's strokes none does; the record tells what is read of sets and springs."""
    with open_book(book) as db:
        record, other = find_set(db, "larch"), find_set(db, "heron")
        before, of_other = depends_on(db, record), depends_on(db, other)
        names = tables(db.conn)
    assert None not in (before, of_other)
    assert before != of_other
    assert set(names) >= depends._APART - set(WITHOUT)
    counted = 0
    for table in sorted(set(names) - set(WITHOUT)):
        with closing(sqlite3.connect(book)) as connection:
            if not connection.execute(f"SELECT 1 FROM {table}").fetchone():
                continue
            register(connection)
            for (trigger,) in connection.execute(
                "SELECT name FROM sqlite_schema WHERE type = 'trigger'"
            ).fetchall():
                connection.execute(f"DROP TRIGGER {trigger}")
            of_larch = (
                " WHERE spring_id IN (SELECT id FROM springs WHERE label LIKE 'larch%')"
                if table == "sweeps"
                else ""
            )
            connection.execute(f"UPDATE {table} SET digest = x'00'{of_larch}")
            now = depends_on(Database(connection), record)
            assert (now == before) == (table in depends._APART), table
            if table == "sweeps":
                assert depends_on(Database(connection), other) == of_other
            counted += now != before
            connection.execute(f"UPDATE {table} SET digest = NULL")
            assert (depends_on(Database(connection), record) is None) == (now != before)
    assert counted >= 3


def test_which_springs_fit_another_set_is_kept_and_follows_every_set(
    book: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "kept"))

    def asked(*heights_mm: float) -> object:
        with open_book(book) as db:
            record = find_set(db, "larch")
            return other_sets.fits_other(db, record, record.labels, heights_mm)

    first, marked = asked(38.5), [other_sets.FitsOther("larch-01", "larch", "rowan", 0.3, 0.01, 2)]
    monkeypatch.setattr(other_sets, "_fitting", lambda *_: marked)
    assert asked(38.5) == first
    assert asked(27.6) == marked  # as it does what is asked
    assert asked(27.6) == marked
    changes = (
        "UPDATE sweeps SET ruling = 'leave' WHERE rowid = (SELECT max(rowid) FROM sweeps)",
        "UPDATE sets SET free_length_mm = 60.0 WHERE name = 'plover'",
        "UPDATE springs SET own_free_length_mm = 51.0 WHERE label = 'rowan-03'",
    )
    for change in changes:
        with open_book(book) as db:
            before = depends_on_sets(db)
        assert edits.change(book, change) == 1
        with open_book(book) as db:
            assert depends_on_sets(db) not in (None, before), change
    assert asked(38.5) == marked


def test_a_book_that_cannot_be_written_is_quick_too(ask: Ask, book: Path) -> None:
    first = ask("kept", *CHECK)
    stored = book.read_bytes()
    book.chmod(0o400)
    assert ask("kept", *CHECK) == first
    assert book.read_bytes() == stored
