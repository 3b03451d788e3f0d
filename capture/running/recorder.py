"""The recorder: takes what the rig says, finds strokes, and writes them into the book."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlite_utils import Database

from coilbench.capture.blocks import Fault, Finding, Hello, Item, RawBlock, Restarted, SampleFlag
from coilbench.capture.book.calibrations import CalibrationRecord
from coilbench.capture.book.notes import note_of
from coilbench.capture.book.sessions import CaptureRun
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.book.sweeps import NewSweep, store_sweep
from coilbench.capture.calibration.model import apply, instrument_uncertainty
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import Action, Command, Event, EventKind
from coilbench.capture.running.turn_taking import NotPossible, TurnTaking
from coilbench.capture.strokes.finder import StrokeFinder
from coilbench.capture.strokes.judging import Purpose, Turn, TurnOrder, Verdict, judge
from coilbench.capture.strokes.shape import Stroke
from coilbench.capture.strokes.stored import reduced_curve
from coilbench.capture.strokes.sweep import Origin

_DATUM_LOST = Finding("datum_lost")
TWICE_S = 2.0  # two presses within this belong together; common practice, no source


_BUTTONS = (
    (SampleFlag.REDO_PRESSED, Action.REDO, Action.BACK),
    (SampleFlag.ACCEPT_PRESSED, None, Action.SKIP),
)


class Buttons:
    """Turns presses of the rig's two push-buttons into what they ask for, by the rig's own clock.

    A good stroke is accepted by itself, so a single press of accept changes nothing while the set
    is being measured: who presses it out of habit must not lose the order.

    | button | once | again within 2 s |
    |---|---|---|
    | redo | redo the last stroke | go back; and further with each press |
    | accept | nothing | skip; once the set is done, the first press finishes |
    """

    def __init__(self) -> None:
        self._last_us: dict[SampleFlag, int] = {}

    def pressed(self, samples: NDArray[np.void]) -> list[tuple[int, Action | None]]:
        """Return (samples up to and with the press, what it asks for) for each press in order."""
        flags, t_us = samples["flags"], samples["t_us"]
        both = SampleFlag.REDO_PRESSED | SampleFlag.ACCEPT_PRESSED
        found: list[tuple[int, Action | None]] = []
        for at in np.flatnonzero(flags & both).tolist():
            for button, once, again in _BUTTONS:
                if flags[at] & button:
                    found.append((at + 1, again if self._twice(button, int(t_us[at])) else once))
        return found

    def _twice(self, button: SampleFlag, now_us: int) -> bool:
        before_us = self._last_us.get(button)
        self._last_us[button] = now_us
        return before_us is not None and 0 <= now_us - before_us <= TWICE_S * 1e6


class Recorder:
    """Owns the running stroke of one set, and asks whose it is.

    Used by one thread, the one that owns the book.

    Args:
        reach_height_mm: the height every stroke must be pressed down to, if the user said so.
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
    ) -> None:
        self._db = db
        self._run = run
        self._turns = TurnTaking(db, record, say)
        self._calibration_id = calibration.calibration_id
        self._calibration = calibration.calibration
        self._instrument = instrument_uncertainty(self._calibration)
        self._device_id = calibration.load.device_id
        self._datum_boot_id = calibration.travel.boot_id
        self._datum_lost = False
        self._incremental = False  # whether a restart loses the travel's datum
        self._boot_id: int | None = None
        self._standing: set[int] = set()  # faults that are told
        self._report = say
        self._reach_height_mm = reach_height_mm
        self._finder = StrokeFinder(self._physical)
        self._buttons = Buttons()
        self._depths_mm: deque[float] = deque(maxlen=30)
        self._chunks = 0
        self._safe_seq: int | None = None
        self.newest: tuple[float, float] | None = None  # load_n, height_mm
        self._touched_mm: float | None = None
        self.finished = False  # a person said that it ends here

    @property
    def turn(self) -> Turn | None:
        """The stroke wanted next; None when the set is done."""
        return self._turns.turn

    @property
    def order(self) -> TurnOrder:
        """The set in the order it is pressed, and how far it has come."""
        return self._turns.order

    @property
    def free_length_mm(self) -> float | None:
        """The height at which the spring is free: the set's, else where a press last touched."""
        given_mm = self._turns.record.free_length_mm
        return self._touched_mm if given_mm is None else given_mm

    @property
    def phase(self) -> str:
        """Where in a stroke the stream is."""
        return self._finder.phase.value

    def running_curve(self, most: int = 120) -> tuple[tuple[float, float], ...]:
        """Return the running stroke as (height_mm, load_n) pairs, thinned."""
        thin = self._finder.running_thinned(most)
        if thin.shape[0] == 0:
            return ()
        load_n, height_mm = self._physical(thin)
        above_n = load_n - self._finder.zero_n
        return tuple(zip(height_mm.round(3).tolist(), above_n.round(2).tolist(), strict=True))

    def process(self, item: Item) -> None:
        """Take one thing the rig said; raises as process_hello."""
        if isinstance(item, RawBlock):
            self._process_samples(item)
        elif isinstance(item, Restarted):
            self.interrupt()
            self._standing.clear()
            if self._incremental:
                self._set_datum_lost(lost=True)
        elif isinstance(item, Hello):
            self.process_hello(item)
        elif isinstance(item, Fault):
            self._process_fault(item)

    def process_hello(self, hello: Hello) -> None:
        """Take who the rig is: with an incremental scale, another start makes heights unknown.

        Raises:
            CoilbenchError: it is another rig than the calibration's.
        """
        if self._device_id is not None and hello.device_id != self._device_id:
            raise CoilbenchError(
                f"this is the rig {hello.device_id}, but the calibration is of {self._device_id}",
                hint="Connect that rig, or calibrate this one with: coilbench rig weigh",
            )
        self._incremental = hello.travel == "quadrature"
        if not self._incremental:
            return
        if self._datum_boot_id is None:  # a calibration from a file doesn't say
            self._datum_boot_id = hello.boot_id
        self._set_datum_lost(lost=hello.boot_id != self._datum_boot_id)

    def _set_datum_lost(self, *, lost: bool) -> None:
        if lost and not self._datum_lost:
            self._report(Event(EventKind.FAULT, _DATUM_LOST))
        self._datum_lost = lost

    def _process_fault(self, fault: Fault) -> None:
        """Say a fault when it comes up and when it has cleared; the rig repeats it each second."""
        if fault.standing and fault.code not in self._standing:
            self._standing.add(fault.code)
            self._report(Event.of(EventKind.FAULT, "rig_fault", code=fault.code))
        elif not fault.standing and fault.code in self._standing:
            self._standing.discard(fault.code)
            self._report(Event.of(EventKind.FAULT, "rig_fault_over", code=fault.code))

    def interrupt(self) -> None:
        """The stream broke here: keep what there is of the running stroke, uncounted."""
        stroke = self._finder.cut()
        if stroke is not None:
            self._keep(stroke)
        self._forget_chunks()

    def flush(self) -> None:
        """Store what is new of the running stroke; a touch alone is none yet."""
        turn = self.turn
        if not self._finder.pressing or turn is None:
            self._forget_chunks()
            return
        samples = self._finder.running()
        if self._safe_seq is not None:
            samples = samples[np.searchsorted(samples["seq"], self._safe_seq, side="right") :]
        if samples.shape[0] == 0:
            return
        known = self._known(turn, self._boot_id, self._finder.zero_counts)
        self._run.store_chunk(self._chunks, samples, known)
        self._chunks += 1
        self._safe_seq = int(samples["seq"][-1])

    def _forget_chunks(self) -> None:
        if self._chunks:
            self._run.drop_chunks()
        self._chunks, self._safe_seq = 0, None

    def _known(self, turn: Turn, boot_id: int | None, zero_counts: float | None) -> dict[str, Any]:
        """Return what a stroke is of, and how to read it, as fields of NewSweep."""
        return {
            "spring_id": self._turns.spring_id(turn.label),
            "purpose": turn.purpose,
            "calibration_id": self._calibration_id,
            "boot_id": boot_id,
            "zero_counts": zero_counts,
            **vars(self._instrument),
        }

    def _physical(
        self, samples: NDArray[np.void]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        block = apply(self._calibration, RawBlock(samples)).samples
        return block["load_n"], block["height_mm"]

    def _process_samples(self, block: RawBlock) -> None:
        if len(block) == 0:
            return
        self._boot_id = block.boot_id
        begin = 0
        for end, action in self._buttons.pressed(block.samples):
            self._feed(RawBlock(block.samples[begin:end], block.boot_id))
            self._button(action)
            begin = end
        self._feed(RawBlock(block.samples[begin:], block.boot_id))
        load_n, height_mm = self._physical(block.samples[-1:])
        if self._finder.pressing:
            self._touched_mm = self._finder.touch_mm
        self.newest = (float(load_n[0]) - self._finder.zero_n, float(height_mm[0]))

    def _feed(self, block: RawBlock) -> None:
        for stroke in self._finder.feed(block):
            self._keep(stroke)

    def _button(self, action: Action | None) -> None:
        if self.turn is None and action in (None, Action.SKIP):  # accept, and all is done
            action = Action.FINISH
        if action is not None:
            self.execute(Command(action))

    def execute(self, command: Command) -> None:
        """Do what was asked, or say why not."""
        if command.action is Action.REDO:
            if self._turns.redo():
                self._depths_mm.pop()
        elif command.action is Action.FINISH:
            self.finished = True
        elif self._finder.pressing and command.action is not Action.RENAME:
            self._refuse("spring_pressed", action=command.action)
        else:
            try:
                self._turns.execute(command)
            except NotPossible as refusal:
                self._report(Event(EventKind.REFUSED, refusal.finding))

    def _keep(self, stroke: Stroke) -> None:
        turn = self.turn
        if turn is None:
            self._refuse("stroke_after_end")
            return
        verdict = judge(
            stroke,
            turn.purpose,
            reach_height_mm=None if self._datum_lost else self._reach_height_mm,
            earlier_depths_mm=tuple(self._depths_mm),
        )
        measured = turn.purpose is Purpose.MEASURED
        if self._datum_lost and measured and verdict.counted:
            verdict = replace(verdict, counted=False, findings=(_DATUM_LOST,))
        self._store(stroke, turn, verdict)
        self._turns.took(turn, counted=verdict.counted)
        if verdict.counted:
            self._depths_mm.append(stroke.depth_mm)
        self._tell(stroke, turn, verdict)

    def _store(self, stroke: Stroke, turn: Turn, verdict: Verdict) -> None:
        block = apply(self._calibration, stroke.raw, stroke.zero_counts)
        with self._db.atomic():
            if verdict.counted:
                self._turns.make_room(turn)
            store_sweep(
                self._db,
                NewSweep(
                    **self._known(turn, stroke.raw.boot_id, stroke.zero_counts),
                    origin=Origin.RIG,
                    status=verdict.status,
                    counted=verdict.counted,
                    rows=reduced_curve(block),
                    samples=stroke.raw.samples,
                    samples_lost=verdict.samples_lost,
                    session_id=self._run.session_id,
                    note=note_of(verdict.findings),
                ),
            )
            self._forget_chunks()

    def _tell(self, stroke: Stroke, turn: Turn, verdict: Verdict) -> None:
        facts: dict[str, Any] = {
            "label": turn.label,
            "purpose": turn.purpose,
            "stroke": turn.number,
            "strokes": turn.wanted,
            "findings": [finding.to_document() for finding in verdict.findings],
        }
        if not verdict.counted:
            self._refuse("stroke_refused", status=verdict.status, **facts)
            return
        after = self.turn
        next_label = None if after is None or after.label == turn.label else after.label
        facts |= {"peak_n": stroke.peak_n, "lowest_mm": stroke.lowest_mm, "next_label": next_label}
        self._report(Event.of(EventKind.KEPT, "stroke_kept", **facts))
        if after is None:
            self._report(Event.of(EventKind.DONE, "set_done", set=self._turns.record.name))

    def _refuse(self, what: str, **facts: Any) -> None:
        self._report(Event.of(EventKind.REFUSED, what, **facts))
