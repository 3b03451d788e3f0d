"""What the keys of the dashboard mean. Pure."""

from __future__ import annotations

import re
from collections.abc import Callable

import msgspec

from coilbench.capture.blocks import Finding
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import LONGEST_TEXT, Command, Snapshot
from coilbench.capture.running.kinds import Action, EventKind
from coilbench.capture.running.which_was_wrong import whose_before_was_wrong
from coilbench.capture.units import parse_length_mm

LEAVE = "q"
HELP = "r redo  s skip  b back  n rename  d datum  f finish  q leave"
_ACTIONS = {"r": Action.REDO, "s": Action.SKIP, "b": Action.BACK, "f": Action.FINISH}
_RENAME, _DATUM, _FINISH = "n", "d", "f"
STOP = "STOP"  # as it is called out
_PRESSED = ("press", "release")
_ANSWERS = {"y": Action.ACCEPT, "x": Action.TAKE_OUT}
# What yes and no mean to a question.
_YES_AND_NO = {
    "another_spring": ("it is the right spring, the press counts", "wrong spring, take it out"),
    "touched_low": ("spring and datum are right, the press counts", "wrong spring, take it out"),
    "datum_moved": (
        "the spring sits otherwise, the press counts",
        "the scale may have slipped: none counts until the datum is set",
    ),
    "sits_otherwise": ("it is, and sits otherwise: the press counts", "the press does not count"),
    "datum_doubted": (
        "it did not slip, what waits counts",
        "it may have: no press counts until the datum is set",
    ),
    "datum_differs": ("the length is right, set the datum", "it is wrong, the datum stays"),
    "solid_seen": ("keep this solid height", "the coils did not touch"),
    "strokes_in_doubt": ("they count", "they do not: press {presses} again"),
    "same_again": ("the spring is so, the press counts", "it does not count"),
    "finish_unfinished": ("end the capture", "go on"),
}
_ESCAPE, _ENTER, _RUBOUT = "\x1b", "\r\n", "\x7f\b"
_NAMES = {"\x1b": "Esc", "\r": "Enter", "\n": "Enter", "\t": "Tab", " ": "space"}
# Cursor and function keys send an escape and more; their letters are no commands of ours.
_SEQUENCE = re.compile(r"\x1b(\[[0-9;?]*[ -/]*[@-~]|O[ -~])")


def answer_help(question: Finding | None) -> str | None:
    """Return the keys that answer a question that is shown; None where none is."""
    if question is None:
        return None
    yes, no = _YES_AND_NO.get(question.kind, ("yes", "no"))
    taken_back = redo_help(question)
    more = "" if taken_back is None else f"  r {taken_back}"
    if whose_before_was_wrong(question) is not None:
        more += "  b those before were wrong, take them back"
    return f"y {yes}  x {no.format_map(question.facts)}{more}"


def redo_help(question: Finding) -> str | None:
    """Return what redo answers to a question; None where it is no answer."""
    facts = question.facts
    if question.kind == "strokes_in_doubt" and facts.get("closing"):
        return f"another spring was pressed: {facts['closing']} again"
    why = facts.get("why", {}) if question.kind == "datum_doubted" else {}
    if question.kind == "datum_moved" or why.get("another"):
        return "wrong spring, take it out"
    other = "the one before" if facts.get("own") else facts.get("other")
    return None if other is None else f"{other} was wrong, take it back"


class _Entry(msgspec.Struct):
    """Something that is being typed."""

    asks: str
    then: str
    command: Callable[[str], Command]
    text: str = ""
    wrong: str = ""
    gauge_since: int | None = None  # a gauge's length: the newest event when it was asked for
    gauge_seen: bool = False  # that gauge is awaited


