"""A session on a rig that says what a test has written down; shared by the tests of a session."""

import threading

import numpy as np
from msgspec.structs import replace

from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Hello, LinkCounters, RawBlock
from coilbench.capture.book.opening import open_book
from coilbench.capture.running import session as module
from coilbench.capture.running.request import CaptureRequest
from coilbench.capture.running.session import Session
from coilbench.capture.sources.base import SourceEnded
from coilbench.capture.sources.losses import SourceLost
from coilbench.capture.virtual.bench import Bench, PressSpring, Rest
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.spring import OUTER, draw_set

RIG = RigModel.draw(4)
SPRINGS = draw_set(OUTER, 2, 4)
BOOT = 0xB007
HELLO = Hello(1, "own-1", RIG.device_id, BOOT, 80.0, "quadrature", 5.0)
LOST = SourceLost("port_unplugged", where="fake:")
ENDED = SourceEnded("at its end", where="fake:")
QUIET = object()


def bench_samples(steps, seed=4):
    return np.concatenate([block.samples for block in Bench(RIG, steps, seed).blocks()])


PRESS = bench_samples([Rest(2.0), PressSpring(SPRINGS[0], 26.0), Rest(1.0)])
HALF = PRESS[: int(np.argmax(PRESS["travel_counts"]))]


class Clock:
    """Time that each poll moves by 0.1 s.

    In step, a poll waits until the session has looked around since it began, so that the reader
    is never more than a poll or two ahead.
    """

    def __init__(self):
        self.now_s = 0.0
        self.looks = None
        self.patience_s = 5.0

    def in_step(self, monkeypatch):
        self.looks = threading.Event()
        monkeypatch.setattr(module, "PARCEL_WAIT_S", 0.001)

    def __call__(self):
        return self.now_s


class FakeSource:
    """Says one entry a poll (samples, a message or a list), raises it, or is QUIET."""

    def __init__(self, clock, *script, hello=HELLO):
        self.url = "fake:"
        self.comes_back = True
        self.counters = LinkCounters()
        self._clock = clock
        self._begun = False
        self._script = iter([hello, *script])

    def poll(self, timeout_s):
        if self._clock.looks is not None and self._begun:
            self._clock.looks.clear()
            self._clock.looks.wait(self._clock.patience_s)
        self._begun = True
        self._clock.now_s += 0.1
        said = next(self._script, QUIET)
        if callable(said):
            said = said()
        if isinstance(said, Exception):
            raise said
        if said is QUIET:
            return []
        if isinstance(said, np.ndarray):
            self.counters = replace(self.counters, samples=self.counters.samples + len(said))
            said = RawBlock(said, BOOT)
        return [said]

    def request(self, word):
        pass

    def close(self):
        pass

    def __enter__(self):
        return self

    def __exit__(self, *_):
        pass


class Stage:
    """A session on fake sources, and its results."""

    def __init__(self, book, *openings, set_name="larch", clock=None, linger_s=0.0):
        self.book = book
        self.clock = Clock() if clock is None else clock
        self.events = []
        left = iter(openings)

        def open_again():
            opened = next(left)
            if isinstance(opened, Exception):
                raise opened
            return opened

        self.session = Session(
            CaptureRequest(book, set_name, "fake:", linger_s=linger_s),
            open_again,
            self.hear,
            clock=self.clock,
            pause=lambda _: None,
        )
        if self.clock.looks is not None:
            look = self.session._refresh
            self.session._refresh = lambda *args: (look(*args), self.clock.looks.set())

    def hear(self, event):
        assert describe(event.what, Units())  # whatever happens can be said
        self.events.append(event)

    def run(self):
        return self.session.run()

    def found(self, kind):
        return [event.what for event in self.events if event.kind is kind]

    def kinds(self, kind):
        return [found.kind for found in self.found(kind)]


def read(book, sql):
    with open_book(book) as db:
        return list(db.query(sql))


def sweeps(book):
    return read(book, "SELECT * FROM sweeps ORDER BY rowid")


def ended(book):
    return [row["ended_reason"] for row in read(book, "SELECT * FROM sessions ORDER BY rowid")]


def later(samples, turns):
    moved = samples.copy()
    moved["seq"] += turns * len(samples)
    moved["t_us"] += turns * (int(samples["t_us"][-1]) + 11_000)
    return moved
