"""`coilbench book copy|check|put-back`, as a person types them."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from coilbench.analysis.cli import run
from coilbench.capture.book.locks import hold_book
from support.edits import harm

FIRST = Path(__file__).parents[2] / "data" / "first_version.sqlite"


class Desk:
    """A book in a folder and a person at it."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.book, self._capsys = folder, folder / "bench.db", capsys

    def run(self, *arguments: str, status: int = 0) -> str:
        self._capsys.readouterr()
        done = run(["--book", str(self.book), *arguments])
        told = self._capsys.readouterr()
        assert done == status, told.out + told.err
        if status == 2:
            assert len(told.err.splitlines()) == 1
            assert told.out == ""
        return told.out + told.err

    def new(self, name: str) -> None:
        self.run("set", "new", name, "--role", "outer", "--count", "2")

    def sets(self) -> list[str]:
        return [one["name"] for one in json.loads(self.run("set", "list", "--json"))["sets"]]


@pytest.fixture
def desk(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Desk:
    made = Desk(tmp_path, capsys)
    made.new("larch")
    return made


def test_copy_and_put_back_go_there_and_back(desk: Desk) -> None:
    copy = str(desk.folder / "copy.db")
    told = desk.run("book", "copy", copy)
    assert "1 set, 2 springs, 0 strokes, 0 samples" in told
    assert "No damage found" in told
    desk.new("rowan")
    told = desk.run("book", "put-back", copy)
    assert desk.sets() == ["larch"]
    kept = told.split("kept as ")[1].strip().rstrip(".")
    desk.book = Path(kept)
    assert desk.sets() == ["larch", "rowan"]


def test_a_copy_is_made_while_a_capture_holds_the_book(desk: Desk) -> None:
    with hold_book(desk.book):
        desk.run("book", "copy", str(desk.folder / "copy.db"))
        told = desk.run("book", "put-back", str(desk.folder / "copy.db"), status=2)
    assert re.search("coilbench.*writing", told)


def test_check_says_whole_or_what_is_not(desk: Desk) -> None:
    assert "No damage found" in desk.run("book", "check")
    harm(desk.book, "UPDATE springs SET set_id = 'nobody' WHERE turn = 2")
    told = desk.run("book", "check", status=1)
    assert "! row 2 of springs refers to a missing row of sets." in told
    assert "DAMAGED" in told
    document = json.loads(desk.run("book", "check", "--json", status=1))
    assert document["whole"] is False
    _, spring, of_larch, of_nobody = document["findings"]
    assert "what is kept of the spring larch-02 is damaged" in spring
    assert "the set larch is damaged: a row is gone" in of_larch
    assert "a set that is not in the list of sets" in of_nobody


def test_an_older_book_is_checked_as_it_is(desk: Desk) -> None:
    old = desk.folder / "old.db"
    shutil.copyfile(FIRST, old)
    assert "version 0001_first_book" in desk.run("book", "check", str(old))
    assert json.loads(desk.run("book", "check", str(old), "--json"))["version"] == "0001_first_book"


def test_a_damaged_copy_is_not_put_back(desk: Desk) -> None:
    copy = desk.folder / "copy.db"
    desk.run("book", "copy", str(copy))
    harm(copy, "UPDATE springs SET set_id = 'nobody'")
    told = desk.run("book", "put-back", str(copy), status=2)
    assert "damaged" in told
    assert desk.sets() == ["larch"]


def test_a_copy_of_a_newer_program_is_not_put_back(desk: Desk) -> None:
    copy = desk.folder / "copy.db"
    desk.run("book", "copy", str(copy))
    with closing(sqlite3.connect(copy)) as plain:
        plain.execute(
            "INSERT INTO _sqlite_migrations (migration_set, name, applied_at)"
            " VALUES ('coilbench', '9999_of_tomorrow', 'x')"
        )
        plain.commit()
    assert re.search("coilbench.*written", desk.run("book", "put-back", str(copy), status=2))
    told = desk.run("book", "check", str(copy))
    assert re.search("coilbench.*written", told)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["book", "copy", "no/such/folder/c.db"], "this folder does not exist"),
        (["book", "copy", "bench.db"], "exists already"),
        (["book", "copy", "bench.db", "--force"], "the book itself"),
        (["book", "put-back", "none.db"], "no book here"),
        (["book", "put-back", "bench.db"], "the book itself"),
        (["book", "check", "text.db"], "not a readable SQLite book"),
        (["book", "check", "none.db"], "no book here"),
    ],
)
def test_a_refusal_is_one_line_and_changes_nothing(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, arguments: list[str], words: str
) -> None:
    monkeypatch.chdir(desk.folder)
    (desk.folder / "text.db").write_text("no book, but text\n" * 100)
    before = {path.name for path in desk.folder.iterdir()} | {"bench.db.lock"}
    assert words in desk.run(*arguments, status=2)
    assert {path.name for path in desk.folder.iterdir()} | {"bench.db.lock"} == before
    assert desk.sets() == ["larch"]
