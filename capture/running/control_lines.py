"""What goes through the control channel: one line of JSON each way, short, checked whole. Pure.

Asked: `{"command": {"action": "redo"}}` or `{"ask": "snapshot"}`. Answered: `{"done": true}`,
`{"snapshot": {...}}`, or `{"refused": "why", "mend": "what to do"}`.
"""

from __future__ import annotations

import json
from typing import Any, Protocol

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import Command
from coilbench.capture.running.snapshot import Snapshot

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
            raise CoilbenchError("this is no request", mend="Ask for a snapshot or give a command")
        session.obey(Command.from_document(asked["command"]))
    except CoilbenchError as refusal:
        return _line({"refused": refusal.what, "mend": refusal.mend})
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
        mend="It may be another version of coilbench: start it again",
    )


def _line(document: dict[str, Any]) -> bytes:
    return json.dumps(document, allow_nan=False).encode("ascii") + b"\n"


def _request(line: bytes) -> dict[str, Any]:
    """Return the object that a request's line holds, all its text printable."""
    if len(line) > LONGEST_REQUEST:
        raise CoilbenchError(f"a request has at most {LONGEST_REQUEST} bytes", mend="Ask for less")
    found = _object(line)
    if found is None:
        raise CoilbenchError("this is no line of JSON", mend="Send one object on one line")
    texts = [text for text in _texts(found) if not text.isprintable()]
    if texts:
        raise CoilbenchError("a text holds what can't be printed", mend="Leave it out")
    return found


def _reply(line: bytes) -> dict[str, Any]:
    found = _object(line)
    if found is None:
        raise _no_answer()
    if "refused" in found:
        mend = found.get("mend")
        raise CoilbenchError(str(found["refused"]), mend=None if mend is None else str(mend))
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
