"""What redo takes back: the last press, or the one that a question asks about."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from coilbench.capture.blocks import Finding
from coilbench.capture.running.checking import StrokeChecks
from coilbench.capture.running.turn_taking import TurnTaking
from coilbench.capture.running.unproven import Unproven


class TakingBack:
    """Takes presses back that were of another spring, or that a person wants anew.

    Used by the thread that owns the book.

    Args:
        was_another: each takes a person's word, where its question asks for that, that a press was
            of another spring; returns whether it did.
        closing: what takes back the press that was to close the set.
    """

    def __init__(
        self,
        turns: TurnTaking,
        checks: StrokeChecks,
        unproven: Unproven,
        was_another: Sequence[Callable[[Finding | None], bool]],
        closing: Sequence[Callable[[], None]],
    ) -> None:
        self._turns, self._checks, self._unproven = turns, checks, unproven
        self._was_another, self._closing = was_another, closing

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
            for take_back in self._closing:
                take_back()
        elif any(took(asked) for took in self._was_another):
            return
        elif self._turns.redo(before=which_was_wrong(asked)):
            self._checks.took_back()
            self._unproven.redone()


def other_of_two(question: Finding | None) -> str | None:
    """Return the spring that may be the odd one as well as the one that is asked about."""
    odd = question is not None and question.kind == "another_spring"
    return question.facts.get("other") if odd and question is not None else None


def of_closing(question: Finding | None) -> bool:
    """Tell whether it asks about presses that a closing press put in doubt."""
    if question is None or question.kind != "strokes_in_doubt":
        return False
    return bool(question.facts.get("closing"))


def which_was_wrong(question: Finding | None) -> bool:
    """Tell whether it asks which of a spring's presses was of another: it may be the one before."""
    return (
        question is not None
        and question.kind == "another_spring"
        and bool(question.facts.get("own"))
    )
