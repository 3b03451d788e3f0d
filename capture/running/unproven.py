"""Presses whose heights are not shown yet: taken back, or given back, once it is known.

A press was read at the heights that it seems to have if the travel scale did not slip meanwhile,
which the quill shows when it comes back to its stop. Till then it waits, in the book too, and
nothing is lost by a hand that holds the quill lower.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple

from coilbench.capture.blocks import Finding
from coilbench.capture.book.connection import Database
from coilbench.capture.book.counting import add_note, end_wait, leave_out, let_wait
from coilbench.capture.book.rows import writing
from coilbench.capture.running.commands import Event
from coilbench.capture.running.judged import Waiting
from coilbench.capture.running.kinds import EventKind
from coilbench.capture.running.stroke_events import left_out
from coilbench.capture.running.turn_taking import TurnTaking
from coilbench.capture.strokes.judging import Turn


class _Counted(NamedTuple):
    """What is known of a press that counts: not its samples, the stop may never be seen again."""

    turn: Turn
    sweep_id: str


class Unproven:
    """What was pressed since the quill was last seen at its stop.

    Used by the thread that owns the book.

    Attributes:
        shown: ids of those that counted before the quill was seen at its stop, or a gauge agreed;
            of earlier captures too.
        risen: the quill rested higher than where its stop was taken to be, and there is one press
            since, which nothing compares: the next one of the spring shows whether the scale
            slipped.

    Args:
        count: lets a press count that did not, and says why.
        took_back: told how many of the newest presses that counted do not.
    """

    def __init__(
        self,
        db: Database,
        turns: TurnTaking,
        shown: set[str],
        count: Callable[[Waiting, Finding], None],
        took_back: Callable[[int], None],
        say: Callable[[Event], None],
    ) -> None:
        self._db = db
        self._turns = turns
        self._count = count
        self._took_back = took_back
        self._report = say
        self._counted: list[_Counted] = []
        self._held: Waiting | None = None
        self._told: tuple[list[str], str | None] = [], None  # what waits in the book, and for what
        self.risen: Finding | None = None
        self.shown = shown

    def __len__(self) -> int:
        return len(self._counted)

    @property
    def sweep_ids(self) -> list[str]:
        """Of those that count."""
        return [one.sweep_id for one in self._counted]

    @property
    def labels(self) -> set[str]:
        """Of the springs of which one waits in the book."""
        return {one.turn.label for one in self._counted if one.sweep_id in self._told[0]}

    def wait_for(self, why: Finding | None) -> None:
        """Let them wait in the book while nobody knows whether they count; None: they count.

        What is no longer one of them counts, unless the book says otherwise by now.
        """
        ids, kind = ([], None) if why is None else (self.sweep_ids, why.kind)
        before, told = self._told
        if (ids, kind) == (before, told):
            return
        with writing(self._db):
            for one in set(before).difference(ids):
                end_wait(self._db, one)
            if why is not None:
                for one in ids if kind != told else set(ids).difference(before):
                    let_wait(self._db, one, why)
        self._told = ids, kind

    def counted(self, press: Waiting) -> None:
        """A press counts."""
        if self.risen is not None:  # it agrees with the one before, or is of another spring, and
            self._counted, self.risen = [], None  # nothing more can be known of that one
        self._counted.append(_Counted(press.turn, press.sweep_id))

    def rose(self, moved_mm: float) -> None:
        """The quill rested so much higher than where its stop was taken to be, once."""
        if len(self._counted) == 1:
            self.risen = Finding.of("stop_moved", moved_mm=moved_mm)
            self.wait_for(self.risen)
            self._tell_waits("waits_for_next", {"moved_mm": moved_mm})

    def risen_of(self, label: str) -> Finding | None:
        """Return what the next press of this spring has to show."""
        return None if self.of_another(label) else self.risen

    def hold(self, waiting: Waiting) -> None:
        """A press would count if heights were known; the newest stands for its turn."""
        self._held = waiting

    def of_another(self, label: str) -> bool:
        """Whether one of them is of another spring: more are not risked."""
        return any(one.turn.label != label for one in self._counted)

    def low(self) -> None:
        """Say that what counts waits, since the quill was seen below its stop."""
        self._tell_waits("waits_for_stop", {})

    def _tell_waits(self, kind: str, facts: dict[str, Any]) -> None:
        if self._counted:
            facts |= {"presses": len(self._counted), "label": self._counted[-1].turn.label}
            self._report(Event(EventKind.WAITS, Finding(kind, facts)))

    def up(self) -> None:
        """Let count for good what waits, now that the quill is at its stop again, and say so."""
        if not self._counted:
            return
        self.wait_for(None)
        next_label = self._turns.next_label(self._counted[-1].turn.label)
        facts = {"presses": len(self._counted), "next_label": next_label}
        self._report(Event.of(EventKind.TURN, "counts_now", **facts))
        self._turns.tell_done()

    def forget(self) -> None:
        """It was settled otherwise what of them counts."""
        self._counted, self._held, self.risen = [], None, None
        self.wait_for(None)

    def redone(self) -> None:
        """The newest that counts was taken back by hand."""
        self._counted = self._counted[:-1]

    def proven(self) -> None:
        """The scale did not slip: they count for good, and what waits for its turn counts too."""
        self.wait_for(None)
        self.give_back()
        self.shown.update(one.sweep_id for one in self._counted)
        self._counted, self.risen = [], None

    def note(self, against: Finding) -> None:
        """Let each that counts show what stands against it."""
        with self._db.atomic():
            for one in self._counted:
                add_note(self._db, one.sweep_id, against)

    def give_back(self, word: Finding | None = None) -> None:
        """What waits for its turn counts, by a person's word or because it is shown."""
        held, self._held = self.held, None
        if held is not None:
            self._count(held, word or Finding("given_back", {"label": held.turn.label}))

    @property
    def held(self) -> Waiting | None:
        """What waits for its turn, and now would have it; None for none."""
        held, turn = self._held, self._turns.turn
        if held is None or turn is None or turn.label != held.turn.label:
            return None
        # else it is a press of another sort
        return held._replace(turn=turn) if turn == held.turn or turn.number > 1 else None

    def spoil(self, why: Finding) -> None:
        """Nobody knows whether it slipped: they do not count."""
        spoilt = self._counted
        with self._db.atomic():
            for one in spoilt:
                leave_out(self._db, one.sweep_id, why)
        self.forget()
        if not spoilt:
            return
        self._took_back(len(spoilt))
        self._turns.reread()
        for one in spoilt:
            self._report(left_out(one.turn, one.turn.number, [why]))
