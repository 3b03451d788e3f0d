"""The recorder: takes what the rig says, finds strokes, and writes them into the book."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from functools import partial

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import Fault, Finding, Hello, Item, RawBlock, Restarted
from coilbench.capture.book.calibrations import CalibrationRecord
from coilbench.capture.book.connection import Database
from coilbench.capture.book.heights_kept import shown_by
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.book.sessions import CaptureRun
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.running.buttons import Buttons, meaning
from coilbench.capture.running.checking import StrokeChecks
from coilbench.capture.running.closing import Closing
from coilbench.capture.running.commands import Command, Event
from coilbench.capture.running.datum_questions import DatumQuestions
from coilbench.capture.running.heights import Heights
from coilbench.capture.running.judged import Judged, Waiting
from coilbench.capture.running.kinds import BY_A_GAUGE, OF_A_GAUGE, Action, EventKind
from coilbench.capture.running.new_datum import NewDatum
from coilbench.capture.running.not_possible import NotPossible
from coilbench.capture.running.press_looks import PressLooks
from coilbench.capture.running.questions import Questions
from coilbench.capture.running.rig_faults import RigFaults
from coilbench.capture.running.solid_questions import SolidQuestions
from coilbench.capture.running.stored_strokes import StoredStrokes
from coilbench.capture.running.stroke_events import kept, left_out, refused
from coilbench.capture.running.stroke_questions import StrokeQuestions
from coilbench.capture.running.taking_back import TakingBack
from coilbench.capture.running.turn_taking import TurnTaking
from coilbench.capture.running.unproven import Unproven
from coilbench.capture.strokes.finder import Phase, StrokeFinder
from coilbench.capture.strokes.judging import Turn, TurnOrder
from coilbench.capture.strokes.shape import Stroke, StrokeRules
from coilbench.capture.strokes.sweep import DEAD_WEIGHT_N, convert
from coilbench.capture.strokes.watching import Array, Newest, pieces


class Recorder:
    """Owns the running stroke of one set, and asks whose it is.

    Used by one thread, the one that owns the book.

    Args:
        reach_height_mm: the height every stroke must be pressed down to, if the user said so.
        closes: whether a closing press is asked for at the end.
    """

    def __init__(
        self,
        db: Database,
        run: CaptureRun,
        record: SetRecord,
        calibration: CalibrationRecord,
        say: Callable[[Event], None],
        *,
        reach_height_mm: float | None = None,
        closes: bool = False,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._db = db
        self._run = run
        self._turns = TurnTaking(db, record, say)
        self.heights = Heights(db, calibration, say, run.keep_trust)
        self._adopt()
        self._boot_id: int | None = None
        self._faults = RigFaults()
        self._report = say
        self._ratings = Ratings.of_book(db)
        self._told_rests_n = self._ratings.resting_n(record.rests_n)
        # part of every spring's load, though not of what the press pushes with
        self._rests_n = self._told_rests_n or 0.0
        rules = StrokeRules(dead_weight_n=DEAD_WEIGHT_N + self._rests_n)
        self._finder = StrokeFinder(self._physical, rules)
        self._checks = StrokeChecks(db, reach_height_mm)
        followed = (self._finder, self.heights, self._turns, self._checks.known_of)
        self._looks = PressLooks(*followed, self._ratings, self._rests_n)
        self._buttons = Buttons()
        self._stored = StoredStrokes(db, run, self._turns, self._checks.curves.keep)
        by_heights = self.heights.asks, lambda: self.heights.waits
        self._questions = Questions(db, self._turns, self._took, *by_heights, say, clock)
        parts = (self.heights, self._turns, self._questions)
        took_back = self._checks.took_back
        shown = shown_by(db, calibration.travel.part_id)
        self._unproven = Unproven(db, self._turns, shown, self._questions.count, took_back, say)
        self._datums = DatumQuestions(
            db, *parts, self._unproven, self._take_datum, self._checks.can_show, say
        )
        self._strokes = StrokeQuestions(
            *(self._turns, self._questions, self._checks),
            *(self._datums.spring_slips, self._datums.passed_over, self._datums.doubt),
            partial(self._datums.doubt, said=True),
        )
        self._solids = SolidQuestions(db, *parts, say)
        to_datum = (self._datums.closing_differs, self._datums.after_press)
        self.closing = Closing(db, run.session_id, *parts, *to_datum, say, asks=closes)
        asks = (self._strokes, self._datums, self.closing)
        self._back = TakingBack(self._turns, self._checks, self._unproven, *asks)

    def _adopt(self) -> None:
        """Read what comes with the calibration in force."""
        self._calibration = self.heights.record.calibration

    @property
    def turn(self) -> Turn | None:
        """The stroke wanted next; None when the set is done."""
        return self._turns.turn

    @property
    def record(self) -> SetRecord:
        """The set as it is now."""
        return self._turns.record

    @property
    def order(self) -> TurnOrder:
        """The set in the order it is pressed, and how far it has come."""
        return self._turns.order

    @property
    def free_length_mm(self) -> float | None:
        """The height at which the spring is free: the set's, else where a press last touched."""
        given_mm = self._turns.record.free_length_mm
        return self._looks.touched_mm if given_mm is None else given_mm

    @property
    def datum(self) -> Finding | None:
        """Why heights are not known; None where they are."""
        return self.heights.unknown

    @property
    def heights_known(self) -> bool:
        """Whether they are, and nobody asks whether they are right."""
        return self.datum is None and not self._strokes.of_heights

    @property
    def quill_low(self) -> Finding | None:
        """That the quill stood below its stop and was not seen there since; None else."""
        return self.heights.low if self.heights.waits else None

    @property
    def done(self) -> bool:
        """Whether the set is, and no press waits for the quill to be seen at its stop."""
        return self.turn is None and not (self.quill_low is not None and len(self._unproven))

    @property
    def springs_done(self) -> int:
        """How many springs are, none of their presses waiting."""
        return len(set(self.order.finished()) - self._unproven.labels)

    @property
    def alarm(self) -> Finding | None:
        """What can't be right in the press now."""
        return self._looks.alarm

    @property
    def doubt(self) -> Finding | None:
        """Why no load can be told from what the cell reads; None where one can."""
        return self._looks.doubt

    @property
    def newest(self) -> Newest | None:
        """The newest load and height; None before the first."""
        return self._looks.newest

    @property
    def question(self) -> Finding | None:
        """What a person must answer: not while a gauge is on its way that answers it."""
        asked, gauge = self._questions.asked, self.heights.gauge_awaited
        return None if gauge and asked is not None and asked.kind in BY_A_GAUGE else asked

    @property
    def finished(self) -> bool:
        """Whether a person said that it ends here."""
        return self._questions.finished

    @property
    def rating_n(self) -> float | None:
        """The least of what cell and press may bear."""
        return None if self._ratings.least is None else self._ratings.least[0]

    @property
    def rig_fault(self) -> Finding | None:
        """The fault that the rig says it has, where no sample can come for it."""
        return self._faults.worst

    @property
    def phase(self) -> str:
        """Where in a stroke the stream is."""
        return self._finder.phase.value

    def running_curve(self, most: int = 120) -> tuple[tuple[float, float], ...]:
        """Return the running stroke as (height_mm, load_n) pairs, thinned; none without a datum."""
        if not self.heights_known:
            return ()
        load_n, height_mm = self._finder.running_thinned(most)
        if load_n.shape[0] == 0:
            return ()
        above_n = load_n - self._finder.zero_n + self._rests_n
        return tuple(zip(height_mm.round(3).tolist(), above_n.round(2).tolist(), strict=True))

    def process(self, item: Item) -> None:
        """Take one thing the rig said; raises as process_hello."""
        if isinstance(item, RawBlock):
            self._process_samples(item)
        elif isinstance(item, Restarted):
            self.interrupt()
            self._faults.forget()
            self._lost(newly=self.heights.restarted())
        elif isinstance(item, Hello):
            self.process_hello(item)
        elif isinstance(item, Fault):
            self._tell_each(self._faults.heard(item))

    def process_hello(self, hello: Hello) -> None:
        """Take who the rig is: with an incremental scale, another start makes heights unknown.

        Raises:
            CoilbenchError: it is another rig than the calibration's.
        """
        self.heights.record.refuse_other_rig(hello.device_id)
        self._lost(newly=self.heights.heard(hello))

    def _lost(self, *, newly: bool) -> None:
        """The datum was lost, if it newly was."""
        if newly:
            self._looks.touched_mm = None
            self._questions.drop()
            self._datums.lost()

    def _tell_each(self, events: Iterable[Event]) -> None:
        for event in events:
            self._report(event)

    def interrupt(self) -> None:
        """The stream broke here: keep what there is of the running stroke, uncounted."""
        stroke = self._finder.cut()
        if stroke is not None:
            self._keep(stroke)
        self._stored.forget()
        self.heights.forget()
        self._looks.begin_anew()

    def end(self) -> None:
        """The capture ends here."""
        self.interrupt()
        self._strokes.end()
        self._datums.end()
        self.flush()

    def flush(self) -> None:
        """Store what is new of the running stroke; a touch alone is none yet."""
        shown, unclosed = self._unproven.shown, self.closing.unclosed
        self._run.heights = self.heights.kept(unclosed=unclosed, shown=shown)
        self._run.open = tuple(filter(None, (self._strokes.open, self._datums.open_press)))
        turn = self.turn
        if not self._finder.pressing or turn is None:
            self._stored.forget()
            return
        zero = {"boot_id": self._boot_id, "zero_counts": self._finder.zero_counts}
        self._stored.store_new(self._finder.running(), turn, self.heights.record, **zero)

    def _physical(self, samples: NDArray[np.void]) -> tuple[Array, Array]:
        press = convert(self._calibration, samples)
        return press.load_n, press.travel_mm + press.flex_mm

    def _process_samples(self, block: RawBlock) -> None:
        if len(block) == 0:
            return
        self._boot_id = block.boot_id
        self._tell_each(self._faults.seen(block.samples))
        begin = 0
        for end, action in self._buttons.pressed(block.samples):
            self._feed(RawBlock(block.samples[begin:end], block.boot_id))
            self._button(action)
            begin = end
        self._feed(RawBlock(block.samples[begin:], block.boot_id))

    def _feed(self, block: RawBlock) -> None:
        load_n, height_mm = self._physical(block.samples)
        for some in pieces(block.samples["t_us"]):
            samples, physical = block.samples[some], (load_n[some], height_mm[some])
            self._finder.free_mm = None if self.heights.lost else self._looks.bounds().free_from_mm
            self._finder.on_gauge = self.heights.no_spring
            for stroke in self._finder.feed(RawBlock(samples, block.boot_id), physical):
                self._keep(stroke)
            self._look(samples)

    def _look(self, samples: NDArray[np.void]) -> None:
        """Take note of what the newest samples say, and say what can't be right in it."""
        if samples.shape[0] == 0:
            return
        height_mm = self._finder.fed[1]
        jump = self._datums.look(samples, height_mm, idle=self._finder.phase is Phase.IDLE)
        self._tell_each(self._looks.look(samples, jump))

    def _button(self, action: Action | None) -> None:
        meant = meaning(action, asked=self.question is not None, done=self.turn is None)
        if meant is None:
            self._report(Event.of(EventKind.REFUSED, "accept_alone"))
        else:
            self.execute(Command(meant))

    def execute(self, command: Command) -> None:
        """Do what was asked, or say why not."""
        pressing, asked = self._finder.pressing, self._questions.asked
        stays, _ = self._questions.stands(), self._strokes.stands()
        try:
            closes = self.closing.heard(command.action, pressing=pressing)
            if closes or self._questions.takes(command.action, command.question):
                if command.action is Action.FINISH:
                    self._strokes.passed_over(asked)
                self.closing.before_end()
                return
            if command.action is Action.REDO:
                self._back.redo(asked)
            elif pressing and command.action is not Action.RENAME:
                raise NotPossible("spring_pressed", action=command.action)
            elif command.action in OF_A_GAUGE:
                self.heights.await_gauge(comes=command.action is Action.GAUGE)
                self._strokes.gauge_comes(None if self._questions.asked else asked)
            elif command.height_mm is not None:
                zero_n = self._finder.zero_n if self._finder.zero_seen else None
                new = self.heights.read_datum(command.height_mm, zero_n)
                self._strokes.gauged(agrees=self._datums.offer(new))
            else:
                self._back.turn_asked(command, asked)
        except NotPossible as refusal:
            self._report(Event(EventKind.REFUSED, refusal.finding))
            if command.action not in (Action.ACCEPT, Action.TAKE_OUT):
                stays()

    def _take_datum(self, new: NewDatum) -> None:
        """Go on with another datum; no sample of the load was missed, so its zero stays."""
        if self._finder.pressing:
            raise NotPossible("spring_pressed", action=Action.DATUM)
        zero_n = self._finder.zero_n if self._finder.zero_seen else None
        self.interrupt()
        if zero_n is not None:
            self._finder.begin(zero_n)
        self._looks.touched_mm = None
        self.heights.take_datum(new)
        self._adopt()

    def _keep(self, stroke: Stroke) -> None:
        stays = self._strokes.stands()
        self._questions.drop()  # it was pressed again, or another spring
        turn = self.closing.turn
        if turn is not None:
            self._keep_closing(stroke, turn)
            return
        turn = self.turn
        if turn is None:
            what = "stroke_after_end" if self.done else "stroke_before_up"
            self._report(Event.of(EventKind.REFUSED, what))
            return
        turn = self._checks.turn_of(stroke, turn, self._turns.record, self.order.conditioning)
        another = self._unproven.of_another(turn.label)
        risen = self._unproven.risen_of(turn.label)
        judged = self._judged(stroke, turn, self.quill_low if another else None, risen)
        verdict = judged.verdict
        waiting = Waiting(turn, self._store(stroke, turn, judged), stroke)
        self._checks.stored(waiting.sweep_id)
        self._turns.took(turn, counted=verdict.counted)
        if verdict.counted:
            self._checks.took(stroke, judged.haste)
            self._datums.counted(waiting)
        else:
            self._checks.refused(waiting)
        if judged.waits:
            self._unproven.hold(waiting)
        left = judged.left_out if verdict.counted else ()
        for _ in left:
            self._turns.lost_one(turn.label)
        if judged.question is None:
            self._tell(stroke, turn, judged)
            if judged.settles:
                self._datums.shown()
            self._strokes.give_back(judged.agrees_with)
            self._solids.after_press(stroke, turn.label, judged.verdict.findings)
            self._datums.after_press(judged.verdict.findings, turn.label)
        else:
            self._strokes.ask(waiting, judged)
        for one in left:  # last: it is what stays to be read
            self._report(left_out(turn, one.number, one.findings))
        if not verdict.counted and self.question is None and self.datum is None:
            stays()

    def _judged(
        self, stroke: Stroke, turn: Turn, unseen: Finding | None, risen: Finding | None
    ) -> Judged:
        return self._checks.judge(
            stroke,
            turn,
            self._turns.record,
            self.heights.record,
            self._looks.bounds(),
            unknown=self.datum,
            stop=self._looks.stop,
            suspected=self._looks.suspected,
            unseen=unseen,
            risen=risen,
            stop_holds=self.heights.stop_holds,
            said=self.heights.said,
        )

    def _keep_closing(self, stroke: Stroke, turn: Turn) -> None:
        """Store the press that closes the set, and say, or ask, what it shows."""
        judged = self._judged(stroke, turn, self.quill_low, None)
        record = self._turns.record
        judged = self.closing.judged(judged, lambda own: self._checks.moved_since(record, own))
        self._store(stroke, turn, judged)
        self.closing.tell(turn, judged)

    def _took(self, press: Waiting) -> None:
        """A press counts that did not; how well heights were known then is another matter."""
        self._checks.took(press.stroke)
        self._datums.counted(press)

    def _store(self, stroke: Stroke, turn: Turn, judged: Judged) -> str:
        known = {"session_id": self._run.session_id, "rests_n": self._told_rests_n}
        with self._db.atomic():
            if judged.verdict.counted:
                self._turns.make_room(turn)
                self._turns.leave_out(judged.left_out)
            verdict, low = self.heights.against.noted(judged.verdict), self.quill_low
            return self._stored.store_whole(
                stroke, verdict, turn, self.heights.record, low, **known
            )

    def _tell(self, stroke: Stroke, turn: Turn, judged: Judged) -> None:
        if not judged.verdict.counted:
            self._report(refused(turn, judged, asked=self._datums.left.open is not None))
            return
        with_rig = (
            self._turns.next_label(turn.label),
            self._rests_n,
            self._calibration.uncertainty,
        )
        known, waits = self._calibration.flex is not None, self.heights.waits
        self._report(kept(stroke, turn, judged, *with_rig, give_known=known, waits=waits))
        self._turns.tell_done(waits=waits)
