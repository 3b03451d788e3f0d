"""A book in a folder or on a medium that cannot be written is read all the same."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from coilbench.capture.book.copies import copy_book
from coilbench.capture.book.locks import hold_book
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, new_set, set_names
from coilbench.capture.book.soundness import check_book
from coilbench.capture.book.state import BookState
from coilbench.capture.errors import CoilbenchError
from support.nobody import locked_up, nobody, open_folder

__all__ = ["open_folder"]
FIRST = Path(__file__).parents[2] / "data" / "first_version.sqlite"
PLAN = SetPlan("rowan", "inner", ("rowan-1", "rowan-2"))
KILLED = (
    "import os, sys; from pathlib import Path\n"
    "from coilbench.capture.book.opening import open_book\n"
    "from coilbench.capture.book.sets import SetPlan, new_set\n"
    "with open_book(Path(sys.argv[1])) as db:\n"
    "    new_set(db, SetPlan('larch', 'outer', ('a',)))\n"
    "    os._exit(0)\n"
)


@pytest.fixture
def book(open_folder: Path) -> Path:
    path = open_folder / "bench.db"
    with open_book(path, create=True) as db:
        new_set(db, PLAN)
    return path


def names(path: Path) -> list[str]:
    with open_book(path) as db:
        return set_names(db)


def write(path: Path) -> None:
    with open_book(path) as db:
        new_set(db, SetPlan("larch", "outer", ("a",)))


def test_everything_that_only_reads_works(book: Path, open_folder: Path) -> None:
    before = {file.name: file.read_bytes() for file in open_folder.iterdir()}
    with locked_up(open_folder):
        assert names(book) == ["rowan"]
        assert check_book(book).findings == []
        assert [one.name for one in BookState.read(book).sets] == ["rowan"]
        with pytest.raises(CoilbenchError, match="cannot be written"):
            write(book)
        with pytest.raises(CoilbenchError, match="lock file"), hold_book(book):
            pytest.fail("held")
    assert {file.name: file.read_bytes() for file in open_folder.iterdir()} == before


@pytest.mark.parametrize("shared", [True, False], ids=["with its index", "without"])
def test_a_journal_is_read_or_its_loss_refused(book: Path, open_folder: Path, shared: bool) -> None:
    """A killed program leaves its last commits there; https://www.sqlite.org/wal.html#readonly."""
    subprocess.run([sys.executable, "-c", KILLED, str(book)], check=True)
    assert book.with_name("bench.db-wal").stat().st_size > 0
    if not shared:
        book.with_name("bench.db-shm").unlink()
    with locked_up(open_folder):
        if shared:
            assert names(book) == ["rowan", "larch"]
        else:
            with pytest.raises(CoilbenchError, match=r"bench\.db-wal"):
                names(book)
    assert names(book) == ["rowan", "larch"]


def test_an_older_book_is_read_there_too(open_folder: Path) -> None:
    path = open_folder / "old.db"
    shutil.copyfile(FIRST, path)
    with locked_up(open_folder):
        assert names(path) == ["larch", "nest"]
        with pytest.raises(CoilbenchError, match="cannot be written"):
            write(path)
    assert path.read_bytes() == FIRST.read_bytes()


def test_a_read_only_file_in_a_folder_that_can_be_written(book: Path) -> None:
    book.chmod(0o444)
    with nobody():
        assert names(book) == ["rowan"]
        with pytest.raises(CoilbenchError, match="cannot be written"):
            write(book)


def test_a_folder_that_cannot_be_written_takes_no_new_book(open_folder: Path) -> None:
    with (
        locked_up(open_folder),
        pytest.raises(CoilbenchError, match="permissions"),
        open_book(open_folder / "bench.db", create=True),
    ):
        pytest.fail("made")


def test_it_is_copied_from_there(book: Path, open_folder: Path) -> None:
    stick = open_folder / "stick"
    stick.mkdir()
    shutil.move(book, stick / book.name)
    with locked_up(stick):
        copy_book(stick / book.name, book)
    assert names(book) == ["rowan"]


def test_where_the_disk_is_full_it_is_read_and_said(
    book: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a full disk itself answers was seen on a tmpfs of 4 MiB; here only its free room."""
    room = os.statvfs(book.parent)
    full = os.statvfs_result([*room[:3], 1, 1, *room[5:]])
    monkeypatch.setattr(os, "statvfs", lambda _: full)
    assert names(book) == ["rowan"]
    assert check_book(book).findings == []
    with pytest.raises(CoilbenchError, match="the disk is full"):
        write(book)
    assert names(book) == ["rowan"]
