"""No key, button or press is silent: each does something on the screen, or a line says why not.

Every one in every state that the screen has, at a terminal's usual size and at a small one.
"""

import io
from contextlib import ExitStack
from functools import partial
from itertools import count

import numpy as np
import pytest
from msgspec.structs import replace
from rich.console import Console

from coilbench.analysis.dashboard.calls import call
from coilbench.analysis.dashboard.frame import frame
from coilbench.analysis.dashboard.keys import HELP, LEAVE, KeyMap
from coilbench.analysis.dashboard.scene import Scene, SetTable, SpringRow, known_now
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.question_text import QUESTIONS
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import SampleFlag
from coilbench.capture.book.opening import open_book
from coilbench.capture.running.commands import Action, Snapshot
from coilbench.capture.running.kinds import BY_A_GAUGE
from coilbench.capture.running.session import as_recorded
from coilbench.capture.virtual.bench import PressSpring, Rest
from support.alarms import LOST
from support.capture_books import make_book
from support.datum_desk import PRESS, TO_MM, counted, on_gauge, tell, work
from support.open_questions import OPENING, OTHER, SLIP_MM, WRONG
from support.recorder_desk import HELLO, RIG, SPRINGS, Desk

__all__ = ["make_book"]
SIZES = ((80, 24), (60, 20))
ROWS = tuple(SpringRow(f"larch-{at:02d}", 0, (None, None), ()) for at in (1, 2))
LOW = round(0.6 * RIG.travel_counts_per_mm)
PRESSED = [PressSpring(SPRINGS[0], TO_MM), Rest(1.0)]


def all_pressed(desk):
    work(desk, *PRESS * 3, *OTHER * 3)


def closing_wanted(desk):
    all_pressed(desk)
    desk.recorder.closing.ask()


def closing_refused(desk):
    closing_wanted(desk)
    work(desk, *WRONG)


def closed(desk):
    closing_wanted(desk)
    work(desk, *PRESS)


def passed_over(desk):
    closing_wanted(desk)
    tell(desk, Action.SKIP)


def quill_low(desk):
    work(desk, *PRESS * 2)
    desk.recorder.interrupt()
    work(desk, *PRESS, least_counts=LOW)


def stop(desk):
    """The coils bind."""
    work(desk, PressSpring(SPRINGS[0], SPRINGS[0].solid_height_mm - 0.4), Rest(1.0), until_s=4.6)


def scale_slipped(desk):
    OPENING["datum_doubted"](desk)
    tell(desk, Action.TAKE_OUT)


def started_again(desk):
    work(desk, *PRESS)
    desk.recorder.process_hello(type(HELLO)(1, "own-1", RIG.device_id, 7, 80.0, "quadrature", 5.0))


def gauge_comes(desk):
    work(desk, *PRESS)
    tell(desk, Action.GAUGE)


STATES = {
    **OPENING,
    "begun": lambda desk: work(desk, Rest(1.0)),
    "a turn": lambda desk: work(desk, *PRESS * 2),
    "pressed": lambda desk: work(desk, *PRESSED, until_s=3.6),
    "STOP": stop,
    "LET IT UP": quill_low,
    "SET THE DATUM": scale_slipped,
    "datum lost": started_again,
    "GAUGE": gauge_comes,
    "GAUGE OUT": lambda desk: on_gauge(desk, 30.0),
    "link lost": lambda desk: work(desk, *PRESS * 2),
    "link lost, asked": OPENING["another_spring"],
    "closing wanted": closing_wanted,
    "closing refused": closing_refused,
    "DONE, closed": closed,
    "DONE, not closed": passed_over,
}
KEYS = ("y", "x", "r", "s", "b", "n", "d", "f", "q", "3", "k", " ", "\r", "\x1b[A")
REDO, ACCEPT = SampleFlag.REDO_PRESSED, SampleFlag.ACCEPT_PRESSED
BUTTONS = ([REDO], [REDO, REDO], [ACCEPT], [ACCEPT, ACCEPT])
DONE_THERE = {
    **{repr(key): partial(lambda key, screen: screen.type(key), key) for key in KEYS},
    **{repr(one): partial(lambda one, screen: screen.push(one), one) for one in BUTTONS},
    "a press": lambda screen: work(
        screen.desk, *PRESSED, slip_mm=SLIP_MM if screen.slipped else 0.0
    ),
}
BEGUN = {"device_id": RIG.device_id, "boot_id": HELLO.boot_id}


