"""One capture per book and per port, between processes, whatever end the other one came to."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from coilbench.capture.book import copies
from coilbench.capture.book.copies import copy_book
from coilbench.capture.book.locks import book_lock_path, hold_book, hold_port, port_lock_path
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, new_set, set_names
from coilbench.capture.book.state import BookState
from coilbench.capture.errors import CoilbenchError
from support.signals import AS_STARTED_BY_HAND

pytestmark = pytest.mark.usefixtures("new_books_are_made")

HOLD = (
    AS_STARTED_BY_HAND
    + """
import sys
from pathlib import Path
from coilbench.capture.book.locks import hold_book, hold_port
with hold_book(Path(sys.argv[1])), hold_port(sys.argv[2]):
    print("held", flush=True)
    sys.stdin.read()
"""
)


@pytest.fixture
def port(tmp_path, monkeypatch):
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    return "/dev/ttyUSB77"


def test_a_second_capture_on_the_book_or_port_is_refused_in_words(tmp_path, port):
    book = tmp_path / "a.db"
    with hold_book(book), hold_port(port):
        with pytest.raises(CoilbenchError, match="writing this book"), hold_book(book):
            pytest.fail("held twice")
        with pytest.raises(CoilbenchError, match="using this port"), hold_port(port):
            pytest.fail("held twice")
        with hold_book(tmp_path / "b.db"), hold_port("/dev/ttyUSB78"):
            pass
    with hold_book(book), hold_port(port):
        pass


def test_a_killed_capture_holds_nothing(tmp_path, port):
    book = tmp_path / "a.db"
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(book), port],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={**os.environ, "TMPDIR": str(tmp_path)},
    ) as other:
        assert other.stdout.readline() == b"held\n"
        with pytest.raises(CoilbenchError), hold_book(book):
            pytest.fail("held by two")
        with pytest.raises(CoilbenchError), hold_port(port):
            pytest.fail("held by two")
        other.send_signal(signal.SIGKILL)
        other.wait()
    with hold_book(book), hold_port(port):
        pass


def test_a_device_is_the_same_by_any_of_its_names(tmp_path):
    device, link = tmp_path / "ttyUSB0", tmp_path / "by-id"
    device.touch()
    link.symlink_to(device)
    names = (f"{device}", f"{link}", f"serial://{device}", f"serial://{link}?baud=115200")
    assert len({port_lock_path(name) for name in names}) == 1
    assert port_lock_path("socket://bench:4000") != port_lock_path("socket://bench:4001")


def test_a_book_is_the_same_by_any_of_its_names(tmp_path, monkeypatch):
    folder = tmp_path / "folder"
    folder.mkdir()
    book = folder / "bench.db"
    book.touch()
    (tmp_path / "other.db").symlink_to(book)
    (tmp_path / "way").symlink_to(folder)
    monkeypatch.chdir(folder)
    others = ("../other.db", "../way/bench.db", "bench.db", "../folder/./bench.db")
    with hold_book(book):
        for other in map(Path, others):
            with pytest.raises(CoilbenchError, match="another coilbench"), hold_book(other):
                pytest.fail("held twice")


def test_a_book_with_two_names_is_refused_by_both(tmp_path):
    """SQLite finds the journal by the name: https://www.sqlite.org/howtocorrupt.html, 2.5."""
    book, other = tmp_path / "bench.db", tmp_path / "other.db"
    with open_book(book, create=True) as db:
        new_set(db, SetPlan("larch", "outer", ("a",)))
    os.link(book, other)
    for name in (book, other):
        with pytest.raises(CoilbenchError, match="a second name"), hold_book(name):
            pytest.fail("held")
        with pytest.raises(CoilbenchError, match="a second name"), open_book(name):
            pytest.fail("opened")
        with pytest.raises(CoilbenchError, match="a second name"):
            BookState.read(name)
    copy_book(book, tmp_path / "copy.db")  # the way out
    other.unlink()
    for name in (book, tmp_path / "copy.db"):
        with open_book(name) as db, hold_book(name):
            assert set_names(db) == ["larch"]


def test_a_file_that_is_mounted_by_itself_is_refused(tmp_path, monkeypatch):
    """As proc(5) writes it: the mount point is the fifth field, a blank in it is \\040."""
    book = tmp_path / "my bench.db"
    book.touch()
    place = str(book).replace(" ", "\\040")
    line = f"36 35 98:0 /bench.db {place} rw - ext4 /dev/sda1 rw\n"
    table = tmp_path / "mountinfo"
    table.write_text("35 1 98:0 / / rw - ext4 /dev/sda1 rw\n")
    monkeypatch.setattr(copies, "_MOUNTS", table)
    with hold_book(book):
        pass
    table.write_text(table.read_text() + line)
    with pytest.raises(CoilbenchError, match="mounted by itself"), hold_book(book):
        pytest.fail("held")


