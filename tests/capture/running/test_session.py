"""A session's way from the source into the book, on a rig that says what is written down."""

from itertools import pairwise

import numpy as np
import pytest
from msgspec.structs import replace

from coilbench.capture.blocks import Finding
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sessions import CaptureRun
from coilbench.capture.book.sets import SetPlan, new_set
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running import questions
from coilbench.capture.running.commands import Action, Command, EventKind
from coilbench.capture.running.reader import UNWATCHED_GATHER_S
from coilbench.capture.running.request import CaptureRequest
from coilbench.capture.running.session import Session
from coilbench.capture.sources.losses import SourceLost
from coilbench.capture.strokes.judging import Purpose, Turn
from coilbench.capture.strokes.stored import unpack
from coilbench.capture.virtual.bench import PressSpring, Rest, StrokeKind
from support import stage as scene

Clock = scene.Clock
FakeSource = scene.FakeSource
Stage = scene.Stage
ENDED = scene.ENDED
QUIET = scene.QUIET
later = scene.later
HALF = scene.HALF
LOST = scene.LOST
PRESS = scene.PRESS
RIG = scene.RIG
SPRINGS = scene.SPRINGS
bench_samples = scene.bench_samples
ended = scene.ended
read = scene.read
sweeps = scene.sweeps


@pytest.fixture
def book(make_book):
    return make_book(RIG)


@pytest.fixture
def clock():
    return Clock()


def test_a_source_that_ends_closes_the_session(book, clock):
    stage = Stage(book, FakeSource(clock, PRESS, ENDED), clock=clock)
    snapshot = stage.run()
    assert stage.found(EventKind.LINK) == [
        Finding.of("connected", source="fake:", firmware="own-1", device_id=RIG.device_id)
    ]
    assert len(stage.found(EventKind.KEPT)) == 1
    assert (snapshot.samples, snapshot.link, snapshot.springs) == (len(PRESS), "up", 2)
    assert snapshot.turn == Turn("larch-01", Purpose.MEASURED, 1, 2)
    assert ended(book) == ["source ended"]
    (row,) = read(book, "SELECT * FROM sessions")
    assert (row["samples"], row["device_id"]) == (len(PRESS), RIG.device_id)


def test_a_recording_that_cannot_be_read_further_ends_it_in_its_own_words(book, clock):
    source = FakeSource(clock, PRESS, SourceLost("nothing_readable", where="fake:", kib=64))
    source.comes_back = False
    stage = Stage(book, source, clock=clock)
    with pytest.raises(SourceLost, match="nothing readable in 64 KiB"):
        stage.run()
    assert len(stage.found(EventKind.KEPT)) == 1
    assert len(read(book, "SELECT * FROM sweeps")) == 1


def test_what_is_asked_for_each_second_comes_soon_and_else_it_may_gather(book, clock, monkeypatch):
    clock.in_step(monkeypatch)
    watched = []

    class Noting(FakeSource):
        def poll(self, timeout_s):
            if hasattr(self, "gather_s"):
                watched.append(self.gather_s < UNWATCHED_GATHER_S)
                if 30 <= len(watched) < 60:  # each stands for 0.1 s
                    assert stage.session.snapshot.set_name == "larch"
            return super().poll(timeout_s)

    pieces = np.array_split(PRESS, 100)
    stage = Stage(book, Noting(clock, *pieces, ENDED), clock=clock)
    stage.run()
    assert not any(watched[5:30])
    assert all(watched[32:60])
    assert not any(watched[85:])  # two seconds later


def test_a_stroke_that_the_end_cuts_off_is_kept_as_interrupted(book, clock):
    Stage(book, FakeSource(clock, HALF, ENDED), clock=clock).run()
    (row,) = sweeps(book)
    assert (row["status"], row["counted"]) == ("interrupted", 0)
    assert unpack(row["samples_format"], row["samples_blob"])["seq"][-1] == HALF["seq"][-1]
    assert read(book, "SELECT * FROM stroke_chunks") == []


def test_a_set_that_is_done_ends_it_at_once_and_again(make_book, clock):
    book = make_book(RIG, springs=1, conditioning=0, measured=1)
    stage = Stage(book, FakeSource(clock, PRESS), clock=clock)
    assert stage.run().turn is None
    assert stage.kinds(EventKind.DONE) == ["set_done"]
    assert ended(book) == ["set done"]
    again = Stage(book, FakeSource(clock, PRESS), clock=clock)
    again.run()
    assert again.kinds(EventKind.DONE) == ["set_done_before"]
    assert len(sweeps(book)) == 1


def test_the_very_last_stroke_can_be_redone_while_the_end_is_held_open(
    make_book, clock, monkeypatch
):
    clock.in_step(monkeypatch)
    book = make_book(RIG, springs=1, conditioning=0, measured=1)

    def redo():
        stage.session.submit(Command(Action.REDO))
        return PRESS[:0]

    def finish():
        clock.patience_s = 0.01  # nobody looks any more
        for _ in range(2):  # it asks once
            stage.session.submit(Command(Action.FINISH))
        return PRESS[:0]

    source = FakeSource(
        clock, PRESS, QUIET, QUIET, redo, QUIET, QUIET, later(PRESS, 1), QUIET, finish
    )
    stage = Stage(book, source, clock=clock, linger_s=30.0)
    assert stage.run().turn is None
    assert stage.found(EventKind.REDO) == [Finding.of("redo", label="larch-01")]
    assert [row["counted"] for row in sweeps(book)] == [0, 1]
    assert ended(book) == ["set done"]


