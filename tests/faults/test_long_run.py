"""A day and a night at the press in compressed time: memory and journal do not grow.

    COILBENCH_HOURS=24 python -m pytest -s tests/faults/test_long_run.py

runs the whole day, which takes some minutes; without it, the suite runs half an hour of it.
"""

import gc
import importlib
import os
import tracemalloc
from pathlib import Path

import numpy as np

from coilbench.capture.book.opening import open_book
from coilbench.capture.running.session import CaptureRequest, Session

scene = importlib.import_module("stage")

HOURS = float(os.environ.get("COILBENCH_HOURS", "0.5"))
SECOND = int(scene.RIG.rate_hz)
TURNS = round(HOURS * 3600.0 * scene.RIG.rate_hz / len(scene.PRESS))
WARM = 40  # presses until everything that is made once has been made
LOOK_EVERY = max(5, TURNS // 100)
TRACED = HOURS <= 1.0
GROWTH_BYTES = 150_000 if TRACED else 5_000_000  # ours; a list with an entry a sample gives more


def held_bytes():
    """Return what Python holds; of a long run, what the process holds: tracing takes its time."""
    gc.collect()  # what waits to be collected is no growth
    if tracemalloc.is_tracing():
        return tracemalloc.get_traced_memory()[0]
    pages = Path("/proc/self/statm").read_text().split()[1]
    return int(pages) * os.sysconf("SC_PAGE_SIZE")


class Day(scene.FakeSource):
    """One press after another, a second of samples a poll; notes the memory as it goes on."""

    def __init__(self, clock):
        super().__init__(clock)
        self.held_bytes = []
        self._pieces = self._all()

    def _all(self):
        yield scene.HELLO
        for turn in range(TURNS):
            for start in range(0, len(scene.PRESS), SECOND):
                piece = scene.later(scene.PRESS, turn)[start : start + SECOND]
                self._clock.now_s += len(piece) / scene.RIG.rate_hz
                yield piece
            if turn >= WARM and turn % LOOK_EVERY == 0:
                self.held_bytes.append(held_bytes())
        yield scene.ENDED

    def poll(self, timeout_s):
        self._script = iter([next(self._pieces)])
        return super().poll(timeout_s)


def test_memory_and_journal_do_not_grow_with_the_day(make_book, monkeypatch):
    book = make_book(scene.RIG, springs=1, conditioning=0, measured=TURNS + 1)
    clock = scene.Clock()
    clock.in_step(monkeypatch)
    day = Day(clock)
    journal_bytes = []
    real = scene.module.update_session

    def watched(*what):
        real(*what)
        journal_bytes.append(book.with_name(book.name + "-wal").stat().st_size)

    monkeypatch.setattr(scene.module, "update_session", watched)
    session = Session(
        CaptureRequest(book, "larch", "fake:"),
        lambda: day,
        lambda _: None,
        clock=clock,
        pause=lambda _: None,
    )
    look = session._see
    session._see = lambda *args: (look(*args), clock.looks.set())
    if TRACED:
        tracemalloc.start()
    try:
        snapshot = session.run()
    finally:
        tracemalloc.stop()
    assert snapshot.samples == TURNS * len(scene.PRESS)
    assert (snapshot.samples_lost, snapshot.springs_done) == (0, 0)
    with open_book(book) as db:
        (kept,) = db.execute("SELECT count(*) FROM sweeps WHERE status = 'complete'").fetchone()
    assert kept == TURNS
    held = np.array(day.held_bytes)
    part = len(held) // 3
    growth = float(np.median(held[-part:]) - np.median(held[:part]))
    print(
        f"{HOURS:g} h, {snapshot.samples} samples, {kept} strokes: {growth / 1e3:+.1f} kB held,"
        f" journal at most {max(journal_bytes) / 1e6:.1f} MB,"
        f" book {book.stat().st_size / 1e6:.1f} MB"
    )
    assert growth < GROWTH_BYTES
    assert max(journal_bytes) < 8_000_000  # SQLite brings it in at 1000 pages, some 4 MB
