"""What the keys of the dashboard mean, and when its bell rings. Pure."""

from __future__ import annotations

import re

from coilbench.capture.running.commands import LONGEST_TEXT, Action, Command, EventKind, Snapshot

_RINGS = {EventKind.KEPT: 1, EventKind.REFUSED: 2, EventKind.FAULT: 2, EventKind.DONE: 3}


class Bell:
    """Counts the rings that new events ask for.

    One for a stroke kept, two for one refused and for a fault, three for a set that is done.

    What had happened before it was first asked is not rung.
    """

    def __init__(self) -> None:
        self._heard: int | None = None

    def rings(self, snapshot: Snapshot) -> int:
        """Return how often to ring for what is new: the most that one of the events asks for."""
        newest = snapshot.newest_event
        heard, self._heard = self._heard, newest
        if heard is None or newest < heard:  # the first look, or another capture
            return 0
        new = (event.kind for number, event in snapshot.events if number > heard)
        return max((_RINGS.get(kind, 0) for kind in new), default=0)


LEAVE = "q"
HELP = "r redo  s skip  b back  n rename  f finish  q leave"
_ACTIONS = {"r": Action.REDO, "s": Action.SKIP, "b": Action.BACK, "f": Action.FINISH}
_RENAME = "n"
_ESCAPE, _ENTER, _RUBOUT = "\x1b", "\r\n", "\x7f\b"
# Cursor and function keys send an escape and more; their letters are no commands of ours.
_SEQUENCE = re.compile(r"\x1b(\[[0-9;?]*[ -/]*[@-~]|O[ -~])")


class KeyMap:
    """Turns what is typed into commands; remembers only a label that is being typed."""

    def __init__(self) -> None:
        self._typed: str | None = None
        self._for_label: str | None = None

    def press(self, text: str, label: str | None) -> list[Command | str]:
        """Return what the keys ask for, in order: commands for the spring labelled, or LEAVE."""
        asked: list[Command | str] = []
        for key in _SEQUENCE.sub("", text):
            one = self._command(key, label) if self._typed is None else self._type(key)
            if one is not None:
                asked.append(one)
        return asked

    def prompt(self) -> str | None:
        """Return what is being typed, as a line; None while nothing is."""
        if self._typed is None:
            return None
        return f"new label for {self._for_label}: {self._typed}_  (Enter: rename, Esc: cancel)"

    def _command(self, key: str, label: str | None) -> Command | str | None:
        low = key.lower()
        if low == LEAVE:
            return LEAVE
        if low == _RENAME:
            if label is not None:
                self._typed, self._for_label = "", label
            return None
        action = _ACTIONS.get(low)
        if action is None:
            return None
        for_turn = action in (Action.SKIP, Action.BACK)
        return Command(action, label if for_turn else None)

    def _type(self, key: str) -> Command | None:
        typed = self._typed or ""
        if key == _ESCAPE:
            self._typed = None
        elif key in _ENTER:
            self._typed = None
            if typed.strip():
                return Command(Action.RENAME, self._for_label, typed.strip())
        elif key in _RUBOUT:
            self._typed = typed[:-1]
        elif key.isprintable() and len(typed) < LONGEST_TEXT:
            self._typed = typed + key
        return None