class Watched(Desk):
    """A desk that knows its newest sample."""

    last = None

    def take(self, samples, **options):
        self.last = samples[-1:]
        super().take(samples, **options)


class Screen:
    """What a person sees of a desk in a state, and what a key, a button or a press does there."""

    def __init__(self, db, state):
        self.desk = Watched(db, closes=True)
        self.keys, self.slipped = KeyMap(), state.endswith("closing")
        self.link = {"link": "lost", "link_what": LOST} if state.startswith("link") else {}
        STATES[state](self.desk)
        self.told = len(self.desk.events)
        self.called, self.asked = self.calls(), self.desk.recorder.question

    def scene(self):
        snapshot = Snapshot("larch", "x:", link="up", sample_age_s=0.1, rate_hz=80.0)
        for event in self.desk.events:
            snapshot = snapshot.after(event)
        snapshot = replace(snapshot, **self.link)
        now = known_now(as_recorded(snapshot, self.desk.recorder, self.desk.recorder.doubt))
        unasked = Scene(now, SetTable((38.5, 27.6), 2, ROWS), Units(), (38.5, 27.6), "")
        called = call(unasked)
        shown = replace(now, question=called.question)
        self.keys.follow(shown, called.large if called.urgent else "")
        typed = self.keys.prompt()
        shown = (SetTable((38.5, 27.6), 2, ROWS), Units(), (38.5, 27.6), "")
        return Scene(now, *shown, "" if typed else HELP, typed or self.keys.said)

    def calls(self):
        called = call(self.scene())
        return called.large, called.words

    def type(self, key):
        """Type a key, as live does; returns whether it leaves."""
        scene = self.scene()
        called = call(scene)
        asked = replace(scene.snapshot, question=called.question)
        pressed = self.keys.press(key, asked, called.large if called.urgent else "")
        for one in pressed:
            if one != LEAVE:
                self.desk.recorder.execute(one)
        return LEAVE in pressed

    def push(self, buttons):
        """Push buttons of the rig, half a second apart; else nothing changes."""
        samples = np.repeat(self.desk.last, 45 * len(buttons))
        steps = 1 + np.arange(samples.size)
        samples["seq"] += steps
        samples["t_us"] += 11_000 * steps
        samples["flags"][5::45] |= np.array(buttons, dtype=samples["flags"].dtype)
        self.desk.take(samples)

    def tells(self, size):
        """Whether the screen tells what was done since, in words or by what it calls out."""
        if self.desk.recorder.finished or self.calls() != self.called:
            return True
        return self.says(size)

    def text(self, size):
        """What stands on the screen."""
        width, height = size
        console = Console(file=io.StringIO(), width=width, height=height, color_system=None)
        scene = self.scene()
        console.print(frame(scene, width=width, height=height, ascii_only=False))
        return " ".join(console.file.getvalue().split())

    def says(self, size):
        """Whether a line of the screen says it."""
        shown, said = self.text(size), self.scene().said
        new = [
            describe(one.what, Units())
            for one in self.desk.events[self.told :]
            if one.what != self.asked  # it was asked before
        ]
        return any(" ".join(words.split()) in shown for words in (*new, said) if words)


def test_every_question_is_among_the_states():
    assert {one.partition(",")[0] for one in STATES} >= set(QUESTIONS) - {"touched_low"}


@pytest.fixture
def begin(make_book):
    """Begin in a state; each time in a book of its own."""
    numbers = count()
    with ExitStack() as books:

        def anew(state):
            path = make_book(RIG, name=f"bench{next(numbers)}.db", **BEGUN)
            return Screen(books.enter_context(open_book(path)), state)

        yield anew


