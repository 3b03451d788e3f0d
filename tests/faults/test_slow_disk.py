"""A disk that takes its time, a queue that overflows, a flood: lag, or a gap that is counted."""

import numpy as np
import pytest
from msgspec.structs import replace

from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sessions import CaptureRun
from coilbench.capture.running import reader as reader_module
from coilbench.capture.running.request import CaptureRequest
from coilbench.capture.running.session import Session
from coilbench.capture.strokes.stored import unpack
from coilbench.capture.virtual.bench import Bench, capture_steps
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.spring import OUTER, draw_set
from support.cable import Cable

RIG = RigModel.draw(4)
STEPS = capture_steps(draw_set(OUTER, 1, 4) * 2, presses=3)  # one spring: it is measured alone
TRUTH = np.concatenate([block.samples for block in Bench(RIG, STEPS, 4).blocks()])


class Run:
    """A session on a cable, its book on a disk that a test makes slow."""

    def __init__(self, book, cable):
        self.cable = cable
        self.session = Session(
            CaptureRequest(book, "larch", "cable:"),
            cable.open_again,
            lambda _: None,
            clock=cable.clock,
            pause=lambda _: None,
        )
        self.book = book

    def sweeps(self):
        with open_book(self.book) as db:
            return list(db.query("SELECT * FROM sweeps ORDER BY rowid"))


def slow_disk(monkeypatch, before):
    """Make each second's update of the book wait for `before`."""
    real = CaptureRun.update

    def slow(*what):
        before()
        real(*what)

    monkeypatch.setattr(CaptureRun, "update", slow)


def stored(row):
    samples = unpack(row["samples_format"], row["samples_blob"])
    for name in ("load_counts", "travel_counts"):
        np.testing.assert_array_equal(samples[name], TRUTH[name][samples["seq"]])
    return samples


@pytest.mark.parametrize(("queue_length", "room"), [(2000, 4096), (5, 10_000_000)])
def test_a_disk_that_takes_two_seconds_for_each_second_loses_nothing(
    make_book, monkeypatch, queue_length, room
):
    """What the queue can't hold waits at the port, as long as that has room."""
    monkeypatch.setattr(reader_module, "QUEUE_LENGTH", queue_length)
    run = Run(make_book(RIG, measured=9), Cable(RIG, STEPS, room=room))
    slow_disk(monkeypatch, lambda: run.cable.pass_time_read(2.0, run.session._reader))
    snapshot = run.session.run()
    assert (snapshot.samples_lost, snapshot.lines_bad, run.cable.bytes_dropped) == (0, 0, 0)
    assert snapshot.samples == run.cable.firmware.samples_offered == len(TRUTH)
    assert [row["status"] for row in run.sweeps()] == ["complete"] * 6
    for row in run.sweeps():
        stored(row)


def test_a_queue_that_overflows_is_a_gap_that_is_counted(make_book, monkeypatch):
    """The disk stands still for nine seconds, and the queue holds less than one: the rest of it
    is lost at the port, is counted to the sample, and no stroke with a hole counts as measured.
    """
    monkeypatch.setattr(reader_module, "QUEUE_LENGTH", 5)
    run = Run(make_book(RIG, conditioning=0, measured=9), Cable(RIG, STEPS))
    halts = iter([0.0, 0.0, 9.0])
    slow_disk(monkeypatch, lambda: run.cable.pass_time(next(halts, 0.0)))
    snapshot = run.session.run()
    assert run.cable.bytes_dropped > 100 * 42
    assert snapshot.samples_lost > 100
    assert snapshot.samples + snapshot.samples_lost == run.cable.firmware.samples_offered
    with open_book(run.book) as db:
        (lost,) = db.execute("SELECT samples_lost FROM sessions").fetchone()
    assert lost == snapshot.samples_lost
    rows = run.sweeps()
    assert rows[-1]["status"] == "complete"  # it went on
    for row in rows:
        holes = (np.diff(stored(row)["seq"]) > 1).any()
        assert not (holes and row["counted"])


def test_a_flood_at_a_hundred_times_the_rate_is_taken_whole(make_book):
    fast = replace(RIG, rate_hz=100.0 * RIG.rate_hz, jitter_us=RIG.jitter_us / 100.0)
    steps = capture_steps(draw_set(OUTER, 1, 4), presses=1)
    cable = Cable(fast, steps, room=65_536, frame_samples=64)
    run = Run(make_book(RIG, springs=1, measured=9), cable)
    snapshot = run.session.run()
    assert snapshot.samples == cable.firmware.samples_offered > 30_000
    assert (snapshot.samples_lost, snapshot.lines_bad, snapshot.restarts) == (0, 0, 0)
    assert [row["status"] for row in run.sweeps()] == ["complete"]
    assert snapshot.rate_hz == pytest.approx(100.0 * RIG.rate_hz, rel=0.01)
