"""A session when the book fails: unknown set, taken, full, locked, left by a killed capture."""

import sqlite3
from contextlib import closing

import pytest

from coilbench.capture.blocks import RawBlock
from coilbench.capture.book import opening
from coilbench.capture.book.calibrations import current_calibration
from coilbench.capture.book.locks import hold_book
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sessions import CaptureRun
from coilbench.capture.book.sets import SetPlan, find_set, new_set
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running import session as module
from coilbench.capture.running.commands import EventKind
from coilbench.capture.running.recorder import Recorder
from coilbench.capture.strokes.stored import unpack
from support import stage as scene
from support.edits import harm

BOOT = scene.BOOT
Clock = scene.Clock
FakeSource = scene.FakeSource
Stage = scene.Stage
ENDED = scene.ENDED
HALF = scene.HALF
PRESS = scene.PRESS
RIG = scene.RIG
ended = scene.ended
later = scene.later
sweeps = scene.sweeps


@pytest.fixture
def book(make_book):
    return make_book(RIG)


@pytest.fixture
def clock():
    return Clock()


@pytest.mark.parametrize("set_name", ["birch", ""])
def test_an_unknown_set_is_refused_before_the_port_is_touched(book, set_name):
    with pytest.raises(CoilbenchError, match=r"no set.*larch"):
        Stage(book, set_name=set_name).run()


def test_a_book_without_a_calibration_is_refused(tmp_path):
    path = tmp_path / "new.db"
    with open_book(path, create=True) as db:
        new_set(db, SetPlan("larch", "outer", ("a",)))
    with pytest.raises(CoilbenchError, match="load is not calibrated"):
        Stage(path).run()


@pytest.mark.parametrize("content", [None, "a text", "another program's"])
def test_what_is_no_book_is_refused_and_nothing_is_left_beside_it(tmp_path, content):
    path = tmp_path / "folder" / "new.db"
    path.parent.mkdir()
    if content == "another program's":
        with closing(sqlite3.connect(path)) as other:
            other.execute("CREATE TABLE theirs (a)")
    elif content is not None:
        path.write_text(content)
    before = {file: file.read_bytes() for file in path.parent.iterdir()}
    with pytest.raises(CoilbenchError):
        Stage(path).run()
    after = {file: file.read_bytes() for file in path.parent.iterdir()}
    assert after == before


def test_a_book_that_another_capture_writes_is_refused(book):
    with hold_book(book), pytest.raises(CoilbenchError, match="another coilbench capture"):
        Stage(book).run()


def test_a_full_disk_ends_it_in_one_line_and_earlier_sweeps_are_safe(book, clock):
    with open_book(book) as db:
        (pages,) = db.execute("PRAGMA page_count").fetchone()
    stage = Stage(book, FakeSource(clock, *[later(PRESS, n) for n in range(40)]), clock=clock)
    real = module.open_book

    class Small:
        """The book on a disk that has room for a few pages more."""

        def __enter__(self):
            self.inner = real(book)
            db = self.inner.__enter__()
            db.execute(f"PRAGMA max_page_count = {pages + 6}")
            return db

        def __exit__(self, *error):
            return self.inner.__exit__(*error)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(module, "open_book", lambda *_, **__: Small())
        with pytest.raises(CoilbenchError, match="disk is full; what was stored before is safe"):
            stage.run()
    kept = len(stage.found(EventKind.KEPT))
    assert kept > 0
    stored = sweeps(book)
    assert [row["status"] for row in stored[:kept]] == ["complete"] * kept
    for row in stored:
        assert len(unpack(row["samples_format"], row["samples_blob"])) == row["samples"]


def test_a_book_locked_in_mid_capture_ends_it_in_one_line(book, clock, monkeypatch):
    monkeypatch.setattr(opening, "BUSY_TIMEOUT_S", 0.02)
    blocker = sqlite3.connect(book, isolation_level=None, check_same_thread=False)

    def lock():
        blocker.execute("BEGIN IMMEDIATE")
        return later(PRESS, 1)

    stage = Stage(book, FakeSource(clock, PRESS, lock), clock=clock)
    try:
        with pytest.raises(CoilbenchError, match="locked by another program"):
            stage.run()
    finally:
        blocker.close()
    assert len(sweeps(book)) >= len(stage.found(EventKind.KEPT))


def test_what_a_killed_capture_left_is_closed_and_said(book, clock):
    with open_book(book) as db:
        CaptureRun.begin(db, find_set(db, "larch").set_id, "fake:", None, None)
        dead = CaptureRun.begin(db, find_set(db, "larch").set_id, "fake:", None, None)
        recorder = Recorder(
            db, dead, find_set(db, "larch"), current_calibration(db), lambda _: None
        )
        recorder.process(RawBlock(HALF, BOOT))
        recorder.flush()
    stage = Stage(book, FakeSource(clock, ENDED), clock=clock)
    stage.run()
    assert ended(book)[-1] == "source ended"
    assert [row["status"] for row in sweeps(book)] == ["interrupted"]
    (rescued,) = stage.found(EventKind.RESCUED)
    assert (rescued.kind, rescued["strokes"], rescued["kept"]) == ("strokes_rescued", 1, 0)
    (stroke,) = rescued["rescued"]
    assert (stroke["set"], stroke["label"], stroke["purpose"]) == (
        "larch",
        "larch-01",
        "conditioning",
    )
    assert stroke["samples"] == sweeps(book)[0]["samples"]
    assert stroke["seconds"] == pytest.approx(stroke["samples"] / RIG.rate_hz, abs=0.1)
    assert stroke["lowest_mm"] == pytest.approx(26.0, abs=0.3)


def test_a_killed_captures_stroke_that_cannot_be_rescued_is_said(book, clock):
    with open_book(book) as db:
        dead = CaptureRun.begin(db, find_set(db, "larch").set_id, "fake:", None, None)
        recorder = Recorder(
            db, dead, find_set(db, "larch"), current_calibration(db), lambda _: None
        )
        recorder.process(RawBlock(HALF, BOOT))
        recorder.flush()
    assert harm(book, "UPDATE stroke_chunks SET zero_counts = 1.0")
    stage = Stage(book, FakeSource(clock, ENDED), clock=clock)
    stage.run()
    assert sweeps(book) == []
    (left,) = stage.found(EventKind.RESCUED)
    assert (left.kind, left["kept"], left["unread"]) == ("cut_off_before", 0, 1)
