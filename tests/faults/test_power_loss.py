"""Power lost at any moment: the files as the disk has them open, with all that was told in them.

The model: what a commit has synced is there (`synchronous = FULL`, see test_book_opening); of what
was written after it, the journal's tail, any part may be missing or be rubbish.
"""

import sqlite3
from contextlib import closing

import numpy as np
import pytest

from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sessions import CaptureRun
from coilbench.capture.running.commands import EventKind
from coilbench.capture.strokes.stored import unpack
from support import stage as scene

STROKES = 4
SENT = np.concatenate([scene.later(scene.PRESS, turn) for turn in range(STROKES)])


class Moment:
    """The book's files at the moment something was told, and how many strokes had been told."""

    def __init__(self, book, told):
        self.told = told
        self.files = {
            suffix: path.read_bytes()
            for suffix in ("", "-wal")
            if (path := book.with_name(book.name + suffix)).exists()
        }


def after_power_loss(tmp_path, main, journal):
    """Open files as they may be found; they must be sound; returns the finished strokes."""
    found = tmp_path / "found.db"
    for path in tmp_path.glob("found.db*"):
        path.unlink()
    found.write_bytes(main)
    found.with_name("found.db-wal").write_bytes(journal)
    with open_book(found) as db:
        (sound,) = db.execute("PRAGMA integrity_check").fetchone()
        rows = list(db.query("SELECT * FROM sweeps ORDER BY rowid"))
        (open_sessions,) = db.execute(
            "SELECT count(*) FROM sessions WHERE ended_utc IS NULL"
        ).fetchone()
    assert (sound, open_sessions) == ("ok", 0)
    for row in rows:
        samples = unpack(row["samples_format"], row["samples_blob"])
        assert len(samples) == row["samples"]
        assert samples.tobytes() == SENT[samples["seq"]].tobytes()
    return [row for row in rows if row["status"] == "complete"]


@pytest.fixture
def moments(make_book, monkeypatch):
    """The files at each thing told, and at each second's flush, of a capture of four strokes."""
    book = make_book(scene.RIG, conditioning=0, measured=20)
    clock = scene.Clock()
    clock.in_step(monkeypatch)
    pieces = np.array_split(SENT, len(SENT) // 9)
    found, told = [], []
    run = scene.Stage(book, scene.FakeSource(clock, *pieces, scene.ENDED), clock=clock)

    def hear(event):
        if event.kind is EventKind.KEPT:
            told.append(event)
        found.append(Moment(book, len(told)))

    monkeypatch.setattr(run, "hear", hear)
    monkeypatch.setattr(run.session, "_tell", hear)
    real = CaptureRun.update

    def flush(*what):
        real(*what)
        found.append(Moment(book, len(told)))

    monkeypatch.setattr(CaptureRun, "update", flush)
    run.run()
    assert len(told) == STROKES
    return found


def test_a_copy_at_any_moment_opens_with_all_that_was_told(moments, tmp_path):
    assert len(moments) > 3 * STROKES
    for moment in moments:
        complete = after_power_loss(tmp_path, moment.files[""], moment.files.get("-wal", b""))
        assert len(complete) >= moment.told


def test_a_torn_or_scribbled_journal_costs_nothing_that_was_told(moments, tmp_path):
    """Cut anywhere after the last commit that was told, or with rubbish from there on."""
    rng = np.random.default_rng(1)
    last = moments[-1].files["-wal"]
    tried = 0
    for moment in moments:
        journal = moment.files["-wal"]
        if not last.startswith(journal) or moment.files[""] != moments[-1].files[""]:
            continue  # the journal was started again
        cut = int(rng.integers(len(journal), len(last) + 1))
        rubbish = rng.bytes(int(rng.integers(0, 9000)))
        for tail in (b"", rubbish):
            complete = after_power_loss(tmp_path, moment.files[""], last[:cut] + tail)
            assert len(complete) >= moment.told
            tried += 1
    assert tried >= 2 * STROKES


def test_a_copy_in_the_midst_of_any_transaction_opens(make_book, tmp_path):
    """Copies between the statements of a transaction that another connection has under way."""
    book = make_book(scene.RIG, conditioning=0, measured=20)
    clock = scene.Clock()
    scene.Stage(book, scene.FakeSource(clock, scene.PRESS, scene.ENDED), clock=clock).run()
    with closing(sqlite3.connect(book, isolation_level=None)) as writer:
        writer.execute("PRAGMA cache_size = 1")  # so that unfinished pages reach the journal
        writer.execute("BEGIN IMMEDIATE")
        for n in range(40):
            writer.execute(f"CREATE TABLE t{n} AS SELECT randomblob(20000) AS unfinished")
            if n % 10 == 9:
                moment = Moment(book, 1)
                assert len(moment.files["-wal"]) > 40_000
                complete = after_power_loss(tmp_path, moment.files[""], moment.files["-wal"])
                assert len(complete) == 1
        writer.execute("ROLLBACK")


def test_cut_off_while_the_journal_is_brought_in_it_opens_with_all_told(moments, tmp_path):
    """A checkpoint copies page after page into the book; the journal goes only after them all."""
    moment = moments[-1]
    before = moment.files[""]
    brought_in = tmp_path / "brought-in.db"
    brought_in.write_bytes(before)
    brought_in.with_name("brought-in.db-wal").write_bytes(moment.files["-wal"])
    with closing(sqlite3.connect(brought_in)) as book:
        (page,) = book.execute("PRAGMA page_size").fetchone()
        book.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    after = brought_in.read_bytes()
    assert len(after) > len(before)
    for cut in range(0, len(after) + 1, page):
        found = after[:cut] + before[cut:]
        complete = after_power_loss(tmp_path, found, moment.files["-wal"])
        assert len(complete) >= moment.told
