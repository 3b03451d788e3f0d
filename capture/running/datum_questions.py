"""A datum that differs from the one before, and one in doubt: what is asked, what then counts."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import Finding
from coilbench.capture.book.connection import Database
from coilbench.capture.book.counting import (
    ReadStroke,
    leave_out,
    left_out_of,
    let_count,
    read_by_travel,
)
from coilbench.capture.book.notes import CLOSING_DIFFERS, remarks_of
from coilbench.capture.book.sessions import LeftPresses
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.calibration.standing import STOP_REPEATS_MM, stop_shows
from coilbench.capture.running.commands import Event
from coilbench.capture.running.heights import SAID, Confirmed, Heights
from coilbench.capture.running.judged import HEIGHTS_IN_DOUBT, Waiting
from coilbench.capture.running.kinds import EventKind
from coilbench.capture.running.new_datum import NewDatum
from coilbench.capture.running.questions import Questions
from coilbench.capture.running.turn_taking import TurnTaking
from coilbench.capture.running.unproven import Unproven

DOUBTED = "datum_doubted"
_SINCE = (CLOSING_DIFFERS, SAID)  # pressed when heights may have moved


def _says(note: str | None, *kinds: str) -> bool:
    return any(isinstance(one, Finding) and one.kind in kinds for one in remarks_of(note))


def _named(left: LeftPresses) -> dict[str, Any]:
    facts = left.question.facts
    return {name: facts.get(name) for name in ("presses", "labels", "each", "closing")}


def _of(question: Finding, presses: Sequence[ReadStroke]) -> LeftPresses:
    facts = {**question.facts, **_each(presses)}
    return LeftPresses(Finding(question.kind, facts), tuple(one.sweep_id for one in presses))


def _each(presses: Sequence[ReadStroke]) -> dict[str, Any]:
    of = Counter(one.label for one in presses)
    return {"presses": len(presses), "labels": list(of), "each": list(of.values())}


def _closings(heights: Heights) -> list[Mapping[str, Any]]:
    """Return the closing presses that differed by the datum that stands, set aside or not."""
    doubts = [one for one in (heights.doubted, *heights.against) if one is not None]
    whys = [one.facts.get("why", {}) for one in doubts]
    return [why for why in whys if why.get("kind") == CLOSING_DIFFERS]


class DatumQuestions:
    """Lets no presses of two datums be mixed unasked.

    Used by the thread that owns the book.

    Args:
        take: makes a datum hold; raises NotPossible.
        can_show: whether a spring of a set was pressed by a calibration before.
    """

    def __init__(
        self,
        db: Database,
        heights: Heights,
        turns: TurnTaking,
        questions: Questions,
        unproven: Unproven,
        take: Callable[[NewDatum], None],
        can_show: Callable[[str, SetRecord, str], bool],
        say: Callable[[Event], None],
    ) -> None:
        self._db = db
        self._heights = heights
        self._turns = turns
        self._questions = questions
        self._unproven = unproven
        self._take = take
        self._can_show = can_show
        self._report = say
        self._offered: NewDatum | None = None  # it contradicts, and nobody said yet who is right
        self._high_told = False
        self._to_ask = heights.doubted is not None  # in an earlier capture
        self._left: list[LeftPresses] = []  # of this set; what a closing press left out first
        self._left_elsewhere: tuple[LeftPresses, ...] = ()
        self._closing_denied = False  # a person said of presses that they do not count
        self._know_left()

    def _know_left(self) -> None:
        """Take up what an earlier capture asked about and nobody answered."""
        name, elsewhere = self._turns.record.name, []
        for left in self._heights.left:
            presses = left_out_of(self._db, left.sweep_ids)
            if presses and all(one.set_name == name for one in presses):
                self._left.append(_of(left.question, presses))
            elif presses:
                elsewhere.append(left)
        self._left_elsewhere = tuple(elsewhere)

    def _keep_left(self) -> None:
        self._left.sort(key=lambda one: not one.closing)
        self._heights.keep_left((*self._left_elsewhere, *self._left))

    def look(
        self, samples: NDArray[np.void], height_mm: NDArray[np.float64], *, idle: bool
    ) -> Finding | None:
        """Take samples, and their heights, shape (n,); return that the scale jumped in a press.

        Args:
            idle: whether nothing is pressed; else it is asked about once that is let up.
        """
        jump = self._heights.look(samples, height_mm)
        low, high = self._at_rest(samples, idle=idle)
        if self._heights.at_stop:
            self._at_stop(low)
        elif high is not None and high.kind == "stop_risen":
            self._unproven.rose(high["moved_mm"])
            # a slip before those presses looks the same as a hand that let go
            self._unproven.note(self._heights.was_lower(high))
            if not len(self._unproven):  # else the next press tells
                self._report(Event.of(EventKind.TURN, "quill_rose", moved_mm=high["moved_mm"]))
        elif high is not None and not self._high_told:
            self._high_told = True
            self._doubt(high)
        if jump is not None:
            self._doubt(jump)
        if idle and not self._heights.lost:
            self._seen_later()
        self.keep_waiting()
        asked = self._questions.asked
        again = self._left_open is not None and asked is None
        if idle and (again or (self._to_ask and (asked is None or asked.kind == DOUBTED))):
            self._ask()
        return None if idle else jump

    def _at_stop(self, low: Finding | None) -> None:
        self._high_told = False
        if self._heights.jump_settled:
            self._confirm("datum_at_stop")
        if self._heights.unknown is None and self._unproven.risen is None:
            if low is not None:
                self._unproven.up()
            self._unproven.proven()

    def _at_rest(
        self, samples: NDArray[np.void], *, idle: bool
    ) -> tuple[Finding | None, Finding | None]:
        """Take samples; return that the quill was low before them, and that it rests high now."""
        low = self._heights.low
        high = self._heights.at_rest(samples, idle=idle)
        if low is None and self._heights.waits:
            self.keep_waiting()
            self._unproven.low()
        return low, high

    def after_press(self, findings: Sequence[Finding]) -> None:
        """Ask whether the datum is right where a press put it in doubt, or left it there."""
        slip = next((one for one in findings if one.kind in HEIGHTS_IN_DOUBT), None)
        if slip is not None and not self._heights.lost:
            # beside the spring's presses before: another one would look the same
            beside = self._heights.doubted is None and "of_one_spring" in slip.facts
            self._doubt(Finding(slip.kind, {**slip.facts, "another": True}) if beside else slip)
        self._ask()

    def doubt(self, why: Finding, *, said: bool = False) -> None:
        """The scale may have slipped: ask whether the datum is right, after what is asked now.

        Args:
            said: a person said so: it is to be set, and nothing is left to ask.
        """
        self._doubt(why)
        if said:
            self._to_ask = False
            self._doubt_answered(yes=False)
        elif self._questions.asked is None:
            self._ask()

    def _doubt(self, why: Finding) -> None:
        # nor is what the quill's stop says covered by what a press seems to say
        before, high = self._heights.doubted, "stop_moved"
        if before is None or before["why"]["kind"] != high or why.kind == high:
            no_press = why.kind == high or self._heights.contradicted is not None
            self._heights.doubt(why, None if no_press else self._shown_by())
        self._to_ask = True

    def _shown_by(self) -> str | None:
        """Return the spring whose next press may show that the scale did not slip; None for none.

        It was pressed by this datum before, and it is known where the quill's stop is.
        """
        turn, record, heights = self._turns.turn, self._turns.record, self._heights
        if turn is None or not heights.stop_known:
            return None
        can = self._can_show(turn.label, record, heights.record.calibration_id)
        return turn.label if can else None

    @property
    def _left_open(self) -> LeftPresses | None:
        """What presses may be asked about now: a doubt of the scale comes before those of others.

        One that a closing press raised is asked about with the presses that it left out.
        """
        if not self._left or self._heights.lost:
            return None
        first = self._left[0]
        return first if first.closing or self._heights.doubted is None else None

    @property
    def asks_of_presses(self) -> bool:
        """Whether it is to be answered first if presses that were left out count."""
        return self._left_open is not None

    def _ask(self) -> None:
        """Ask what stands open, in its own words: the gauge's question first, then the scale's."""
        self._to_ask = False
        offered, doubted, left = self._offered, self._heights.doubted, self._left_open
        if offered is not None:
            self._questions.ask(offered.question, lambda yes: self._settle(offered, yes=yes))
        elif left is not None:
            self._questions.ask(left.question, self._left_answered)
        elif doubted is not None and not self._heights.lost:
            self._questions.ask(doubted, self._doubt_answered)

    def was_another(self, asked: Finding | None) -> bool:
        """Take a person's word that what put the datum in doubt was another spring's press.

        Returns:
            Whether that was asked.
        """
        another = asked is not None and asked.kind == DOUBTED and asked["why"].get("another")
        if another:
            self._confirm("press_was_another")
        return bool(another)

    def _doubt_answered(self, yes: bool) -> None:
        if yes:
            self._confirm("datum_said")
        else:
            self._report(Event.of(EventKind.TURN, "datum_to_set"))

    def shown(self) -> None:
        """A press showed, with the quill's stop, that the scale did not slip."""
        self._confirm("datum_holds")

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
            self._keep_left()
            self._heights.doubt(why, None)
        self._unproven.forget()
        self._turns.reread()
        self._ask()

    def closing_of_another(self) -> None:
        """By a person's word the closing press was of another spring: what it left out counts."""
        left = [one for one in self._left if one.closing]
        self._left = [one for one in self._left if not one.closing]
        with self._db.atomic():
            for press in (press for one in left for press in left_out_of(self._db, one.sweep_ids)):
                let_count(self._db, press.sweep_id, Finding("closing_taken_back"))
            self._heights.closing_aside(taken_back=True)
            self._keep_left()
        self._unproven.forget()  # what was pressed since is not what was asked about
        self._turns.reread()
        presses = sum(len(one.sweep_ids) for one in left)
        self._report(Event.of(EventKind.REDO, "closing_taken_back", presses=presses))

    def spring_slips(self) -> None:
        """A person said that it was the spring which slipped.

        That the scale did not, only the quill at its stop says; else it is asked.
        """
        doubted = self._heights.doubted
        slipped = doubted is not None and doubted["why"]["kind"] == "slipped"
        if slipped and self._heights.stop_holds:
            self._confirm("datum_at_stop")
        else:
            self._to_ask = doubted is not None

    def _confirm(self, how: Confirmed) -> None:
        self._to_ask = self._high_told = False
        asked = self._questions.asked
        if asked is not None and asked.kind == DOUBTED:
            self._questions.drop()
        word = self._heights.confirm(how)
        if word is not None:
            self._unproven.note(word)
            self._unproven.give_back(word)
        if self._heights.open is None:
            self._unproven.proven()
        else:
            self._unproven.give_back()

    def lost(self) -> None:
        """The rig counts from another zero: what stood open can't be known any more."""
        self._offered, self._to_ask, self._high_told = None, False, False
        self._end(self._heights.lost_open)

    def end(self) -> None:
        """The capture ends: what nobody knows does not count."""
        if not self._heights.lost:
            self._end(self._open)
        for left in self._left:
            self._report(Event.of(EventKind.TURN, "presses_open", **_named(left)))

    @property
    def _open(self) -> Finding | None:
        return self._heights.open or self._unproven.risen

    def counted(self, press: Waiting) -> None:
        """A press counts, or waits where it would not count if the capture ended now."""
        self._unproven.counted(press)
        self.keep_waiting()

    def keep_waiting(self) -> None:
        """Let wait in the book what would not count any more if the capture ended now."""
        self._unproven.wait_for(None if self._heights.lost else self._open)

    def _end(self, why: Finding | None) -> None:
        if why is not None:
            self._unproven.spoil(why)
        self._unproven.forget()

    def offer(self, new: NewDatum) -> bool:
        """Take a datum; where it contradicts the one that stands, ask whether it is right.

        Where that is in doubt, a gauge settles it that says the same as the quill's stop, or as a
        closing press.

        Returns:
            Whether it agrees with the one that stands.
        """
        agrees = not new.differs and not self._heights.lost
        for closing in _closings(self._heights):
            new = new if new.as_closed else new.beside(closing)
        if not new.differs or new.as_closed or self._heights.moved_with_stop(new):
            self._settle(new, yes=True)
            return agrees
        before = read_by_travel(self._db, *self._heights.read_with)
        mine = [one for one in before if one.set_name == self._turns.record.name]
        self._offered = new._replace(presses=len(mine))
        self._heights.contradict(self._offered)
        self._ask()
        return False

    def _settle(self, new: NewDatum, *, yes: bool) -> None:
        if not yes:
            self._offered = None
            self._heights.keep_datum()
            self._to_ask = self._heights.doubted is not None
            self._report(Event.of(EventKind.TURN, "datum_kept"))
            if self._heights.at_stop and self._heights.unknown is None:
                self._unproven.proven()
            return
        agrees = not new.differs and not self._heights.lost
        before = read_by_travel(self._db, *self._heights.read_with)
        mine = [one for one in before if one.set_name == self._turns.record.name]
        if new.as_closed:  # it moved after those that the closing press did not put in doubt
            mine = [one for one in mine if _says(one.note, *_SINCE)]
        # that the gauge contradicts is answered now
        opened = self._heights.doubted or self._heights.low or self._unproven.risen
        doubted = () if opened is None else self._unproven.sweep_ids
        self._to_ask = new is self._offered  # again, where it can't be taken just now
        with self._db.atomic():
            self._take(new)
            for one in mine if new.differs else ():
                leave_out(self._db, one.sweep_id, Finding("datum_replaced"))
            if new.differs:
                kept = [one for one in mine if one.sweep_id not in doubted]
                self._left += self._left_by(new, kept)
                self._keep_left()
        self._offered, self._to_ask, self._high_told = None, False, False
        if agrees:
            self._unproven.proven()
        elif new.differs:
            self._end(Finding("datum_replaced") if doubted else None)
        self._turns.reread()
        of_set = self._turns.record.name
        others = dict.fromkeys(one.set_name for one in before if one.set_name != of_set)
        facts = {"presses": len(mine), "others": list(others), "differs": new.differs}
        facts |= {"as_closed": new.as_closed}
        self._report(Event(EventKind.TURN, Finding("datum_set", new.facts | facts)))
        self._ask()

    def _left_by(self, new: NewDatum, presses: Sequence[ReadStroke]) -> Iterator[LeftPresses]:
        """Yield what is asked about one by one, the surest presses first.

        Those after which the quill was seen at its stop, the others, and what was pressed since a
        person set a doubt aside: a no costs those alone that it is said of.
        """
        shown = self._unproven.shown
        sorts: dict[tuple[bool, bool], list[ReadStroke]] = {}
        for one in presses:
            since = _says(one.note, SAID)
            sorts.setdefault((since, one.sweep_id not in shown), []).append(one)
        for (since, unshown), some in sorted(sorts.items()):
            facts = {"since": since, "shown": not unshown and not since}
            yield _of(Finding("strokes_in_doubt", facts | {"moved_mm": new.moved_mm}), some)

    def _left_answered(self, yes: bool) -> None:
        if yes:
            self._left_counts("accepted")
        else:
            self._closing_denied |= self._left[0].closing
            left = self._left.pop(0)
            self._keep_left()
            self._report(Event.of(EventKind.TURN, "presses_left", **_named(left)))
            self._turns.tell_done()

    def _left_counts(self, why: str) -> None:
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
            self._keep_left()
        self._turns.reread()
        facts = _named(left) | {"by": why}
        self._report(Event.of(EventKind.TURN, "presses_kept", **facts))
        self._turns.tell_done()

    def _seen_later(self) -> None:
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
            self._left_counts("slipped_later")