@pytest.mark.parametrize("state", STATES)
def test_nothing_that_is_done_is_silent(begin, state):
    silent = []
    screen = begin(state)
    for name, does in DONE_THERE.items():
        leaves = does(screen)
        silent += [(name, size) for size in SIZES if not leaves and not screen.tells(size)]
        if leaves or len(screen.desk.events) > screen.told or screen.keys.prompt():
            screen = begin(state)
    assert silent == [], screen.desk.events


@pytest.mark.parametrize("state", STATES)
def test_esc_takes_d_back_at_once(begin, state):
    screen = begin(state)
    awaited, phase = screen.desk.recorder.heights.gauge_awaited, screen.desk.recorder.phase
    screen.type("d")
    assert not (screen.keys.prompt() and phase in ("press", "release"))
    screen.type("\x1b")
    assert screen.tells((80, 24))
    assert "bring the quill lightly down" not in screen.text((80, 24)).split("press d, ")[0]
    assert screen.keys.prompt() is None
    assert not screen.desk.recorder.heights.gauge_awaited
    if screen.asked is not None and screen.asked.kind in BY_A_GAUGE:
        assert screen.desk.recorder.question == screen.asked
    if screen.desk.recorder.question == screen.asked and not awaited:
        assert screen.calls() == screen.called


def test_what_is_called_out_meanwhile_is_not_hidden_by_a_length_that_is_typed(begin):
    screen = begin("a turn")
    screen.type("d3")
    assert "3_" in screen.keys.prompt()
    work(screen.desk, PressSpring(SPRINGS[0], SPRINGS[0].solid_height_mm - 0.4), until_s=4.6)
    assert screen.calls()[0] == "STOP"
    assert screen.keys.prompt() is None


def test_a_press_that_waits_counts_on_let_up_whatever_was_typed(begin):
    screen = begin("LET IT UP")
    screen.type("d")
    assert "below its stop" in screen.calls()[1]
    screen.type("\x1b")
    assert screen.calls() == screen.called
    screen.type("d")
    work(screen.desk, Rest(2.0))
    assert screen.desk.recorder.quill_low is None
    assert counted(screen.desk) == [1, 1, 1]


@pytest.mark.parametrize("key", ["y", "x"])
@pytest.mark.parametrize("state", OPENING)
def test_an_answer_is_confirmed_in_a_line(begin, state, key):
    screen = begin(state)
    if call(screen.scene()).question is None:
        work(screen.desk, Rest(2.0))  # what comes before it is over
    assert call(screen.scene()).question == screen.asked
    screen.told = len(screen.desk.events)
    assert not screen.type(key)
    told = [one for one in screen.desk.events[screen.told :] if one.what != screen.asked]
    assert screen.desk.recorder.finished or (told and screen.says((80, 24))), told


def test_end_is_not_asked_where_stop_hides_it(begin):
    screen = begin("STOP")
    assert screen.type("f") is False
    assert screen.desk.recorder.question is None
    assert "first: STOP" in screen.keys.said


@pytest.mark.parametrize("does", [None, Action.REDO])
@pytest.mark.parametrize("size", SIZES)
def test_what_is_said_of_a_press_goes_with_the_next_one(begin, does, size):
    screen = begin("closing refused")
    if does is not None:
        tell(screen.desk, does)
    assert "press it" in screen.text(size)
    work(screen.desk, *PRESS)
    assert screen.calls()[0] == "DONE"
    assert "press it again" not in screen.text(size)
    assert "does not count" not in screen.text(size)


def test_that_a_stroke_was_taken_back_goes_with_the_next_one(begin):
    screen = begin("a turn")
    tell(screen.desk, Action.REDO)
    assert "no longer counts" in screen.text((80, 24))
    work(screen.desk, *PRESS)
    assert "no longer counts" not in screen.text((80, 24))
