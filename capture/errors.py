"""The one exception a user may meet: what went wrong, where, and what to do about it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

UNITS = {"_n_per_mm": "N/mm", "_mm": "mm", "_n": "N", "_kg": "kg"}  # by how a quantity's name ends


class CoilbenchError(Exception):
    """Bad usage, bad input or a failed device, worded for the person at the bench.

    The command line prints it as one line on stderr and exits with 2.

    Args:
        what: what is wrong, without a full stop ("the column 'counts' is missing").
        where: the file, line, port or option it happened at, if there is one.
        hint: what to do about it, an imperative sentence without a full stop.
        facts: what `what` and `hint` name as "{height_mm}". Where the name ends in a unit, the
            command line writes it in the user's. Without any facts, braces are braces.
    """

    def __init__(
        self, what: str, *, where: str | None = None, hint: str | None = None, **facts: Any
    ) -> None:
        self._what, self._hint, self._facts = what, hint, facts
        self.where = where
        self.in_units(_written)
        super().__init__(what)

    def in_units(self, write: Callable[[str, Any], str | None]) -> None:
        """Write the message again: `write` gives a fact's text, or None where it is no quantity."""
        written = {name: write(name, value) for name, value in self._facts.items()}
        shown = self._facts | {name: text for name, text in written.items() if text is not None}
        self.what = _filled(self._what, shown)
        self.hint = None if self._hint is None else _filled(self._hint, shown)

    def __str__(self) -> str:
        where = "" if self.where is None else f"{self.where}: "
        hint = "" if self.hint is None else f" {self.hint}."
        return f"{where}{self.what}.{hint}"


def _filled(text: str, shown: Mapping[str, Any]) -> str:
    return text.format_map(shown) if shown else text


def _written(name: str, value: Any) -> str | None:
    end = next((end for end in UNITS if name.endswith(end)), None)
    return None if end is None or value is None else f"{round(value, 2):g} {UNITS[end]}"


class Doubtful(CoilbenchError):
    """Something that can be, but looks like a slip: a person who is sure may have it stored."""


class WorkerDied(CoilbenchError):
    """A thread of the program ended unexpectedly, a defect: starting again may work."""