class KeyMap:
    """Turns what is typed into commands; remembers only a label or length that is being typed.

    Args:
        length_unit: of a length that is typed without one.

    Attributes:
        said: why a key that was pressed last did nothing; empty where it did something.
    """

    def __init__(self, length_unit: str = "mm") -> None:
        self._unit = length_unit
        self._entry: _Entry | None = None
        self.said = ""

    def press(self, text: str, snapshot: Snapshot, first: str = "") -> list[Command | str]:
        """Return what the keys ask for, in order: commands for the turn shown, or LEAVE.

        Args:
            snapshot: as it is shown: with a question only where the screen asks it.
            first: what the screen calls out to be done first; empty for nothing.
        """
        self.said = ""
        self.follow(snapshot, first)
        asked: list[Command | str] = []
        keys = _SEQUENCE.sub("", text)
        if text and not keys and self._entry is None:
            self.said = "that key does nothing here"
        for key in keys:
            if self._entry is not None:
                one: Command | str | None = self._type(key)
            else:
                one = self._command(key, snapshot, first)
                self.said = self._why_not(key, snapshot, first) if one is None else ""
            if one is not None:
                asked.append(one)
        return asked

    def _why_not(self, key: str, snapshot: Snapshot, first: str) -> str:
        """Say why a key did nothing; nothing where something is being typed since."""
        low, name = key.lower(), _NAMES.get(key, key if key.isprintable() else "that key")
        if self._entry is not None:
            return ""
        if low == _RENAME:
            return "n: no spring has the turn"
        if low not in (*_ANSWERS, _FINISH):
            asked = snapshot.question is not None
            return f"{name} does nothing here{': answer the question first' if asked else ''}"
        then = f"; first: {first}" if first else ""
        if low == _FINISH:
            return f"{low}: not now{then}"
        return f"{low}: no question is asked now{then}"

    def follow(self, snapshot: Snapshot, first: str = "") -> None:
        """Ask for no gauge's length any more where the capture awaits none, or asks first.

        Args:
            snapshot, first: as press.
        """
        entry = self._entry
        if entry is None or entry.gauge_since is None:
            return
        entry.gauge_seen |= snapshot.gauge_awaited
        refused = any(
            number > entry.gauge_since and event.kind is EventKind.REFUSED
            for number, event in snapshot.events
        )
        over = not snapshot.gauge_awaited and (entry.gauge_seen or refused)
        asks = first == STOP or (entry.gauge_seen and snapshot.question is not None)
        if over or asks:
            self._entry = None

    def prompt(self) -> str | None:
        """Return what is being typed, as a line; None while nothing is."""
        entry = self._entry
        if entry is None:
            return None
        wrong = f"{entry.wrong}; " if entry.wrong else ""
        return f"{wrong}{entry.asks}: {entry.text}_  (Enter: {entry.then}, Esc: cancel)"

    def _command(self, key: str, snapshot: Snapshot, first: str) -> Command | str | None:
        low, label = key.lower(), snapshot.label
        if low == LEAVE:
            return LEAVE
        if low in _ANSWERS:
            asked = snapshot.question
            return None if asked is None else Command(_ANSWERS[low], question=asked.kind)
        if low == _DATUM or (snapshot.gauge_awaited and (key == _ESCAPE or key.isdecimal())):
            return self._of_gauge(key, snapshot, first)
        if low == _RENAME and label is not None:
            self._entry = _Entry(f"new label for {label}", "rename", _renaming(label))
        action = _ACTIONS.get(low)
        if action is None or (low == _FINISH and first == STOP):
            return None  # under a STOP nobody sees whether it asks
        question = snapshot.question
        if action is Action.BACK and whose_before_was_wrong(question) is not None:
            return Command(action, question=None if question is None else question.kind)
        for_turn = action in (Action.SKIP, Action.BACK)
        return Command(action, label if for_turn else None)

    def _of_gauge(self, key: str, snapshot: Snapshot, first: str) -> Command | None:
        if key == _ESCAPE:
            return Command(Action.NO_GAUGE)
        if key.isdecimal():
            if snapshot.question is None:  # "type its length", also again after one was refused
                self._entry = self._length(key, snapshot)
            return None
        if first != STOP and snapshot.phase not in _PRESSED:
            self._entry = self._length("", snapshot)
        return Command(Action.GAUGE)

    def _length(self, text: str, now: Snapshot) -> _Entry:
        asks, then = "the gauge's length", "set the datum"
        return _Entry(asks, then, self._datum, text, "", now.newest_event, now.gauge_awaited)

    def _datum(self, text: str) -> Command:
        length = f"{text} {self._unit}" if text[-1] in "0123456789.," else text
        asked = {"action": Action.DATUM, "height_mm": parse_length_mm(length)}
        return Command.from_document(asked)  # it refuses what no gauge has

    def _type(self, key: str) -> Command | None:
        entry = self._entry
        if entry is None or key == _ESCAPE:
            self._entry = None
            if entry is not None and entry.gauge_since is not None:
                return Command(Action.NO_GAUGE)
        elif key in _ENTER:
            return self._typed(entry)
        elif key in _RUBOUT:
            entry.text = entry.text[:-1]
        elif key.isprintable() and len(entry.text) < LONGEST_TEXT:
            entry.text += key
        return None

    def _typed(self, entry: _Entry) -> Command | None:
        """End what is being typed; what can't be read is said, and can be typed again."""
        text = entry.text.strip()
        try:
            command = entry.command(text) if text else None
        except CoilbenchError as error:
            entry.text, entry.wrong = "", error.what
            return None
        self._entry = None
        return command


def _renaming(label: str) -> Callable[[str], Command]:
    return lambda text: Command(Action.RENAME, label, text)
