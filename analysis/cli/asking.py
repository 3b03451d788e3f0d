"""Questions to the person at the bench, one line each; over a pipe the answers are lines too."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from enum import Enum
from typing import TypeVar

import click

from coilbench.analysis.cli.common import say, say_aside, units
from coilbench.capture.errors import CoilbenchError, Doubtful
from coilbench.capture.tables.dimensions import STORE_AS_IT_IS
from coilbench.capture.units import parse_number

_Answer = TypeVar("_Answer")
_NUMBER_ALONE = re.compile(r"[+-]?[0-9.,]+(?:[eE][+-]?[0-9]+)?")
UNKNOWN_MARK = "?"
_BACK = ("u", "back")
_TRAIL = "coilbench.trail"
_YES, _NO = ("y", "yes"), ("n", "no")


class Reply(Enum):
    """An answer that is no value: keep what there is, not known (any more), the last was wrong."""

    KEEP = "keep"
    UNKNOWN = "unknown"
    BACK = "back"


class WentBack(Exception):
    """The last answer is to be given again."""


class Trail:
    """The questions of a part of a dialogue, so that one can go back in it by asking it again."""

    def __init__(self) -> None:
        self._asked: list[str] = []
        self._until: str | None = None

    def begin(self, until: str | None) -> None:
        """Ask the part again: what comes before a question keeps its answer unasked."""
        self._asked, self._until = [], until

    def passes(self, question: str) -> bool:
        """Note a question; return whether it keeps its answer unasked."""
        self._asked.append(question)
        if self._until == question:
            self._until = None
        return self._until is not None

    @property
    def missed(self) -> bool:
        """Whether the question to go back to was not asked again."""
        return self._until is not None

    @property
    def last(self) -> str | None:
        """The last question; None where there was none."""
        return self._asked[-1] if self._asked else None

    @property
    def before(self) -> str | None:
        """The question before the last one; None where that was the first."""
        return self._asked[-2] if len(self._asked) > 1 else None


def part(
    ask_part: Callable[[], None], until: str | None = None, *, again_whole: bool = False
) -> str | None:
    """Ask a part of a dialogue, going back in it where somebody answers `u`.

    Args:
        until: the question to begin at; those before it keep their answers.
        again_whole: whether going back asks the whole part again, as its questions depend on
            answers that are not kept.

    Returns:
        Its last question, to begin at when one comes back to it; None for the whole part.

    Raises:
        WentBack: before its first question.
    """
    trail = Trail()
    click.get_current_context().meta[_TRAIL] = trail
    trail.begin(until)
    while True:
        try:
            ask_part()
        except WentBack:
            if trail.before is None:
                raise
            trail.begin(None if again_whole else trail.before)
            continue
        if not trail.missed:
            return None if again_whole else trail.last
        trail.begin(None)


def ask(
    question: str,
    parse: Callable[[str], _Answer],
    present: str | None = None,
    sure: Callable[[str], _Answer] | None = None,
) -> _Answer | Reply:
    """Ask until there is an answer that can be read.

    Args:
        question: without a colon.
        parse: reads the answer; what it refuses is said in one line, and asked again.
        present: the present answer, shown; None where there is none.
        sure: reads an answer that parse finds doubtful, once the person says that it is so.

    Raises:
        click.Abort: Ctrl-C, or no more input.
        WentBack: somebody goes back, inside a part.
    """
    shown = "" if present is None else f" [{present}]"
    doubtful = ""
    context = click.get_current_context(silent=True)
    trail: Trail | None = None if context is None else context.meta.get(_TRAIL)
    if trail is not None and trail.passes(question):
        return Reply.KEEP
    while True:
        text = click.prompt(f"{question}{shown}", default="", show_default=False).strip()
        if not sys.stdin.isatty():
            click.echo(text)  # a terminal shows what is typed, a pipe doesn't
        if not text:
            return Reply.KEEP
        if text == UNKNOWN_MARK:
            return Reply.UNKNOWN
        if trail is not None and text.lower() in _BACK:
            raise WentBack
        if doubtful and text.lower() in _NO:
            return Reply.KEEP
        read, said = (
            (sure or parse, doubtful) if doubtful and text.lower() in _YES else (parse, text)
        )
        doubtful = ""
        try:
            return read(said)
        except Doubtful as error:
            doubtful = said
            say_aside(
                f"  {doubt_text(error)} y: {said} is stored, as typed; n: not stored; or type what "
                "is meant."
            )
        except CoilbenchError as error:
            error.in_units(units().quantity)
            say_aside(f"  {' '.join(str(error).split())}")


def doubt_text(error: Doubtful) -> str:
    """Write what is doubtful for a person who is asked: without the option that stores it."""
    error.in_units(units().quantity)
    return " ".join(str(error).split()).replace(f" {STORE_AS_IT_IS}.", "")


def sure_of(act: Callable[[bool], _Answer], *, yes: bool) -> _Answer:
    """Do what may be a slip: where it looks like one, once the person at the terminal says so.

    Args:
        act: does it; told whether the person is sure.
        yes: whether they said so from the start.

    Raises:
        Doubtful: it looks like a slip, and nobody can be asked, or they say no.
    """
    try:
        return act(yes)
    except Doubtful as error:
        if not (sys.stdin.isatty() and sys.stdout.isatty()):
            raise
        say(doubt_text(error))
        if not click.confirm("Is it so?", default=False):
            raise CoilbenchError("nothing was stored", hint="Type it again") from error
        return act(True)


def with_unit(text: str, unit: str) -> str:
    """Return a quantity as typed; where the unit was left out, with this one, which is said.

    Raises:
        CoilbenchError: a number that can be read in two ways.
    """
    if not _NUMBER_ALONE.fullmatch(text):
        return text
    parse_number(text)
    click.echo(f"  taken as {text} {unit}")
    return f"{text} {unit}"


def yes_or_no(text: str) -> bool:
    """Read yes or no.

    Raises:
        CoilbenchError: it is neither.
    """
    if text.lower() in _YES:
        return True
    if text.lower() in _NO:
        return False
    raise CoilbenchError(f"{text[:40]!r} is neither", hint="Answer yes or no")


def one_of(*words: str) -> Callable[[str], str]:
    """Return what reads one of some words, or its first letters."""

    def read(text: str) -> str:
        found = [word for word in words if word.startswith(text.lower())]
        if len(found) != 1:
            raise CoilbenchError(f"{text[:40]!r} is none of them", hint=f"Answer {listed(words)}")
        return found[0]

    return read


def listed(words: tuple[str, ...]) -> str:
    """Write words as a choice: "outer, inner or single"."""
    *first, last = words
    return f"{', '.join(first)} or {last}" if first else last
