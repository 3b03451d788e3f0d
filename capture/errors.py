"""The one exception a user may meet: what went wrong, where, and what to do about it."""

from __future__ import annotations


class CoilbenchError(Exception):
    """Bad usage, bad input or a failed device, worded for the person at the bench.

    The command line prints it as one line on stderr and exits with 2.

    Args:
        what: what is wrong, without a full stop ("the column 'counts' is missing").
        where: the file, line, port or option it happened at, if there is one.
        hint: what to do about it, an imperative sentence without a full stop.
    """

    def __init__(self, what: str, *, where: str | None = None, hint: str | None = None) -> None:
        self.what = what
        self.where = where
        self.hint = hint
        super().__init__(what)

    def __str__(self) -> str:
        where = "" if self.where is None else f"{self.where}: "
        hint = "" if self.hint is None else f" {self.hint}."
        return f"{where}{self.what}.{hint}"


class WorkerDied(CoilbenchError):
    """A thread of the program ended unexpectedly, a defect: starting again may work."""
