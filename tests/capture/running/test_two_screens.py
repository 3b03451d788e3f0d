"""Two screens that are attached, and a daemon that is held up, say and keep what one alone does."""

import random
import socket
import threading
import time

import pytest

from coilbench.analysis.cli.live import OtherCapture
from coilbench.capture.book.opening import open_book
from coilbench.capture.running import questions
from coilbench.capture.running.commands import Action, Command
from coilbench.capture.running.reader import Reader
from coilbench.capture.running.request import CaptureRequest
from coilbench.capture.running.session import Session
from coilbench.capture.sources import open_source
from coilbench.capture.virtual.bench import Bench, PressSpring, Rest, capture_steps
from coilbench.capture.virtual.firmware import Firmware
from coilbench.capture.virtual.port import VirtualPort
from coilbench.capture.virtual.spring import INNER, draw_set
from support.stage import RIG, SPRINGS

pytestmark = pytest.mark.skipif(
    not hasattr(socket, "AF_UNIX"), reason="no Unix domain sockets here: no channel is opened"
)

WRONG = draw_set(INNER, 1, 4)[0]
STEPS = [*capture_steps(SPRINGS, presses=3), PressSpring(WRONG, 26.0), Rest(2.0)]
STALLED_S = 0.02


class Watching:
    """A daemon on a rig in a hurry, and screens on its book, looking as often as they can."""

    def __init__(self, book, screens):
        self.heard = []
        self.screens = [OtherCapture(book) for _ in range(screens)]
        self.seen = [{} for _ in range(screens)]
        firmware = Firmware(RIG, Bench(RIG, STEPS, 4).blocks(endless=True), seed=4)
        self._port = VirtualPort(firmware)
        self._session = Session(
            CaptureRequest(book, "larch", self._port.url), self._open, self.heard.append
        )
        self._daemon = threading.Thread(target=self._session.run)

    def _open(self):
        source = open_source(self._port.url)
        self._port.start()
        return source

    def __enter__(self):
        self._daemon.start()
        return self

    def __exit__(self, *_):
        self._session.stop()
        self._daemon.join()
        self._port.close()

    def until(self, so):
        """Look with every screen until each has seen something."""
        waiting = set(range(len(self.screens)))
        while waiting:
            assert self._daemon.is_alive() or not waiting
            for at, screen in enumerate(self.screens):
                snapshot = screen.see()
                if snapshot is not None:
                    self.seen[at] |= dict(snapshot.events)
                    if so(snapshot):
                        waiting.discard(at)

    def tell(self, at, action):
        self.screens[at % len(self.screens)].tell(Command(action))

    def ended(self):
        self._daemon.join()


def asked(kind):
    return lambda snapshot: snapshot.question is not None and snapshot.question.kind == kind


def pressed(book, screens):
    """Press two springs and a wrong one, and answer; one screen asks, another answers."""
    with Watching(book, screens) as watching:
        watching.until(asked("another_spring"))
        watching.tell(1, Action.TAKE_OUT)
        watching.until(lambda snapshot: snapshot.question is None)
        watching.tell(0, Action.FINISH)
        watching.until(asked("finish_unfinished"))
        watching.tell(1, Action.ACCEPT)
        watching.ended()
    with open_book(book) as db:
        sql = "SELECT label, purpose, status, counted, note FROM sweeps"
        rows = list(db.query(f"{sql} JOIN springs ON springs.id = spring_id ORDER BY sweeps.rowid"))
    return watching, rows


@pytest.fixture
def stalls(monkeypatch):
    """Hold the daemon and its reader up, as on a computer with other work: where, is drawn."""
    draw = random.Random(4)

    def late(real):
        def called(*given, **options):
            if draw.random() < 0.05:
                time.sleep(draw.random() * STALLED_S)
            return real(*given, **options)

        return called

    for of, name in ((Session, "_next"), (Session, "_refresh"), (Reader, "_put")):
        monkeypatch.setattr(of, name, late(getattr(of, name)))


def said(watching):
    """What was said, without the port's name."""
    return [(event.kind, event.what) for event in watching.heard if event.kind != "link"]


def test_they_give_the_same_answers(make_book, stalls, monkeypatch):
    monkeypatch.setattr(questions, "READ_S", 0.0)  # tested by its own clock elsewhere
    alone, rows = pressed(make_book(RIG, springs=3, name="alone.db"), 1)
    watched, rows_watched = pressed(make_book(RIG, springs=3, name="watched.db"), 2)
    assert rows_watched == rows
    assert sum(row["counted"] for row in rows) == 6
    assert said(watched) == said(alone)
    one, other = watched.seen
    assert {"another_spring", "taken_out", "finish_unfinished"} <= {
        event.what.kind for event in (one | other).values()
    }
    for numbered in watched.seen:
        for number, event in numbered.items():
            assert event.kind == watched.heard[number - 1].kind
            assert event.what.kind == watched.heard[number - 1].what.kind
