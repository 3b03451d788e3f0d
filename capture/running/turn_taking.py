"""Whose turn it is while a set is captured, and what a person may change about it."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from msgspec.structs import replace

from coilbench.capture.blocks import Finding
from coilbench.capture.book.connection import Database
from coilbench.capture.book.counting import leave_out, uncount
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.book.sweeps import turn_order
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import Command, Event
from coilbench.capture.running.judged import LeftOut
from coilbench.capture.running.kinds import Action, EventKind
from coilbench.capture.running.not_possible import NotPossible
from coilbench.capture.strokes.judging import Purpose, Turn


class TurnTaking:
    """Owns the turn order of one set, and tells what changed after the book has it.

    Used by the thread that owns the book.
    """

    def __init__(self, db: Database, record: SetRecord, say: Callable[[Event], None]) -> None:
        self._db = db
        self._report = say
        self._visited: list[str] = []  # springs that had the turn before, the latest last
        self._again: str | None = None  # its old strokes count until a new one does
        self._redoable: Turn | None = None  # the last press's, where it counted
        self._refused: Turn | None = None  # where it did not
        self.record = record
        self.order = turn_order(db, record)

    @property
    def turn(self) -> Turn | None:
        """The stroke wanted next; None when the set is done."""
        return self.order.next_turn()

    def spring_id(self, label: str) -> str:
        """Return the id of the spring of that label."""
        return self.record.spring(label).spring_id

    def make_room(self, turn: Turn) -> None:
        """Take the old strokes out of the count where this turn's stroke begins a spring again.

        To be called in the transaction that stores the new one.
        """
        if turn.label == self._again and turn.purpose is Purpose.MEASURED:
            uncount(self._db, self.spring_id(turn.label), last_only=False)

    def leave_out(self, odd: Iterable[LeftOut]) -> None:
        """Let strokes that turned out to be odd no longer count.

        To be called in the transaction that stores why; `lost_one` then tells of each.
        """
        for one in odd:
            leave_out(self._db, one.sweep_id, Finding("left_out"))

    def took(self, turn: Turn, *, counted: bool) -> None:
        """A press was stored for this turn."""
        measured = turn.purpose is Purpose.MEASURED
        self._redoable, self._refused = (turn, None) if counted else (None, turn)
        if not counted:
            return
        if measured and turn.label == self._again:
            self._again = None
        self.order = self.order.after(turn)
        self._leave(turn.label)

    def next_label(self, label: str) -> str | None:
        """Return whose turn it is now, where it is another spring's than this one's."""
        turn = self.turn
        return None if turn is None or turn.label == label else turn.label

    def tell_done(self, *, waits: bool = False) -> None:
        """Say it where the set is done by the stroke that was just kept, if none waits."""
        if self.turn is None and not waits:
            self._report(Event.of(EventKind.DONE, "set_done", set=self.record.name))

    def lost_one(self, label: str) -> None:
        """One of its strokes no longer counts: it is asked for once more, next."""
        self.order = self.order.again(label, max(0, self.order.measured_of(label) - 1))
        self._came_back_to(label)

    def reread(self) -> None:
        """What counts was changed in the book: go by it."""
        self._again = self._redoable = self._refused = None
        self.order = replace(self.order, done=turn_order(self._db, self.record).done)

    def forget_redo(self) -> None:
        """No press is there to take back: something else was pressed since, or done."""
        self._redoable = self._refused = None

    def redo(self, *, before: bool = False) -> bool:
        """Take the last stroke out of the count if it counted; returns whether it did.

        Args:
            before: it did not, and it is the one before, of the same spring, that is meant.
        """
        last, self._redoable = self._redoable, None
        if before and self.turn is not None:
            last = self.order.last_of(self.turn.label)
        if last is None or not self._uncount(last):
            refused = self._refused
            what = "nothing_to_redo" if refused is None else "redo_wanted"
            facts = {} if refused is None else {"label": refused.label}
            self._report(Event(EventKind.REDO, Finding(what, facts)))
            return False
        # next, also where the spring had been put off meanwhile or another one's turn had come
        self.order = self.order.without(last)
        self._came_back_to(last.label)
        self._report(
            Event.of(EventKind.REDO, "redo_before" if before else "redo", label=last.label)
        )
        return True

    def take_out(self, label: str) -> int:
        """Let no press of a spring count: another one was in the press. It comes after all others.

        Returns:
            How many counted.
        """
        gone = self._uncount_all(label)
        self.order = self.order.later(label)
        now = None if self.turn is None else self.turn.label
        facts = {"label": label, "presses": gone, "now": now}
        self._report(Event(EventKind.REDO, Finding("other_taken_out", facts)))
        return gone

    def begin_anew(self, label: str) -> int:
        """Let no press of a spring count: another one was in the press. It is next.

        Returns:
            How many counted.
        """
        gone = self._uncount_all(label)
        self.order = self.order.again(label)
        self._came_back_to(label)
        facts = {"label": label, "presses": gone}
        self._report(Event(EventKind.REDO, Finding("those_before_taken_out", facts)))
        return gone

    def _uncount_all(self, label: str) -> int:
        ways, spring_id = (Purpose.CONDITIONING, Purpose.MEASURED), self.spring_id(label)
        with self._db.atomic():
            gone = sum(uncount(self._db, spring_id, last_only=False, purpose=way) for way in ways)
        self.reread()
        return gone

    def _uncount(self, last: Turn) -> int:
        spring_id = self.spring_id(last.label)
        return uncount(self._db, spring_id, last_only=True, purpose=last.purpose)

    def execute(self, command: Command) -> None:
        """Do what was asked: SKIP, BACK or RENAME.

        Raises:
            NotPossible: says why not.
        """
        turn = self.turn
        seen = command.label
        if command.action is Action.RENAME:
            self._rename(seen or self._present(turn), str(command.new_label))
            return
        if seen is not None and (turn is None or seen != turn.label):
            now = None if turn is None else turn.label
            raise NotPossible("turn_has_passed", action=command.action, meant=seen, now=now)
        if command.action is Action.SKIP:
            self._skip(self._present(turn))
        elif command.action is Action.BACK:
            self._back(turn)

    def _present(self, turn: Turn | None) -> str:
        if turn is None:
            raise NotPossible("no_spring_has_the_turn")
        return turn.label

    def _skip(self, label: str) -> None:
        keeps_earlier = label == self._again
        if keeps_earlier:
            self._forget_again()
        else:
            self.order = self.order.later(label)
        after = self.turn
        if after is not None and after.label == label:
            raise NotPossible("only_spring_left", label=label)
        self._redoable = self._refused = None
        self._leave(label)
        next_label = None if after is None else after.label
        what = "skipped_again" if keeps_earlier else "skipped"
        self._report(Event.of(EventKind.TURN, what, label=label, next_label=next_label))

    def _back(self, turn: Turn | None) -> None:
        label = self._back_to(turn)
        had = self.order.measured_of(label)
        self._forget_again()
        self._redoable = self._refused = None
        skipped = turn is not None and label != turn.label and had < self.order.measured
        if skipped or not had:
            self.order = self.order.again(label, had)
            what = "back"
        else:
            self.order = self.order.again(label)
            self._again = label
            what = "back_to_first_stroke"
        self._came_back_to(label)
        self._report(Event.of(EventKind.TURN, what, label=label))

    def _back_to(self, turn: Turn | None) -> str:
        if turn is not None and self.order.measured_of(turn.label):
            return turn.label  # from its first stroke; going back once more leads further
        if self._visited:
            return self._visited[-1]
        labels = self.record.labels
        place = len(labels) if turn is None else labels.index(turn.label)
        if place == 0:
            raise NotPossible("first_spring")
        return labels[place - 1]

    def _rename(self, label: str, new_label: str) -> None:
        if label not in self.record.labels:
            raise NotPossible("no_such_spring", label=label)
        try:
            self.record = self.record.rename_spring(self._db, label, new_label)
        except CoilbenchError as error:
            raise NotPossible("rename_refused", label=label, new_label=new_label) from error
        self.order = self.order.renamed(label, new_label)
        self._visited = [new_label if one == label else one for one in self._visited]
        if self._again == label:
            self._again = new_label
        if self._redoable is not None and self._redoable.label == label:
            self._redoable = replace(self._redoable, label=new_label)
        self._report(Event.of(EventKind.TURN, "renamed", label=label, new_label=new_label))

    def _forget_again(self) -> None:
        """Restore the spring that was to be measured again: no new stroke was kept."""
        if self._again is not None:
            done = turn_order(self._db, self.record).measured_of(self._again)
            self.order = self.order.again(self._again, done)
            self._again = None

    def _leave(self, label: str) -> None:
        """Remember where the turn was, if it has moved on."""
        turn = self.turn
        if turn is None or turn.label != label:
            self._visited.append(label)

    def _came_back_to(self, label: str) -> None:
        if self._visited and self._visited[-1] == label:
            self._visited.pop()
