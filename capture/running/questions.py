"""What a person must answer before the capture goes on, and what the answer does."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from coilbench.capture.blocks import Finding
from coilbench.capture.book.connection import Database
from coilbench.capture.book.counting import let_count
from coilbench.capture.running.commands import Event
from coilbench.capture.running.judged import LeftOut, Waiting
from coilbench.capture.running.kinds import BY_A_GAUGE, OF_A_PRESS, OF_HEIGHTS, Action, EventKind
from coilbench.capture.running.not_possible import NotPossible
from coilbench.capture.running.stroke_events import counts, left_out
from coilbench.capture.running.turn_taking import TurnTaking

FEW = 3  # labels that are named
Answer = Callable[[bool], None]  # told yes or no
# No to these is that another spring stands in the press.
_OF_ANOTHER = ("another_spring", "touched_low")
READ_S = 1.0  # a yes that comes sooner was no answer to the question; our choice, no source


class Questions:
    """One question at a time; it goes when something else is done.

    Used by the thread that owns the book.

    Args:
        took: told the press that an answer lets count.
        stands: told which question stands, each time that changes.
        waits: whether a press counts for good only once the quill is seen at its stop.

    Attributes:
        asked: the question that stands.
        answer: what an answer to it does; None: the capture ends.
        finished: a person said that the capture ends here.
    """

    def __init__(
        self,
        db: Database,
        turns: TurnTaking,
        took: Callable[[Waiting], None],
        stands: Callable[[Finding | None], None],
        waits: Callable[[], bool],
        say: Callable[[Event], None],
        clock: Callable[[], float],
    ) -> None:
        self._db = db
        self._turns = turns
        self._took = took
        self._stands = stands
        self._waits = waits
        self._report = say
        self._clock = clock
        self._asked_s = 0.0
        self.answer: Answer | None = None
        self.asked: Finding | None = None
        self.finished = False

    def ask(self, question: Finding, answer: Answer | None = None) -> None:
        """Ask; None asks whether the capture ends."""
        self.asked, self.answer = question, answer
        self._asked_s = self._clock()
        self._stands(question)
        self._report(Event(EventKind.QUESTION, question))

    def drop(self) -> None:
        """Something else was done: the stroke that waits does not count."""
        self.asked = self.answer = None
        self._stands(None)

    def stands(self) -> Callable[[], None]:
        """Return what lets the question stand that stands now, where nothing was done instead."""
        asked, answer, asked_s = self.asked, self.answer, self._asked_s

        def again() -> None:
            if self.asked is None and asked is not None:
                self.asked, self.answer, self._asked_s = asked, answer, asked_s
                self._stands(asked)

        return again

    def passed_over(self, asked: Finding | None, label: str | None) -> None:
        """Say what becomes of a question, now that something else was done.

        Args:
            label: the spring whose press it asked about; None for none.
        """
        if asked is None:
            return
        if asked.kind in OF_A_PRESS and label is not None:
            self._report(Event.of(EventKind.TURN, "not_counted", label=label))
        elif asked.kind == "solid_seen":
            self._report(Event.of(EventKind.TURN, "solid_left", label=asked["label"]))
        elif asked.kind == "finish_unfinished" and not self.finished:
            self._report(Event(EventKind.TURN, Finding("goes_on")))

    def takes(self, action: Action, seen: str | None = None) -> bool:
        """Do what an action means for a question; returns whether that was all of it.

        Args:
            seen: the kind of the question that it answers; None where nobody said.

        Raises:
            NotPossible: it is an answer, and nothing was asked, or another thing, or so lately that
                nobody can have read it; then the question stands.
        """
        asked, answer = self.asked, self.answer
        if asked is not None and seen not in (None, asked.kind):
            raise NotPossible("too_soon", action=action)
        yes = action is Action.ACCEPT or (action is Action.FINISH and answer is None)
        if asked is not None and yes and self._clock() - self._asked_s < READ_S:
            raise NotPossible("too_soon", action=action)
        if action is Action.NO_GAUGE:
            return False
        if action is Action.GAUGE and asked is not None and asked.kind in BY_A_GAUGE:
            return False  # what it says answers that
        self.drop()
        if action is Action.FINISH:
            self._finish(again=asked is not None and answer is None)
        elif action in (Action.ACCEPT, Action.TAKE_OUT):
            if asked is None:
                raise NotPossible("no_question", action=action)
            if answer is None:
                self.finished = action is Action.ACCEPT
                if not self.finished:
                    self._report(Event(EventKind.TURN, Finding("goes_on")))
            else:
                answer(action is Action.ACCEPT)
        else:
            return False
        return True

    def _finish(self, *, again: bool) -> None:
        """End here; ask once where springs are unfinished."""
        order = self._turns.order
        left = [label for label in order.labels if label not in order.finished()]
        if not left or again:
            self.finished = True
            return
        facts = {"left": len(left), "labels": left[:FEW], "springs": len(order.labels)}
        self.ask(Finding("finish_unfinished", facts))

    def answered(
        self, waiting: Waiting, question: Finding, odd: Sequence[LeftOut], *, counts: bool
    ) -> None:
        """Let a stroke count, and those not which it shows to be odd, or not, as a person said."""
        label = waiting.turn.label
        if counts:
            self.count(waiting, Finding("accepted", {"label": label}), odd)
            return
        if question.kind in _OF_ANOTHER:
            self.say_taken_out(label)
        else:
            self._report(Event.of(EventKind.TURN, "not_counted", label=label))

    def say_open(self, asked: Finding, label: str | None) -> None:
        """Say, at the end, that nobody answered it."""
        heights = asked.kind in OF_HEIGHTS
        facts = {"label": label, "heights": heights}
        self._report(Event(EventKind.TURN, Finding("press_open", facts)))

    def say_taken_out(self, label: str) -> None:
        """Say that a press of another spring does not count."""
        self._report(Event.of(EventKind.TURN, "taken_out", label=label))

    def count(self, waiting: Waiting, why: Finding, odd: Sequence[LeftOut] = ()) -> None:
        """Let a stroke count that did not, and say why; the odd ones no longer do."""
        turn = waiting.turn
        with self._db.atomic():
            self._turns.make_room(turn)
            let_count(self._db, waiting.sweep_id, why)
            self._turns.leave_out(odd)
            self._took(waiting)
        self._turns.took(turn, counted=True)
        next_label = self._turns.next_label(turn.label)
        self._report(counts(turn, why, next_label, waits=self._waits()))
        for one in odd:
            self._turns.lost_one(turn.label)
            self._report(left_out(turn, one.number, one.findings))
        self._turns.tell_done(waits=self._waits())
