"""What is asked about a press before it counts, and what the answer does."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from msgspec.structs import replace

from coilbench.capture.blocks import Finding
from coilbench.capture.book.sessions import LeftPresses
from coilbench.capture.running.checking import StrokeChecks
from coilbench.capture.running.judged import Judged, Rival, Waiting
from coilbench.capture.running.kinds import OF_A_PRESS, OF_HEIGHTS
from coilbench.capture.running.questions import Questions
from coilbench.capture.running.turn_taking import TurnTaking

_OF_HEIGHTS = "datum_moved"


class StrokeQuestions:
    """Asks whether a press counts.

    Used by the thread that owns the book.

    Args:
        spring_slips: told that by a person's word it was the spring which slipped.
        passed_over: told what was asked as something else was done.
        doubt: told why the scale may have slipped.
        said: told why it did, by a person's word.
    """

    def __init__(
        self,
        turns: TurnTaking,
        questions: Questions,
        checks: StrokeChecks,
        spring_slips: Callable[[], None],
        passed_over: Callable[[Finding | None], None],
        doubt: Callable[[Finding], None],
        said: Callable[[Finding], None],
    ) -> None:
        self._turns = turns
        self._questions = questions
        self._checks = checks
        self._spring_slips = spring_slips
        self._passed_over = passed_over
        self._doubt = doubt
        self._said = said
        self._asked: tuple[Waiting, Judged] | None = None  # the press that was asked about last
        self._stood: tuple[Waiting, Judged] | None = None  # when a command came

    def ask(self, waiting: Waiting, judged: Judged) -> None:
        """Ask the question with which it was judged."""
        question = judged.question
        other = None if question is None else question.facts.get("other")
        if question is not None and other is not None:
            order = self._turns.order
            third = next(
                (one for one in order.labels if one not in (waiting.turn.label, other)), None
            )
            more = {"other_presses": order.counted_of(other), "third": third}
            question = Finding(question.kind, {**question.facts, **more})
        if question is not None:
            self._asked = waiting, judged
            answer = lambda yes: self._answered(waiting, question, judged, yes=yes)  # noqa: E731
            self._questions.ask(question, answer)

    @property
    def of_heights(self) -> bool:
        """Whether it is asked if heights are right."""
        asked = self._questions.asked
        return asked is not None and asked.kind == _OF_HEIGHTS

    @property
    def open(self) -> LeftPresses | None:
        """The press that is asked about now; None for none."""
        asked, press = self._questions.asked, self._asked
        if asked is None or press is None or press[1].question is None:
            return None
        of_it = asked.kind == press[1].question.kind
        return LeftPresses(Finding.of(asked.kind), (press[0].sweep_id,)) if of_it else None

    def stands(self) -> Callable[[], None]:
        """Return what asks again the question that stands, where only an answer settles it.

        Whether heights are right, no press says that is no good itself, nor another spring.
        """
        stood, self._stood = self._asked if self.of_heights else None, None
        if stood is None:
            return lambda: None
        self._stood = stood
        return lambda: self.ask(*stood)

    def gauged(self, *, agrees: bool) -> None:
        """A gauge was read; where it agrees, the heights that were asked about are right.

        What is left to ask is asked of the spring.
        """
        stood, self._stood = self._stood, None
        if not agrees:
            return
        self._checks.gauged()
        if stood is not None and stood[1].question is not None:
            waiting, judged = stood
            of_spring = Finding("sits_otherwise", stood[1].question.facts)
            self.ask(waiting, replace(judged, question=of_spring))

    def passed_over(self, asked: Finding | None) -> None:
        """Something else was done while it was asked: say what becomes of it.

        Where it was whether heights are right, nobody knows of them.
        """
        self._questions.passed_over(asked, self._label)
        if asked is not None and asked.kind == _OF_HEIGHTS:
            self._doubt(asked)
        self._passed_over(asked)

    def gauge_comes(self, asked: Finding | None) -> None:
        """A gauge is awaited while it was asked: say what becomes of it, unless that answers it."""
        if asked is not None and asked.kind not in OF_HEIGHTS:
            self._questions.passed_over(asked, self._label)

    @property
    def _label(self) -> str | None:
        """The spring whose press was asked about last."""
        return None if self._asked is None else self._asked[0].turn.label

    def end(self) -> None:
        """The capture ends: a press that is asked about does not count."""
        asked = self._questions.asked
        if asked is not None and asked.kind in OF_A_PRESS:
            self._questions.say_open(asked, self._label)

    def was_another(self, asked: Finding | None) -> bool:
        """Take a person's word that a press was of another spring; returns whether that was asked.

        It is an answer to whether heights are right: then they may be.
        """
        another = asked is not None and asked.kind == _OF_HEIGHTS
        if another and asked is not None:
            self._questions.say_taken_out(asked["label"])
        return another

    def _answered(self, waiting: Waiting, question: Finding, judged: Judged, *, yes: bool) -> None:
        rivals = judged.agrees_with
        self._questions.answered(waiting, question, judged.left_out, counts=yes)
        if yes and question.kind == "same_again":
            self._spring_slips()
        elif not yes and question.kind == _OF_HEIGHTS:
            self._said(question)
        if yes:
            self.give_back(rivals)

    def give_back(self, rivals: Sequence[Rival]) -> None:
        """Let presses count that were refused, as far as the spring wants more of its sort."""
        for many, rival in enumerate(rivals, start=1):
            turn = self._turns.turn
            if turn is not None and turn.label == rival.sweep.label and turn.number > 1:
                press = rival.press._replace(turn=turn)
                why = Finding.of("rival_agrees", label=turn.label, presses=many)
                self._questions.count(press, why)
