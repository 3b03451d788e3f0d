"""A datum that differs from the one before, and one in doubt: what is asked, what then counts."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import Finding
from coilbench.capture.book.connection import Database
from coilbench.capture.book.counting import (
    ReadStroke,
    leave_out,
    read_by_travel,
)
from coilbench.capture.book.notes import CLOSING_DIFFERS, says
from coilbench.capture.book.sessions import LeftPresses
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.running.against import SAID
from coilbench.capture.running.commands import Event
from coilbench.capture.running.heights import Confirmed, Heights
from coilbench.capture.running.judged import HEIGHTS_IN_DOUBT, Waiting
from coilbench.capture.running.kinds import EventKind
from coilbench.capture.running.left_questions import LeftQuestions
from coilbench.capture.running.new_datum import NewDatum
from coilbench.capture.running.questions import Questions
from coilbench.capture.running.turn_taking import TurnTaking
from coilbench.capture.running.unproven import Unproven

DOUBTED = "datum_doubted"
_OPEN = (DOUBTED, "datum_differs")  # an answer alone settles these
_SINCE = (CLOSING_DIFFERS, SAID)  # pressed when heights may have moved


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
        self.left = LeftQuestions(db, heights, turns, questions, unproven, say)

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
            self.left.seen_later()
        self.keep_waiting()
        asked = self._questions.asked
        again = self.left.open is not None and asked is None
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

    def after_press(self, findings: Sequence[Finding], label: str | None = None) -> None:
        """Ask whether the datum is right where a press put it in doubt, or left it there.

        Args:
            label: the spring whose presses before may be another's; None for none.
        """
        slip = next((one for one in findings if one.kind in HEIGHTS_IN_DOUBT), None)
        if slip is not None and not self._heights.lost:
            self._doubt(Finding(slip.kind, {**slip.facts, **self._beside(slip, label)}))
        self._ask()

    def _beside(self, slip: Finding, label: str | None) -> dict[str, Any]:
        """Return what a slip beside the spring's presses before may be else.

        Another spring looks the same, in the press that slipped or in those before.
        """
        doubted = self._heights.doubted
        if "of_one_spring" not in slip.facts:
            return {}
        if doubted is not None:
            return {"before": label} if doubted["why"].get("before") else {}
        return {"another": True, "before": label}

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

    def _ask(self) -> None:
        """Ask what stands open, in its own words: the gauge's question first, then the scale's."""
        self._to_ask = False
        offered, doubted = self._offered, self._heights.doubted
        if offered is not None:
            self._questions.ask(offered.question, lambda yes: self._settle(offered, yes=yes))
        elif self.left.ask():
            return
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

    def closing_of_another(self) -> None:
        """By a person's word the closing press was of another spring: what it left out counts."""
        self.left.closing_of_another()

    def scale_right(self) -> None:
        """By a person's word another spring was pressed: what seemed a slip says nothing."""
        doubted = self._heights.doubted
        if doubted is not None and doubted["why"].get("before"):
            self._confirm("press_was_another")

    def passed_over(self, asked: Finding | None) -> None:
        """Something else was done than to answer: it stands open, and is asked again."""
        self._to_ask |= asked is not None and asked.kind in _OPEN

    def _doubt_answered(self, yes: bool) -> None:
        if yes:
            self._confirm("datum_said")
        else:
            self._report(Event.of(EventKind.TURN, "datum_to_set"))

    def shown(self) -> None:
        """A press showed, with the quill's stop, that the scale did not slip."""
        self._confirm("datum_holds")

    def closing_differs(self, presses: Sequence[ReadStroke], why: Finding) -> None:
        """Heights moved at some time: ask about presses since they were last shown."""
        self.left.closing_differs(presses, why)
        self._ask()

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
        self.left.end()

    @property
    def _open(self) -> Finding | None:
        return self._heights.open or self._unproven.risen

    @property
    def open_press(self) -> LeftPresses | None:
        """The press that counts once it is known that the scale did not slip; None for none."""
        held, why = self._unproven.held, self._open
        return None if held is None or why is None else LeftPresses(why, (held.sweep_id,))

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
            by = self._heights.record.travel.part_id
            new = new if new.as_closed else new.beside(closing, by)
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
            mine = [one for one in mine if says(one.note, _SINCE)]
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
                self.left.leave(new, kept)
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
