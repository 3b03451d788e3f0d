"""Presses that are left out till a person says whether they count."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from coilbench.capture.blocks import Finding
from coilbench.capture.book.connection import Database
from coilbench.capture.book.counting import ReadStroke, leave_out, left_out_of, let_count
from coilbench.capture.book.notes import says
from coilbench.capture.book.sessions import LeftPresses
from coilbench.capture.calibration.standing import STOP_REPEATS_MM, stop_shows
from coilbench.capture.running.against import SAID
from coilbench.capture.running.commands import Event
from coilbench.capture.running.heights import Heights
from coilbench.capture.running.kinds import EventKind
from coilbench.capture.running.new_datum import NewDatum
from coilbench.capture.running.questions import Questions
from coilbench.capture.running.turn_taking import TurnTaking
from coilbench.capture.running.unproven import Unproven


def _named(left: LeftPresses) -> dict[str, Any]:
    facts = left.question.facts
    return {name: facts.get(name) for name in ("presses", "labels", "each", "closing")}


def _of(question: Finding, presses: Sequence[ReadStroke]) -> LeftPresses:
    facts = {**question.facts, **_each(presses)}
    return LeftPresses(Finding(question.kind, facts), tuple(one.sweep_id for one in presses))


def _each(presses: Sequence[ReadStroke]) -> dict[str, Any]:
    of = Counter(one.label for one in presses)
    return {"presses": len(presses), "labels": list(of), "each": list(of.values())}


class LeftQuestions:
    """Asks whether presses count that a closing press, or another datum, left out.

    Used by the thread that owns the book.
    """

    def __init__(
        self,
        db: Database,
        heights: Heights,
        turns: TurnTaking,
        questions: Questions,
        unproven: Unproven,
        say: Callable[[Event], None],
    ) -> None:
        self._db = db
        self._heights = heights
        self._turns = turns
        self._questions = questions
        self._unproven = unproven
        self._report = say
        self._left: list[LeftPresses] = []  # of this set; what a closing press left out first
        self._elsewhere: tuple[LeftPresses, ...] = ()
        self._closing_denied = False  # a person said of presses that they do not count
        self._know()

    def _know(self) -> None:
        """Take up what an earlier capture asked about and nobody answered."""
        name, elsewhere = self._turns.record.name, []
        for left in self._heights.left:
            presses = left_out_of(self._db, left.sweep_ids)
            if presses and all(one.set_name == name for one in presses):
                self._left.append(_of(left.question, presses))
            elif presses:
                elsewhere.append(left)
        self._elsewhere = tuple(elsewhere)

    def _keep(self) -> None:
        self._left.sort(key=lambda one: not one.closing)
        self._heights.keep_left((*self._elsewhere, *self._left))

    @property
    def open(self) -> LeftPresses | None:
        """What presses may be asked about now: a doubt of the scale comes before those of others.

        One that a closing press raised is asked about with the presses that it left out.
        """
        if not self._left or self._heights.lost:
            return None
        first = self._left[0]
        return first if first.closing or self._heights.doubted is None else None

    def ask(self) -> bool:
        """Ask about those; returns whether there are some."""
        left = self.open
        if left is not None:
            self._questions.ask(left.question, self._answered)
        return left is not None

    def end(self) -> None:
        """Say of which presses the next capture asks again."""
        for left in self._left:
            self._report(Event.of(EventKind.TURN, "presses_open", **_named(left)))

    def leave(self, new: NewDatum, presses: Sequence[ReadStroke]) -> None:
        """Ask about presses from now on that were read by the datum before a new one."""
        self._left += self._left_by(new, presses)
        self._keep()

    def closing_differs(self, presses: Sequence[ReadStroke], why: Finding) -> None:
        """Heights moved at some time: presses since they were last shown do not count.

        Unless a person says so, or the quill's stop shows that the scale slipped later. That says
        nothing of a slip that is less than the quill comes back by.
        """
        tells = stop_shows(why["moved_mm"], why["u_mm"])
        stop = {"too_small": not tells, "stop_repeats_mm": STOP_REPEATS_MM}
        question = Finding("strokes_in_doubt", {**why.facts, "closing": why.facts["label"], **stop})
        with self._db.atomic():
            for one in presses:
                leave_out(self._db, one.sweep_id, why)
            for shown in (True, False):
                some = [
                    one
                    for one in presses
                    if (tells and one.sweep_id in self._unproven.shown) is shown
                ]
                asked = Finding(question.kind, {**question.facts, "shown": shown})
                self._left += [_of(asked, some)] if some else []
            self._keep()
            self._heights.doubt(why, None)
        self._unproven.forget()
        self._turns.reread()

    def closing_of_another(self) -> None:
        """By a person's word the closing press was of another spring: what it left out counts."""
        left = [one for one in self._left if one.closing]
        self._left = [one for one in self._left if not one.closing]
        with self._db.atomic():
            for press in (press for one in left for press in left_out_of(self._db, one.sweep_ids)):
                let_count(self._db, press.sweep_id, Finding("closing_taken_back"))
            self._heights.closing_aside(taken_back=True)
            self._keep()
        self._unproven.forget()  # what was pressed since is not what was asked about
        self._turns.reread()
        presses = sum(len(one.sweep_ids) for one in left)
        self._report(Event.of(EventKind.REDO, "closing_taken_back", presses=presses))

    def _left_by(self, new: NewDatum, presses: Sequence[ReadStroke]) -> Iterator[LeftPresses]:
        """Yield what is asked about one by one, the surest presses first.

        Those after which the quill was seen at its stop, the others, and what was pressed since a
        person set a doubt aside: a no costs those alone that it is said of.
        """
        shown = self._unproven.shown
        sorts: dict[tuple[bool, bool], list[ReadStroke]] = {}
        for one in presses:
            since = says(one.note, (SAID,))
            sorts.setdefault((since, one.sweep_id not in shown), []).append(one)
        for (since, unshown), some in sorted(sorts.items()):
            facts = {"since": since, "shown": not unshown and not since}
            yield _of(Finding("strokes_in_doubt", facts | {"moved_mm": new.moved_mm}), some)

    def _answered(self, yes: bool) -> None:
        if yes:
            self._counts("accepted")
        else:
            self._closing_denied |= self._left[0].closing
            left = self._left.pop(0)
            self._keep()
            self._report(Event.of(EventKind.TURN, "presses_left", **_named(left)))
            self._turns.tell_done()

    def _counts(self, why: str) -> None:
        """Let the presses that are asked about first count."""
        left = self._left.pop(0)
        said = why == "accepted"
        with self._db.atomic():
            for one in left_out_of(self._db, left.sweep_ids):
                let_count(self._db, one.sweep_id, Finding(why, {"label": one.label}))
            if left.closing and said:
                self._unproven.forget()  # what was pressed since is not what was asked about
                if not self._closing_denied and not any(one.closing for one in self._left):
                    self._heights.closing_aside()
            self._keep()
        self._turns.reread()
        facts = _named(left) | {"by": why}
        self._report(Event.of(EventKind.TURN, "presses_kept", **facts))
        self._turns.tell_done()

    def seen_later(self) -> None:
        """Let presses count that a closing press left out, where the scale slipped after them.

        The quill was at its stop after each, and now stands off it by what the closing press shows.
        """
        facts = self._left[0].question.facts if self._left else {}
        if not facts.get("closing") or not facts.get("shown"):
            return
        if self._heights.stands_off_by(facts["moved_mm"], facts["u_mm"]):
            asked = self._questions.asked
            if asked is not None and asked.kind == "strokes_in_doubt":
                self._questions.drop()
            self._counts("slipped_later")