def test_simulated_rigs_and_recordings_are_not_held(port):
    for url in ("virtual:?seed=1", "recording:a.wire"):
        with hold_port(url), hold_port(url):
            assert not port_lock_path(url).exists()


def test_a_folder_that_takes_no_lock_file_is_said_in_words(tmp_path):
    book = tmp_path / "none" / "there" / "a.db"
    Path(tmp_path / "none").touch()  # a file where a folder would be
    with pytest.raises(CoilbenchError, match="lock file cannot be created"), hold_book(book):
        pytest.fail("held")
    assert str(book_lock_path(book)).endswith("a.db.lock")


@pytest.mark.skipif(os.name == "nt", reason="links of POSIX")
def test_what_lies_where_the_lock_of_a_port_belongs_is_named_with_the_cure(port, tmp_path):
    taken = port_lock_path(port)
    taken.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(CoilbenchError, match=r"coilbench-port-.*TMPDIR") as told, hold_port(port):
        pytest.fail("held")
    assert str(taken) in str(told.value)
    assert not (tmp_path / "elsewhere").exists()


@pytest.mark.skipif(os.name == "nt", reason="links and pipes of POSIX")
@pytest.mark.parametrize("end", ["-wal", "-shm", "-journal"])
@pytest.mark.parametrize("what", ["a link", "no file"])
def test_what_is_no_journal_in_its_place_is_named_and_not_waited_at(tmp_path, end, what):
    book = tmp_path / "bench.db"
    with open_book(book, create=True) as db:
        new_set(db, SetPlan("larch", "outer", ("a",)))
    beside = tmp_path / f"bench.db{end}"
    beside.unlink(missing_ok=True)
    if what == "a link":
        beside.symlink_to(tmp_path / "elsewhere")
    else:
        os.mkfifo(beside)
    (tmp_path / "other.db").symlink_to(book)
    for name in (book, tmp_path / "other.db"):
        with pytest.raises(CoilbenchError, match=f"bench.db{end}: this is {what}"), open_book(name):
            pytest.fail("opened")


@pytest.mark.skipif(os.name == "nt" or os.geteuid() != 0, reason="only root gives a file away")
def test_a_journal_of_a_user_who_may_not_write_the_book_is_not_brought_in(tmp_path):
    book, beside = tmp_path / "bench.db", tmp_path / "bench.db-wal"
    with open_book(book, create=True) as db:
        new_set(db, SetPlan("larch", "outer", ("a",)))
    beside.write_bytes(b"")
    os.chown(beside, 65534, 65534)
    with pytest.raises(CoilbenchError, match="may not write the book"), open_book(book):
        pytest.fail("opened")
    book.chmod(0o666)  # shared: whoever may write the book may have a journal of it
    with open_book(book):
        pass


PRESS = (
    AS_STARTED_BY_HAND
    + """
import os, signal, sys
from pathlib import Path
from coilbench.capture.book import tallies
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, new_set

def fails(*_):
    if sys.argv[2] == "ctrl-c":
        os.kill(os.getpid(), signal.SIGINT)
    raise ValueError

fails.__module__ = tallies.__name__
tallies._sum = fails
try:
    with open_book(Path(sys.argv[1]), create=True) as db:
        new_set(db, SetPlan("larch", "outer", ("1",)))
except BaseException as error:
    print(type(error).__name__, end="")
"""
)


@pytest.mark.parametrize(("why", "told"), [("ctrl-c", "KeyboardInterrupt"), ("", "CoilbenchError")])
def test_ctrl_c_while_sqlite_calls_a_function_of_ours_stays_ctrl_c(
    tmp_path: Path, why: str, told: str
) -> None:
    arguments = [sys.executable, "-c", PRESS, str(tmp_path / "book.db"), why]
    done = subprocess.run(arguments, capture_output=True, text=True, check=False)
    assert (done.stdout, done.stderr) == (told, "")


def _stopped_and_not_undone(path: Path) -> None:
    with open_book(path, create=True) as db:
        try:
            raise KeyboardInterrupt
        finally:
            db.execute("DETACH what_is_not_there")


def test_ctrl_c_stays_ctrl_c_where_undoing_fails(tmp_path: Path) -> None:
    with pytest.raises(KeyboardInterrupt):
        _stopped_and_not_undone(tmp_path / "book.db")
