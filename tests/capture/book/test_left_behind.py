"""What a killed program left beside a book is removed at the next opening; modes are kept."""

from __future__ import annotations

import os
import shutil
import signal
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from coilbench.capture.book.copies import connect, copy_book, explaining_sqlite_errors, put_back
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, new_set, set_names
from coilbench.capture.book.staging import staging
from coilbench.capture.errors import CoilbenchError

pytestmark = pytest.mark.usefixtures("new_books_are_made")

MAKES = """
import sys, time
from pathlib import Path
from coilbench.capture.book.staging import staging
with staging(Path(sys.argv[1])) as folder:
    (folder / "book").write_bytes(b"half of it")
    print(folder, flush=True)
    time.sleep(600)
"""


@pytest.fixture
def book(path: Path) -> Path:
    with open_book(path, create=True) as db:
        new_set(db, SetPlan("larch", "outer", ("a",)))
    return path


def hidden(folder: Path) -> list[str]:
    return [file.name for file in folder.iterdir() if file.name.startswith(".")]


def opened(book: Path) -> None:
    with open_book(book) as db:
        assert set_names(db) == ["larch"]


def test_what_a_killed_program_left_is_removed_and_what_has_an_owner_is_not(book: Path) -> None:
    target = book.with_name("copy.db")
    with subprocess.Popen(
        [sys.executable, "-c", MAKES, str(target)], stdout=subprocess.PIPE, text=True
    ) as maker:
        assert maker.stdout is not None
        left = Path(maker.stdout.readline().strip())
        assert left.parent == book.parent
        opened(book)
        assert (left / "book").exists()
        maker.send_signal(signal.SIGKILL)
        maker.wait()
    opened(book)
    assert hidden(book.parent) == []


def test_one_that_was_killed_before_its_lock_is_removed(book: Path) -> None:
    with staging(book) as folder:
        name = folder.name
    book.with_name(name).mkdir()
    opened(book)
    assert hidden(book.parent) == []


def test_nothing_else_is_removed(book: Path) -> None:
    for name in (".bench.db-mine", ".coilbench-part", "bench.coilbench-part"):
        book.with_name(name).mkdir()
    opened(book)
    kept = {".bench.db-mine", ".coilbench-part", "bench.coilbench-part"}
    assert kept <= {file.name for file in book.parent.iterdir()}


def test_an_error_in_a_hidden_folder_names_the_folder_that_it_is_in(book: Path) -> None:
    with staging(book) as outer, staging(outer / "copy") as folder:
        for file in (outer / "copy", folder / "book"):
            with pytest.raises(CoilbenchError) as told, explaining_sqlite_errors(file):
                connect(file, "mode=ro").execute("SELECT 1 FROM sqlite_schema")
            assert str(told.value).startswith(f"{book.parent}: ")
            assert "coilbench-part" not in str(told.value)


def a_link(folder: Path, of_others: Path) -> None:
    folder.symlink_to(of_others)


def not_locked(folder: Path, of_others: Path) -> None:
    shutil.copytree(of_others, folder)


def other_names(folder: Path, of_others: Path) -> None:
    shutil.copytree(of_others, folder)
    (folder / "owner.lock").touch()


def links_in_it(folder: Path, of_others: Path) -> None:
    folder.mkdir()
    (folder / "owner.lock").symlink_to(of_others / "letter")
    (folder / "book").symlink_to(of_others / "letter")


def linked_folder_in_it(folder: Path, of_others: Path) -> None:
    folder.mkdir()
    (folder / "owner.lock").touch()
    (folder / ".x.coilbench-part").symlink_to(of_others)


@pytest.mark.skipif(os.name == "nt", reason="links of POSIX")
@pytest.mark.parametrize("lay", [a_link, not_locked, other_names, links_in_it, linked_folder_in_it])
def test_what_others_lay_under_such_a_name_costs_nobody_a_file(
    book: Path, tmp_path: Path, lay: Callable[[Path, Path], None]
) -> None:
    of_others = tmp_path / "of-others"
    of_others.mkdir()
    (of_others / "letter").write_text("dear")
    (of_others / "book.txt").write_text("dear")
    before = sorted(of_others.iterdir())
    left = book.with_name(".x.coilbench-part")
    lay(left, of_others)
    laid = {one for one in left.iterdir() if one.name not in ("owner.lock", ".x.coilbench-part")}
    opened(book)
    assert sorted(of_others.iterdir()) == before
    assert (of_others / "letter").read_text() == "dear"
    assert laid <= set(left.iterdir())


@pytest.mark.skipif(not hasattr(os, "geteuid"), reason="users of POSIX")
def test_another_users_folder_is_let_be(book: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    left = book.with_name(".x.coilbench-part")
    left.mkdir()
    for name in ("owner.lock", "book"):
        (left / name).touch()
    with monkeypatch.context() as another:
        another.setattr(os, "geteuid", lambda: os.getuid() + 1)
        opened(book)
    assert (left / "book").exists()
    opened(book)
    assert not left.exists()


@pytest.mark.skipif(os.name == "nt", reason="modes of POSIX")
def test_a_copy_and_what_is_put_back_have_the_mode_of_what_they_replace(book: Path) -> None:
    copy = book.with_name("copy.db")
    book.chmod(0o640)
    copy_book(book, copy)
    assert stat.S_IMODE(copy.stat().st_mode) == 0o640
    copy.chmod(0o664)
    copy_book(book, copy, force=True)
    assert stat.S_IMODE(copy.stat().st_mode) == 0o664
    kept = put_back(copy, book)
    assert stat.S_IMODE(book.stat().st_mode) == 0o640
    assert kept is not None
    assert stat.S_IMODE(kept.stat().st_mode) == 0o640
