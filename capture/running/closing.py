"""The press that closes a set: its first spring shows whether scale and seat are as at first."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence

from msgspec.structs import replace

from coilbench.capture.blocks import Finding
from coilbench.capture.book.closing_presses import ToClose
from coilbench.capture.book.connection import Database
from coilbench.capture.book.counting import ReadStroke
from coilbench.capture.book.notes import CLOSED, CLOSING_DIFFERS
from coilbench.capture.book.set_trust import SetTrust
from coilbench.capture.running.commands import Event
from coilbench.capture.running.heights import Heights
from coilbench.capture.running.judged import Judged, refused_for
from coilbench.capture.running.kinds import Action, EventKind
from coilbench.capture.running.not_possible import NotPossible
from coilbench.capture.running.questions import Questions
from coilbench.capture.running.stroke_events import refused
from coilbench.capture.running.turn_taking import TurnTaking
from coilbench.capture.strokes.judging import Purpose, Turn
from coilbench.capture.strokes.pressed_again import Moved
from coilbench.capture.strokes.sweep import SweepStatus

CLOSING_LOADS = "closing_loads"  # it has other loads than at first


class Closing:
    """Asks for the closing press until it agrees, or a person passes it over.

    One that differs may be of another spring: it is asked for once more, whatever was answered.

    Used by the thread that owns the book.

    Args:
        differs: told the presses that are in doubt by a closing press, and why.
        doubtful: told what was found in a press that is none.
        asks: whether it is asked for at all.
    """

    def __init__(
        self,
        db: Database,
        session_id: str,
        heights: Heights,
        turns: TurnTaking,
        questions: Questions,
        differs: Callable[[Sequence[ReadStroke], Finding], None],
        doubtful: Callable[[Sequence[Finding]], None],
        say: Callable[[Event], None],
        *,
        asks: bool,
    ) -> None:
        self._db, self._session_id = db, session_id
        self._heights = heights
        self._turns = turns
        self._questions = questions
        self._differs, self._doubtful = differs, doubtful
        self._report = say
        self._asks = asks
        self._awaited: ToClose | None = None
        self._asked: ToClose | None = None  # for what it was asked for before
        self._differed: ToClose | None = None  # for what one differed before
        self._refused: str | None = None  # the spring, where the newest press closed nothing
        self._shown: tuple[str, Finding] | None = None  # by which travel, and what
        self._looked: object = None  # by what was looked
        self._found: tuple[ToClose | None, bool] = None, False

    def _look(self) -> tuple[ToClose | None, bool]:
        """Return what a closing press would bear out, and whether presses are not borne out."""
        turns, by, lost = self._turns, self._heights.record.travel.part_id, self._heights.lost
        looked = (turns.order, turns.record, by, lost)
        if looked != self._looked:
            of = (self._db, turns.record.set_id, by, self._session_id)
            self._looked = looked
            self._found = (None, False) if lost else (ToClose.of(*of), ToClose.left(*of))
        return self._found

    @property
    def _to_close(self) -> ToClose | None:
        return self._look()[0]

    @property
    def unclosed(self) -> bool | None:
        """Whether presses are not borne out, by whatever datum; None where none is asked for."""
        return self._look()[1] if self._asks else None

    @property
    def verdict(self) -> Finding | None:
        """What the last closing press showed, else that presses count which none bears out."""
        unclosed, shown = self.unclosed, None
        if self._shown is not None and self._shown[0] == self._heights.record.travel.part_id:
            shown = self._shown[1]
        if shown is not None and (shown.kind != CLOSED or not unclosed):
            return shown
        if not unclosed:
            return None
        by = None if self._to_close is None else self._to_close.label
        return Finding("sets_not_closed", {"sets": [self._turns.record.name], "label": by})

    @property
    def turn(self) -> Turn | None:
        """The press that is awaited; None for none."""
        awaited = self._awaited
        if awaited is None or awaited != self._to_close:
            return None
        return Turn(awaited.label, Purpose.MEASURED, 1, 1)

    @property
    def label(self) -> str | None:
        """The spring of which it is awaited; None for none."""
        turn = self.turn
        return None if turn is None else turn.label

    @property
    def held_up(self) -> bool:
        """Whether it is asked for only once it is known whether the datum is right."""
        found = self._to_close if self._asks and self._heights.unknown is not None else None
        return found is not None and found != self._asked

    def ask(self) -> bool:
        """Ask for it where it shows something and was not asked for; returns whether it does."""
        found = self._to_close if self._asks and self._heights.unknown is None else None
        if found is None or found == self._asked:
            return False
        self._awaited = self._asked = found
        self._refused = None
        self._report(Event.of(EventKind.TURN, "closing_wanted", label=found.label))
        return True

    def heard(self, action: Action, *, pressing: bool) -> bool:
        """Take what a person asks for; returns whether it was all about the closing press.

        Raises:
            NotPossible: it is pressed.
        """
        label = self.label
        if label is None:
            return False
        if action is Action.FINISH:
            self._questions.finished = True
        elif action is Action.SKIP and pressing:
            raise NotPossible("spring_pressed", action=action)
        elif action is Action.SKIP:
            self._awaited = None
            self._report(Event.of(EventKind.TURN, "closing_skipped", label=label))
        elif action is Action.REDO and self._refused is not None:
            self._report(Event.of(EventKind.REDO, "redo_wanted", label=label))
        else:
            return False
        return True

    def went_back(self) -> None:
        """A person went back to a spring: it is asked for once more when that is done."""
        self._awaited = self._asked = None

    def take_back(self) -> None:
        """By a person's word its press was of another spring: ask for it once more."""
        self._asked = self._differed = self._looked = self._shown = None
        self.ask()

    def before_end(self) -> None:
        """Hold the end that a person asked for, where the closing press was not asked for yet."""
        if self._questions.finished:
            self._questions.finished = not self.ask()

    def judged(self, judged: Judged, moved: Callable[[Collection[str]], Moved | None]) -> Judged:
        """Return what the closing press is worth: that its heights moved is what is looked for.

        Args:
            judged: as a press of its spring is.
            moved: tells how far it lies from the presses with these ids.
        """
        awaited, question, verdict = self._awaited, judged.question, judged.verdict
        apart = question is not None and question.kind == "datum_moved"
        found = None
        if awaited is not None and (verdict.counted or apart):
            found = moved(awaited.own)
        if awaited is None or found is None:
            # the press before was another spring's: to take that back is no cure
            why = tuple(
                Finding(one.kind, {**one.facts, "closes": True}) for one in verdict.findings
            )
            why = why or (Finding("closing_unread", {"closes": True}),)
            return Judged(refused_for(verdict, why), times=judged.times)
        facts = {"label": awaited.label, "presses": len(awaited.since)} | found.facts
        shows = "moved" if apart else found.shows
        if shows == "other_loads":  # no shift of heights does that
            why = (Finding(CLOSING_LOADS, {**facts, "closes": True}),)
            return Judged(refused_for(verdict, why))
        kind = CLOSING_DIFFERS if shows == "moved" else CLOSED
        what = Finding(kind, {**facts, "closes": True})
        complete = {"status": SweepStatus.COMPLETE, "counted": False}
        return Judged(replace(verdict, findings=(what,), **complete))

    def tell(self, turn: Turn, judged: Judged) -> None:
        """Say what came of the closing press, after the book has it."""
        found, awaited = judged.verdict.findings[0], self._awaited
        # of the presses that it tells of it is no mark of theirs
        facts = {name: fact for name, fact in found.facts.items() if name != "closes"}
        found = Finding(found.kind, facts)
        if found.kind in (CLOSED, CLOSING_DIFFERS, CLOSING_LOADS):
            self._shown = self._heights.record.travel.part_id, found
        if found.kind not in (CLOSED, CLOSING_DIFFERS):
            self._refused = turn.label
            self._report(refused(turn, judged))
            self._doubtful(judged.verdict.findings)
            return
        self._awaited = self._looked = None
        self._turns.forget_redo()  # the last press is one that counts for nothing
        if found.kind == CLOSED:
            if awaited is not None:
                self._heights.bear_out(awaited.bear_out(self._db, found))
            self._report(Event(EventKind.DONE, found))
            self._tell_unshown()
            self._questions.finished = self._turns.turn is not None
        elif awaited is not None:
            open_ = awaited.unanswered(self._db, found)
            if open_:
                if awaited != self._differed:  # a second one that differs is of no other spring
                    self._asked, self._differed = None, awaited
                self._differs(open_, found)
            else:  # as the one before it, which a person answered
                self._report(Event.of(EventKind.TURN, "closing_as_said", **found.facts))

    def _tell_unshown(self) -> None:
        """Say where nothing shows that heights were right at the first press either."""
        name = self._turns.record.name
        if SetTrust.of(self._db, [name]).unshown:
            self._report(Event.of(EventKind.TURN, "scale_unshown", sets=[name]))
