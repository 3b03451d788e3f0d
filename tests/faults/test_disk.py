"""A disk that is full or may not be written: one line, exit 2, and all that was told is safe."""

import subprocess
import sys

import pytest

from coilbench.analysis.cli import run
from coilbench.capture.book.opening import open_book
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running import session as session_module
from coilbench.capture.running.commands import EventKind
from support import stage as scene
from support.signals import AS_STARTED_BY_HAND

resource = pytest.importorskip("resource", reason="no limits on a process's files here")

ROOM_BYTES = 60_000  # for the journal; some five strokes

DAEMON = (
    AS_STARTED_BY_HAND
    + """
import resource, sys
resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]),) * 2)
from coilbench.analysis.cli import run
sys.exit(run(["--book", sys.argv[1], "daemon", "--set", "larch", "--port", sys.argv[2]]))
"""
)


def test_a_daemon_whose_disk_takes_no_more_ends_in_one_line_with_all_it_told(make_book):
    """The limit on a file's size is the system's: the write itself fails, as on a full disk."""
    book = make_book(scene.RIG, springs=6, conditioning=0, measured=5)
    limit = book.stat().st_size + ROOM_BYTES
    url = "virtual:?seed=4&pace=fast&springs=6&presses=5"
    done = subprocess.run(
        [sys.executable, "-c", DAEMON, str(book), url, str(limit)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 2
    assert done.stderr.startswith(f"coilbench: {book}: ")
    assert done.stderr.count("\n") == 1
    assert "the book cannot be opened or written" in done.stderr
    told = sum(" kg at " in line for line in done.stdout.splitlines())
    assert told > 0
    with open_book(book) as db:
        counted = db.execute("SELECT count(*) FROM sweeps WHERE counted").fetchone()
        sound = db.execute("PRAGMA integrity_check").fetchone()
    assert counted[0] >= told
    assert sound == ("ok",)


def test_a_book_that_becomes_read_only_ends_it_in_one_line(make_book, monkeypatch):
    """As where a stick's switch is turned or a system remounts a failing disk read-only."""
    book = make_book(scene.RIG, conditioning=0, measured=20)
    clock = scene.Clock()
    real = session_module.open_book
    opened = []

    class Watched:
        def __enter__(self):
            self.inner = real(book)
            opened.append(self.inner.__enter__())
            return opened[0]

        def __exit__(self, *error):
            return self.inner.__exit__(*error)

    def turn_the_switch(event):
        stage.hear(event)
        if event.kind is EventKind.KEPT:
            opened[0].execute("PRAGMA query_only = ON")

    source = scene.FakeSource(clock, scene.PRESS, scene.later(scene.PRESS, 1))
    stage = scene.Stage(book, source, clock=clock)
    monkeypatch.setattr(session_module, "open_book", lambda *_, **__: Watched())
    monkeypatch.setattr(stage.session, "_tell", turn_the_switch)
    with pytest.raises(CoilbenchError, match="the book cannot be written"):
        stage.run()
    monkeypatch.undo()
    assert len(stage.found(EventKind.KEPT)) == 1
    assert len(scene.sweeps(book)) == 1


def test_a_book_on_a_disk_that_may_not_be_written_changes_nothing(make_book, monkeypatch, capsys):
    book = make_book(scene.RIG)
    before = book.read_bytes()
    real = session_module.open_book

    class ReadOnly:
        def __enter__(self):
            self.inner = real(book)
            db = self.inner.__enter__()
            db.execute("PRAGMA query_only = ON")
            return db

        def __exit__(self, *error):
            return self.inner.__exit__(*error)

    monkeypatch.setattr(session_module, "open_book", lambda *_, **__: ReadOnly())
    port = "virtual:?seed=4&pace=fast&springs=1"
    assert run(["--book", str(book), "daemon", "--port", port, "--set", "larch"]) == 2
    assert "the book cannot be written" in capsys.readouterr().err
    assert book.read_bytes() == before
