"""A day and a night at the press in compressed time: memory and journal do not grow.

    COILBENCH_HOURS=24 python -m pytest -s tests/faults/test_long_run.py

runs the whole day, which takes some minutes; without it, the suite runs six minutes.
"""

import gc
import math
import os
import sys
from pathlib import Path

import numpy as np
import pytest

from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sessions import CaptureRun
from coilbench.capture.running import reader as reader_module
from coilbench.capture.running.request import CaptureRequest
from coilbench.capture.running.session import Session
from support import stage as scene

HOURS = float(os.environ.get("COILBENCH_HOURS", "0.1"))
PIECE = int(0.1 * scene.RIG.rate_hz)  # what a poll brings
TURNS = round(HOURS * 3600.0 * scene.RIG.rate_hz / len(scene.PRESS))
EACH = math.isqrt(TURNS) + 1  # strokes of a spring, and springs: each is judged beside its others
WARM = 20  # presses until everything that is made once has been made
LOOK_EVERY = max(5, TURNS // 100)
GROWTH_BLOCKS = 2000  # ours; a list with an entry a poll gives more than twice as many in the suite


def held():
    """Return how many blocks of memory Python holds, and how many bytes the process."""
    gc.collect()  # what waits to be collected is no growth
    pages = Path("/proc/self/statm").read_text().split()[1]
    return sys.getallocatedblocks(), int(pages) * os.sysconf("SC_PAGE_SIZE")


class Day(scene.FakeSource):
    """One press after another, a poll a tenth of a second; notes the memory as it goes on."""

    def __init__(self, clock):
        super().__init__(clock)
        self.held = []
        self._pieces = self._all()

    def _all(self):
        yield scene.HELLO
        for turn in range(TURNS):
            for start in range(0, len(scene.PRESS), PIECE):
                piece = scene.later(scene.PRESS, turn)[start : start + PIECE]
                self._clock.now_s += len(piece) / scene.RIG.rate_hz
                yield piece
            if turn >= WARM and turn % LOOK_EVERY == 0:
                self.held.append(held())
        yield scene.ENDED

    def poll(self, timeout_s):
        self._script = iter([next(self._pieces)])
        return super().poll(timeout_s)


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="no telling here (Linux)")
def test_memory_and_journal_do_not_grow_with_the_day(make_book, monkeypatch):
    book = make_book(scene.RIG, springs=EACH, conditioning=0, measured=EACH)
    monkeypatch.setattr(reader_module, "QUEUE_LENGTH", 4)  # what waits there is no growth either
    clock = scene.Clock()
    day = Day(clock)
    journal_bytes = 0
    real = CaptureRun.update

    def watched(*what):
        nonlocal journal_bytes  # a list of them would be a growth of our own
        real(*what)
        journal_bytes = max(journal_bytes, book.with_name(book.name + "-wal").stat().st_size)

    monkeypatch.setattr(CaptureRun, "update", watched)
    session = Session(
        CaptureRequest(book, "larch", "fake:"),
        lambda: day,
        lambda _: None,
        clock=clock,
        pause=lambda _: None,
    )
    snapshot = session.run()
    assert snapshot.samples == TURNS * len(scene.PRESS)
    assert (snapshot.samples_lost, snapshot.springs_done) == (0, TURNS // EACH)
    with open_book(book) as db:
        (kept,) = db.execute("SELECT count(*) FROM sweeps WHERE status = 'complete'").fetchone()
    assert kept == TURNS
    seen = np.array(day.held)
    part = len(seen) // 3
    blocks, size = np.median(seen[-part:], axis=0) - np.median(seen[:part], axis=0)
    print(
        f"{HOURS:g} h, {snapshot.samples} samples, {kept} strokes: {blocks:+.0f} blocks held, "
        f"{size / 1e6:+.1f} MB in memory, journal at most {journal_bytes / 1e6:.1f} MB, "
        f"book {book.stat().st_size / 1e6:.1f} MB"
    )
    assert blocks < GROWTH_BLOCKS
    assert journal_bytes < 8_000_000  # SQLite brings it in at 1000 pages, some 4 MB
