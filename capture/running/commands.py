"""What a person may ask of a running capture: one shape for keys, buttons and the channel. Pure.

The rig's two push-buttons, read out of the samples' flags. Pure.

A good stroke is accepted by itself, so a single press of accept changes nothing while the set is
being measured: who presses it out of habit must not lose the order.

What the person at the press should know: one event a thing that happened. Pure.

What goes through the control channel: one line of JSON each way, short, checked whole. Pure.

Asked: `{"command": {"action": "redo"}}` or `{"ask": "snapshot"}`. Answered: `{"done": true}`,
`{"snapshot": {...}}`, or `{"refused": "why", "hint": "what to do"}`.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import SampleFlag
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.snapshot import Snapshot

LONGEST_TEXT = 100


class Action(StrEnum):
    """What is asked.

    REDO: the last stroke no longer counts and is wanted again.
    SKIP: this spring comes later; the next one's turn.
    BACK: this spring again from its first stroke; where it has none yet, the spring before.
    RENAME: give a spring another label.
    FINISH: end the capture.
    """

    REDO = "redo"
    SKIP = "skip"
    BACK = "back"
    RENAME = "rename"
    FINISH = "finish"


@dataclass(frozen=True)
class Command:
    """Something asked of a running capture.

    Attributes:
        action: what.
        label: whose turn the asker saw; refused where it is another's by then. Of a rename, the
            spring that gets the new label. None: whose turn it is.
        new_label: of a rename; else None.
    """

    action: Action
    label: str | None = None
    new_label: str | None = None

    def __post_init__(self) -> None:
        if (self.action is Action.RENAME) != (self.new_label is not None):
            raise CoilbenchError(
                "a rename needs a new label, and nothing else takes one",
                where=str(self.action),
                hint="Give new_label with rename only",
            )

    def to_document(self) -> dict[str, str]:
        """Return it as plain values for JSON."""
        whole = {"action": str(self.action), "label": self.label, "new_label": self.new_label}
        return {key: text for key, text in whole.items() if text is not None}

    @classmethod
    def from_document(cls, document: object) -> Command:
        """Return the command that to_document wrote, from anything that came from outside.

        Raises:
            CoilbenchError: it is no command; says why.
        """
        if not isinstance(document, Mapping) or not set(document) <= {
            "action",
            "label",
            "new_label",
        }:
            raise CoilbenchError("this is no command", hint="Give action, label, new_label only")
        texts = [document.get(key) for key in ("action", "label", "new_label")]
        if any(
            t is not None and not (isinstance(t, str) and len(t) <= LONGEST_TEXT) for t in texts
        ):
            raise CoilbenchError(
                "a command holds something else than short text",
                hint=f"Give text of at most {LONGEST_TEXT} characters",
            )
        action, label, new_label = texts
        if action not in list(Action):
            raise CoilbenchError(
                f"there is no action {action!r}", hint=f"Known are {', '.join(Action)}"
            )
        return cls(Action(action), label, new_label)


TWICE_S = 2.0  # two presses within this belong together; common practice, no source


class Buttons:
    """Turns presses into what they ask for, by the rig's own clock.

    | button | once | again within 2 s |
    |---|---|---|
    | redo | redo the last stroke | go back; and further with each press |
    | accept | nothing | skip; once the set is done, the first press finishes |
    """

    def __init__(self) -> None:
        self._last_us: dict[SampleFlag, int] = {}

    def pressed(self, samples: NDArray[np.void]) -> list[tuple[int, Action | None]]:
        """Return (samples up to and with the press, what it asks for) for each press in order.

        Args:
            samples: shape (n,), dtype RAW_DTYPE.
        """
        flags, t_us = samples["flags"], samples["t_us"]
        both = SampleFlag.REDO_PRESSED | SampleFlag.ACCEPT_PRESSED
        found: list[tuple[int, Action | None]] = []
        for at in np.flatnonzero(flags & both).tolist():
            if flags[at] & SampleFlag.REDO_PRESSED:
                twice = self._twice(SampleFlag.REDO_PRESSED, int(t_us[at]))
                found.append((at + 1, Action.BACK if twice else Action.REDO))
            if flags[at] & SampleFlag.ACCEPT_PRESSED:
                twice = self._twice(SampleFlag.ACCEPT_PRESSED, int(t_us[at]))
                found.append((at + 1, Action.SKIP if twice else None))
        return found

    def _twice(self, button: SampleFlag, now_us: int) -> bool:
        before_us = self._last_us.get(button)
        self._last_us[button] = now_us
        return before_us is not None and 0 <= now_us - before_us <= TWICE_S * 1e6


class EventKind(StrEnum):
    """What sort of thing happened."""

    KEPT = "kept"
    REFUSED = "refused"
    REDO = "redo"
    TURN = "turn"  # another spring's turn than before, because someone asked
    RESCUED = "rescued"
    FAULT = "fault"
    LINK = "link"
    DONE = "done"


@dataclass(frozen=True)
class Event:
    """Something the person at the press should know, in words."""

    kind: EventKind
    words: str


LONGEST_REQUEST = 2048  # bytes, LF included; the longest command takes about 1.4 KiB
LONGEST_REPLY = 262_144


class Commanded(Protocol):
    """What stands behind the channel: a running session."""

    @property
    def snapshot(self) -> Snapshot:
        """How it stands."""

    def obey(self, command: Command) -> None:
        """Take a command; returns at once.

        Raises:
            CoilbenchError: it takes no more commands now.
        """


def command_request(command: Command) -> bytes:
    """Return the line that gives a command."""
    return _line({"command": command.to_document()})


def snapshot_request() -> bytes:
    """Return the line that asks how the capture stands."""
    return _line({"ask": "snapshot"})


def answer(line: bytes, session: Commanded) -> bytes:
    """Act on one line from outside; whatever it holds, there is an answer.

    Args:
        line: as it came, with or without its LF.
        session: acted on only where the line is a whole and valid request.
    """
    try:
        asked = _request(line)
        if asked == {"ask": "snapshot"}:
            return _line({"snapshot": session.snapshot.to_document()})
        if set(asked) != {"command"}:
            raise CoilbenchError("this is no request", hint="Ask for a snapshot or give a command")
        session.obey(Command.from_document(asked["command"]))
    except CoilbenchError as refusal:
        return _line({"refused": refusal.what, "hint": refusal.hint})
    return _line({"done": True})


def read_done(line: bytes) -> None:
    """Read the answer to a command.

    Raises:
        CoilbenchError: it was refused, or this is no answer.
    """
    if _reply(line).get("done") is not True:
        raise _no_answer()


def read_snapshot(line: bytes) -> Snapshot:
    """Read the answer to snapshot_request.

    Raises:
        CoilbenchError: it was refused, or this is no answer.
    """
    try:
        return Snapshot.from_document(_reply(line)["snapshot"])
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _no_answer() from error


def _no_answer() -> CoilbenchError:
    return CoilbenchError(
        "the capture gave an answer that makes no sense",
        hint="It may be another version of coilbench: start it again",
    )


def _line(document: dict[str, Any]) -> bytes:
    return json.dumps(document, allow_nan=False).encode("ascii") + b"\n"


def _request(line: bytes) -> dict[str, Any]:
    """Return the object that a request's line holds, all its text printable."""
    if len(line) > LONGEST_REQUEST:
        raise CoilbenchError(f"a request has at most {LONGEST_REQUEST} bytes", hint="Ask for less")
    found = _object(line)
    if found is None:
        raise CoilbenchError("this is no line of JSON", hint="Send one object on one line")
    texts = [text for text in _texts(found) if not text.isprintable()]
    if texts:
        raise CoilbenchError("a text holds what can't be printed", hint="Leave it out")
    return found


def _reply(line: bytes) -> dict[str, Any]:
    found = _object(line)
    if found is None:
        raise _no_answer()
    if "refused" in found:
        hint = found.get("hint")
        raise CoilbenchError(str(found["refused"]), hint=None if hint is None else str(hint))
    return found


def _object(line: bytes) -> dict[str, Any] | None:
    try:
        found = json.loads(line.decode("utf-8"))
    except (ValueError, RecursionError):  # brackets nested too deep for the parser
        return None
    return found if isinstance(found, dict) else None


def _texts(value: object) -> list[str]:
    """Return the keys and texts of an object and of the objects in it."""
    if isinstance(value, str):
        return [value]
    if isinstance(value, dict):
        return [text for pair in value.items() for part in pair for text in _texts(part)]
    return []