def test_a_set_that_is_done_ends_by_itself_after_a_while(make_book, clock, monkeypatch):
    clock.in_step(monkeypatch)
    book = make_book(RIG, springs=1, conditioning=0, measured=1)
    clock.patience_s = 0.3
    seen = []

    def look():
        seen.append(stage.session.snapshot.ends_in_s)
        return PRESS[:0]

    stage = Stage(book, FakeSource(clock, PRESS, *[look] * 60), clock=clock, linger_s=2.0)
    assert stage.run().turn is None
    told = [left for left in seen if left is not None]
    assert told
    assert told[-1] < told[0] <= 2.0
    assert ended(book) == ["set done"]


def test_a_set_that_is_done_and_not_closed_is_closed_when_it_is_opened_again(make_book, clock):
    book = make_book(RIG, conditioning=0, measured=1)
    samples = bench_samples([Rest(2.0), *[PressSpring(one, 26.0) for one in SPRINGS], Rest(1.0)])
    stage = Stage(book, FakeSource(clock, samples, ENDED), clock=clock, linger_s=30.0)
    assert stage.run().turn is None
    assert stage.kinds(EventKind.DONE) == ["set_done"]
    again = Stage(book, FakeSource(clock, later(PRESS, 1), ENDED), clock=clock, linger_s=30.0)
    assert again.run().closing is None
    assert again.kinds(EventKind.TURN)[0] == "closing_wanted"
    assert again.kinds(EventKind.DONE) == ["set_closed"]
    third = Stage(book, FakeSource(clock, PRESS), clock=clock, linger_s=30.0)
    third.run()
    assert third.kinds(EventKind.DONE) == ["set_done_before"]


def test_finish_ends_a_set_that_is_not_done_and_says_so_in_the_book(book, clock, monkeypatch):
    clock.in_step(monkeypatch)
    monkeypatch.setattr(questions, "READ_S", 0.0)  # tested by its own clock elsewhere

    def finish():
        clock.patience_s = 0.01  # nobody looks any more
        for _ in range(2):  # it asks once
            stage.session.submit(Command(Action.FINISH))
        return PRESS[:0]

    stage = Stage(book, FakeSource(clock, PRESS, QUIET, QUIET, finish), clock=clock)
    assert stage.run().turn == Turn("larch-01", Purpose.MEASURED, 1, 2)
    assert ended(book) == ["finished by hand"]
    assert stage.found(EventKind.QUESTION) == [
        Finding.of("finish_unfinished", left=2, labels=["larch-01", "larch-02"], springs=2)
    ]


def test_a_flood_of_commands_is_refused_not_queued_without_end(book, clock):
    session = Stage(book, clock=clock).session
    for _ in range(16):
        session.submit(Command(Action.SKIP))
    with pytest.raises(CoilbenchError, match="busy"):
        session.submit(Command(Action.SKIP))


def test_a_stop_takes_what_has_arrived_and_closes(book, clock, monkeypatch):
    clock.in_step(monkeypatch)

    def stop():
        stage.session.stop()
        return HALF

    stage = Stage(book, FakeSource(clock, stop), clock=clock)
    stage.run()
    (row,) = sweeps(book)
    assert row["status"] == "interrupted"
    assert unpack(row["samples_format"], row["samples_blob"])["seq"][-1] == HALF["seq"][-1]
    assert ended(book) == ["stopped"]


def test_a_stop_before_the_rig_answers_ends_without_an_error(book, clock):
    def stop():
        stage.session.stop()
        return LOST

    stage = Stage(book, FakeSource(clock, hello=stop), clock=clock)
    stage.run()
    assert read(book, "SELECT * FROM sessions") == []
    assert stage.events == []


def test_the_running_stroke_is_flushed_each_second(book, clock, monkeypatch):
    stored = []
    real = CaptureRun.store_chunk

    def note(run, chunk, samples, stroke):
        stored.append((clock.now_s, int(samples["seq"][-1])))
        real(run, chunk, samples, stroke)

    monkeypatch.setattr(CaptureRun, "store_chunk", note)
    clock.in_step(monkeypatch)
    slow = bench_samples([Rest(2.0), PressSpring(SPRINGS[0], 26.0, StrokeKind.SLOW)])
    slow = slow[: int(np.argmax(slow["travel_counts"]))]
    pieces = np.array_split(slow, len(slow) // 9)  # 0.1 s each
    Stage(book, FakeSource(clock, *pieces, ENDED), clock=clock).run()
    assert len(stored) >= 4
    for (before_s, before), (after_s, after) in pairwise(stored):
        assert after_s - before_s < 1.35
        assert after - before < 1.35 * RIG.rate_hz
    heard = (stored[-1][0] - 0.1) / 0.1 * len(slow) / len(pieces)
    assert stored[-1][1] >= heard - 0.35 * RIG.rate_hz  # nothing of note waits elsewhere


@pytest.mark.parametrize("reach_mm", [24.9, 24.0, 10.0])
def test_nobody_is_asked_to_press_a_spring_to_solid(book, clock, reach_mm):
    with open_book(book) as db:
        plan = SetPlan("rowan", "outer", ("r-1",), solid_height_mm=24.0)
        new_set(db, plan)
    request = CaptureRequest(book, "rowan", "fake:", reach_height_mm=reach_mm)
    session = Session(request, lambda: FakeSource(clock, PRESS, ENDED), lambda _: None, clock=clock)
    with pytest.raises(CoilbenchError, match=r"\b24 mm.*\b25 mm"):
        session.run()
    Session(
        replace(request, reach_height_mm=25.0),
        lambda: FakeSource(clock, PRESS, ENDED),
        lambda _: None,
        clock=clock,
    ).run()
