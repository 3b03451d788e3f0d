"""What is asked about a press before it counts, and what the answer does."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from coilbench.capture.blocks import Finding
from coilbench.capture.running.judged import Judged, Rival, Waiting
from coilbench.capture.running.questions import Questions
from coilbench.capture.running.turn_taking import TurnTaking

# Yes to these is that the scale did not slip; `same_again` is asked in doubt of a slip alone, and
# says that it was the spring's.
_OF_THE_SCALE = ("datum_moved", "same_again")


class StrokeQuestions:
    """Asks whether a press counts.

    Used by the thread that owns the book.

    Args:
        said: told that by a person's word the scale did not slip.
        doubt: told why it may have.
    """

    def __init__(
        self,
        turns: TurnTaking,
        questions: Questions,
        said: Callable[[], None],
        doubt: Callable[[Finding], None],
    ) -> None:
        self._turns = turns
        self._questions = questions
        self._said = said
        self._doubt = doubt

    def ask(self, waiting: Waiting, judged: Judged) -> None:
        """Ask the question with which it was judged."""
        question, rivals = judged.question, judged.agrees_with
        if question is not None:
            answer = lambda yes: self._answered(waiting, question, rivals, yes=yes)  # noqa: E731
            self._questions.ask(question, answer)

    def _answered(
        self, waiting: Waiting, question: Finding, rivals: Sequence[Rival], *, yes: bool
    ) -> None:
        self._questions.answered(waiting, question, counts=yes)
        if yes and question.kind in _OF_THE_SCALE:
            self._said()
        elif not yes and question.kind == "datum_moved":
            self._doubt(question)
        if yes:
            self.give_back(rivals)

    def give_back(self, rivals: Sequence[Rival]) -> None:
        """Let presses count that were refused, as far as the spring wants more of its sort."""
        for rival in rivals:
            turn = self._turns.turn
            if turn is not None and turn.label == rival.sweep.label and turn.number > 1:
                press = rival.press._replace(turn=turn)
                self._questions.count(press, Finding.of("rival_agrees", label=turn.label))


def which_was_wrong(question: Finding | None) -> bool:
    """Tell whether it asks which of a spring's presses was of another: it may be the one before."""
    return (
        question is not None
        and question.kind == "another_spring"
        and bool(question.facts.get("own"))
    )
