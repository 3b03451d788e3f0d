"""What redo and back take back: the last press, or those that a question asks about."""

from __future__ import annotations

from typing import Protocol

from coilbench.capture.blocks import Finding
from coilbench.capture.running.checking import StrokeChecks
from coilbench.capture.running.commands import Command
from coilbench.capture.running.kinds import Action
from coilbench.capture.running.turn_taking import TurnTaking
from coilbench.capture.running.unproven import Unproven
from coilbench.capture.running.which_was_wrong import which_was_wrong, whose_before_was_wrong


class Answers(Protocol):
    """What asks about presses."""

    def was_another(self, asked: Finding | None) -> bool:
        """Take a person's word that a press was of another spring; returns whether it did."""

    def passed_over(self, asked: Finding | None) -> None:
        """Something else was done than to answer."""


class OfDatums(Answers, Protocol):
    """What asks about the datum, and what counts by it."""

    def scale_right(self) -> None:
        """Another spring was pressed: what seemed a slip says nothing."""

    def closing_of_another(self) -> None:
        """The closing press was: what it left out counts."""


class Closes(Protocol):
    """What asks for the press that closes the set."""

    def went_back(self) -> None:
        """A person went back to a spring."""

    def take_back(self) -> None:
        """Its press was of another spring."""


class TakingBack:
    """Takes presses back that were of another spring, or that a person wants anew.

    Used by the thread that owns the book.
    """

    def __init__(
        self,
        turns: TurnTaking,
        checks: StrokeChecks,
        unproven: Unproven,
        strokes: Answers,
        datums: OfDatums,
        closing: Closes,
    ) -> None:
        self._turns, self._checks, self._unproven = turns, checks, unproven
        self._strokes, self._datums, self._closing = strokes, datums, closing

    def turn_asked(self, command: Command, asked: Finding | None) -> None:
        """Do what was asked about the turns, and say what becomes of a question.

        Args:
            asked: the question that stood.

        Raises:
            NotPossible: says why not.
        """
        back = command.action is Action.BACK
        if not (back and command.question is not None and self._those_before(asked)):
            self._turns.execute(command)
            self._strokes.passed_over(asked)
        if back:
            self._closing.went_back()

    def redo(self, asked: Finding | None) -> None:
        """Take back what a question names; without one, the last press.

        Args:
            asked: the question that stood.
        """
        other = other_of_two(asked)
        if other is not None:
            self._checks.took_back(self._turns.take_out(other))
            self._unproven.forget()
        elif of_closing(asked):
            self._datums.closing_of_another()
            self._closing.take_back()
        elif self._strokes.was_another(asked) or self._datums.was_another(asked):
            return
        elif self._turns.redo(before=which_was_wrong(asked)):
            self._checks.took_back()
            self._unproven.redone()
            if which_was_wrong(asked):
                self._datums.scale_right()
        self._datums.passed_over(asked)

    def _those_before(self, asked: Finding | None) -> bool:
        """Take a person's word that the presses before the one that is asked about were another's.

        Returns:
            Whether that is an answer; then none of the spring's presses counts.
        """
        label = whose_before_was_wrong(asked)
        if label is None or label not in self._turns.record.labels:
            return False
        self._checks.took_back(self._turns.begin_anew(label))
        self._unproven.forget()
        self._datums.scale_right()
        return True


def other_of_two(question: Finding | None) -> str | None:
    """Return the spring that may be the odd one as well as the one that is asked about."""
    odd = question is not None and question.kind == "another_spring"
    return question.facts.get("other") if odd and question is not None else None


def of_closing(question: Finding | None) -> bool:
    """Tell whether it asks about presses that a closing press put in doubt."""
    if question is None or question.kind != "strokes_in_doubt":
        return False
    return bool(question.facts.get("closing"))
