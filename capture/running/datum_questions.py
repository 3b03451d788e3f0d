"""A datum that differs from the one before, and one in doubt: what is asked, what then counts."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray
from sqlite_utils import Database

from coilbench.capture.blocks import Finding
from coilbench.capture.book.counting import ReadStroke, leave_out, let_count, read_by_travel
from coilbench.capture.running.checking import HEIGHTS_IN_DOUBT
from coilbench.capture.running.commands import Event
from coilbench.capture.running.heights import Heights, NewDatum
from coilbench.capture.running.kinds import EventKind
from coilbench.capture.running.questions import Questions
from coilbench.capture.running.stroke_events import left_out
from coilbench.capture.running.turn_taking import TurnTaking
from coilbench.capture.strokes.judging import Turn


class DatumQuestions:
    """Lets no presses of two datums be mixed unasked.

    Used by the thread that owns the book.

    Args:
        take: makes a datum hold; raises NotPossible.
        took_back: told how many of the newest presses that counted do not.
    """

    def __init__(
        self,
        db: Database,
        heights: Heights,
        turns: TurnTaking,
        questions: Questions,
        take: Callable[[NewDatum], None],
        took_back: Callable[[int], None],
        say: Callable[[Event], None],
    ) -> None:
        self._db = db
        self._heights = heights
        self._turns = turns
        self._questions = questions
        self._take = take
        self._took_back = took_back
        self._stop_told = False
        self._since_stop: list[tuple[str, Turn]] = []  # counted since the quill stood there
        self._report = say
        self._unasked: Finding | None = None  # what was seen in mid press, and not asked about yet

    def look(
        self, samples: NDArray[np.void], height_mm: NDArray[np.float64], *, idle: bool
    ) -> Finding | None:
        """Take samples, and their heights, shape (n,); return that the scale jumped in a press.

        Args:
            idle: whether nothing is pressed; else it is asked about once that is let up.
        """
        jump = self._heights.look(samples, height_mm)
        if jump is not None:
            self._unasked = jump
            self._heights.doubt(jump)
        self._at_stop(self._heights.at_rest(samples, idle=idle))
        free = self._questions.asked is None or self._questions.asked.kind == "datum_doubted"
        if idle and free and self._unasked is not None and self._heights.doubted is not None:
            self.doubt(self._unasked)
        return None if idle else jump

    def _at_stop(self, moved: Finding | None) -> None:
        """Take that the quill rests elsewhere than before."""
        if self._heights.at_stop:
            self._stop_told = False
            self._since_stop.clear()
        if moved is None or self._stop_told:
            return
        self._stop_told, self._unasked = True, moved
        self._heights.doubt(moved)
        self._spoil(moved)

    def counted(self, sweep_id: str, turn: Turn) -> None:
        """A press counted, as long as the quill comes back to its stop."""
        self._since_stop.append((sweep_id, turn))

    def _spoil(self, why: Finding) -> None:
        """Take back what was pressed since the quill last stood at its stop."""
        spoilt, self._since_stop = self._since_stop, []
        if not spoilt:
            return
        with self._db.atomic():
            for sweep_id, _ in spoilt:
                leave_out(self._db, sweep_id, why)
        self._took_back(len(spoilt))
        self._turns.reread()
        for _, turn in spoilt:
            self._report(left_out(turn, turn.number, [why]))

    def after_press(self, findings: Sequence[Finding]) -> None:
        """Ask whether the datum is right where a press put it in doubt, or left it there."""
        slip = next((one for one in findings if one.kind in HEIGHTS_IN_DOUBT), None)
        if slip is not None and not self._heights.lost:
            self.doubt(slip)
        elif self._heights.doubted is not None:
            self.doubt(Finding.from_document(self._heights.doubted["why"]))

    def doubt(self, why: Finding) -> None:
        """The scale may have slipped: ask whether the datum is right."""
        self._unasked = None
        self._questions.ask(self._heights.doubt(why), self._doubt_answered)

    def _doubt_answered(self, yes: bool) -> None:
        if yes:
            self._heights.confirm()
        else:
            self._report(Event.of(EventKind.TURN, "datum_to_set"))

    def offer(self, new: NewDatum) -> None:
        """Take a datum; where it contradicts the one that stands, ask whether it is right.

        One in doubt is settled by a gauge, unless the quill's stop says that it did not move.
        """
        stands = self._heights.doubted is None or self._heights.stop_holds
        if new.differs and stands:
            if not self._heights.lost:  # till it is answered, nobody knows which of them is right
                self._heights.doubt(new.question)
            self._questions.ask(new.question, lambda yes: self._settle(new, yes=yes))
        else:
            self._settle(new, yes=True)

    def _settle(self, new: NewDatum, *, yes: bool) -> None:
        if not yes:
            self._heights.doubted = None
            self._report(Event.of(EventKind.TURN, "datum_kept"))
            return
        before = read_by_travel(self._db, *self._heights.read_with)
        mine = [one for one in before if one.set_name == self._turns.record.name]
        with self._db.atomic():
            self._take(new)
            for one in mine if new.differs else ():
                leave_out(self._db, one.sweep_id, Finding("datum_replaced"))
        self._turns.reread()
        others = dict.fromkeys(one.set_name for one in before if one not in mine)
        facts = {"presses": len(mine), "others": list(others), "differs": new.differs}
        self._report(Event(EventKind.TURN, Finding("datum_set", new.facts | facts)))
        if new.differs and mine:
            labels = list(dict.fromkeys(one.label for one in mine))
            asked = {"presses": len(mine), "labels": labels, "moved_mm": new.moved_mm}
            answer = self._kept_answer(mine)
            self._questions.ask(Finding("strokes_in_doubt", asked), answer)

    def _kept_answer(self, presses: Sequence[ReadStroke]) -> Callable[[bool], None]:
        def answered(yes: bool) -> None:
            if yes:
                with self._db.atomic():
                    for one in presses:
                        let_count(self._db, one.sweep_id, Finding("accepted", {"label": one.label}))
                self._turns.reread()
            what = "presses_kept" if yes else "presses_left"
            self._report(Event.of(EventKind.TURN, what, presses=len(presses)))
            self._turns.tell_done()

        return answered
