"""The recorder: takes what the rig says, finds strokes, and writes them into the book."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray
from sqlite_utils import Database

from coilbench.capture.blocks import RawBlock, SampleFlag
from coilbench.capture.book.calibrations import CalibrationRecord
from coilbench.capture.book.sessions import ChunkOwner, drop_chunks, store_chunk
from coilbench.capture.book.sets import SetRecord, turn_order
from coilbench.capture.book.sweeps import NewSweep, store_sweep, uncount_last
from coilbench.capture.calibration import apply, instrument_uncertainty
from coilbench.capture.judging import Verdict, judge
from coilbench.capture.messages import Fault, FaultCode, Hello, Item, Restarted
from coilbench.capture.reduced_curve import reduced_curve
from coilbench.capture.strokes import Stroke, StrokeFinder, StrokeRules
from coilbench.capture.sweep import Origin
from coilbench.capture.turns import Purpose, Turn
from coilbench.capture.units import Units


class EventKind(StrEnum):
    """What sort of thing happened."""

    KEPT = "kept"
    REFUSED = "refused"
    REDO = "redo"
    FAULT = "fault"
    LINK = "link"
    DONE = "done"


@dataclass(frozen=True)
class Event:
    """Something the person at the press should know, in words."""

    kind: EventKind
    words: str


_FAULTS = {
    FaultCode.ADC_SILENT: "the load amplifier makes no conversions: check its wires and power",
    FaultCode.ADC_STUCK: "the load amplifier's data line is stuck low: check its wires",
    FaultCode.TRAVEL_SILENT: "the travel scale gives no valid reading: check its wires",
    FaultCode.WATCHDOG_RESTART: "the rig was restarted by its watchdog",
}
DATUM_LOST = (
    "the rig restarted and its travel count began anew, so heights are unknown; "
    "set it again with: coilbench rig gauge"
)


class Recorder:
    """Owns the running stroke and the turn order of one set.

    Used by one thread, the one that owns the book.

    Args:
        db: the open book.
        session_id: the session the sweeps belong to.
        record: the set.
        calibration: the calibration in force.
        say: told each event after the book has it.
        reach_height_mm: the height every stroke must be pressed down to, if the user said so.
        units: for the words.
        rules: what makes a stroke.
    """

    def __init__(
        self,
        db: Database,
        session_id: str,
        record: SetRecord,
        calibration: CalibrationRecord,
        say: Callable[[Event], None],
        *,
        reach_height_mm: float | None = None,
        units: Units | None = None,
        rules: StrokeRules | None = None,
    ) -> None:
        self._db = db
        self._session_id = session_id
        self._record = record
        self._calibration_id = calibration.calibration_id
        self._calibration = calibration.calibration
        self._instrument = instrument_uncertainty(self._calibration)
        self._datum_boot_id = calibration.travel.boot_id
        self._datum_lost = False
        self._say = say
        self._reach_height_mm = reach_height_mm
        self._units = Units() if units is None else units
        self._finder = StrokeFinder(self._physical, rules)
        self.order = turn_order(db, record)
        self._depths_mm: deque[float] = deque(maxlen=30)
        self._last_label: str | None = None
        self._chunks = 0
        self._safe_seq: int | None = None
        self.newest: tuple[float, float] | None = None  # load_n, height_mm

    @property
    def turn(self) -> Turn | None:
        """The stroke wanted next; None when the set is done."""
        return self.order.next_turn()

    @property
    def phase(self) -> str:
        """Where in a stroke the stream is."""
        return self._finder.phase.value

    def running_curve(self, most: int = 120) -> tuple[tuple[float, float], ...]:
        """Return the running stroke as (height_mm, load_n) pairs, thinned."""
        samples = self._finder.running()
        if samples.shape[0] == 0:
            return ()
        thin = samples[:: max(1, samples.shape[0] // most)]
        load_n, height_mm = self._physical(thin)
        above_n = load_n - self._finder.zero_n
        return tuple(zip(height_mm.round(3).tolist(), above_n.round(2).tolist(), strict=True))

    def take(self, item: Item) -> None:
        """Take one thing the rig said."""
        if isinstance(item, RawBlock):
            self._take_samples(item)
        elif isinstance(item, Restarted):
            self.interrupt()
            self._check_datum(item.boot_id)
        elif isinstance(item, Hello):
            self.take_hello(item)
        elif isinstance(item, Fault) and item.standing:
            words = _FAULTS.get(FaultCode(item.code)) if item.code in set(FaultCode) else None
            self._say(Event(EventKind.FAULT, words or f"the rig reports fault {item.code:02X}"))

    def take_hello(self, hello: Hello) -> None:
        """Take who the rig is: another start than the datum's makes heights unknown."""
        if hello.travel == "quadrature":
            self._check_datum(hello.boot_id)

    def _check_datum(self, boot_id: int | None) -> None:
        if boot_id is None:
            return
        if self._datum_boot_id is None:
            self._datum_boot_id = boot_id
        lost = boot_id != self._datum_boot_id
        if lost and not self._datum_lost:
            self._say(Event(EventKind.FAULT, DATUM_LOST))
        self._datum_lost = lost

    def interrupt(self) -> None:
        """The stream broke here: keep what there is of the running stroke, uncounted."""
        stroke = self._finder.cut()
        if stroke is not None:
            self._keep(stroke)
        self._forget_chunks()

    def flush(self) -> None:
        """Put what is new of the running stroke in safety."""
        samples = self._finder.running()
        if samples.shape[0] == 0:
            self._forget_chunks()
            return
        if self._safe_seq is not None:
            samples = samples[samples["seq"] > self._safe_seq]
        turn = self.turn
        if samples.shape[0] == 0 or turn is None:
            return
        owner = ChunkOwner(
            spring_id=self._record.spring(turn.label).spring_id,
            purpose=turn.purpose,
            calibration_id=self._calibration_id,
            boot_id=self._datum_boot_id,
            zero_counts=self._finder.zero_counts,
            instrument=self._instrument,
        )
        store_chunk(self._db, self._session_id, self._chunks, owner, samples)
        self._chunks += 1
        self._safe_seq = int(samples["seq"][-1])

    def _forget_chunks(self) -> None:
        if self._chunks:
            drop_chunks(self._db, self._session_id)
        self._chunks, self._safe_seq = 0, None

    def _physical(
        self, samples: NDArray[np.void]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        block = apply(self._calibration, RawBlock(samples)).samples
        return block["load_n"], block["height_mm"]

    def _take_samples(self, block: RawBlock) -> None:
        if len(block) == 0:
            return
        if (block.samples["flags"] & SampleFlag.REDO_PRESSED).any():
            self.redo()
        for stroke in self._finder.feed(block):
            self._keep(stroke)
        load_n, height_mm = self._physical(block.samples[-1:])
        self.newest = (float(load_n[0]) - self._finder.zero_n, float(height_mm[0]))

    def redo(self) -> None:
        """Take the last counted stroke out of the count; the same spring is wanted again."""
        if self._last_label is None:
            return
        label, self._last_label = self._last_label, None
        if uncount_last(self._db, self._record.spring(label).spring_id):
            self.order = self.order.redo(label)
            self._say(Event(EventKind.REDO, f"{label}: the last stroke no longer counts"))

    def _keep(self, stroke: Stroke) -> None:
        turn = self.turn
        if turn is None:
            self._say(Event(EventKind.REFUSED, "the set is done; this stroke was not kept"))
            return
        verdict = judge(
            stroke,
            reach_height_mm=self._reach_height_mm,
            earlier_depths_mm=tuple(self._depths_mm),
        )
        if self._datum_lost and verdict.counted:
            verdict = Verdict(
                verdict.status, counted=False, samples_lost=verdict.samples_lost, note=DATUM_LOST
            )
        self._store(stroke, turn, verdict)
        if verdict.counted:
            self._depths_mm.append(stroke.depth_mm)
            self.order = self.order.after(turn)
            self._last_label = turn.label if turn.purpose is Purpose.MEASURED else None
        self._tell(stroke, turn, verdict)

    def _store(self, stroke: Stroke, turn: Turn, verdict: Verdict) -> None:
        block = apply(self._calibration, stroke.raw, stroke.zero_counts)
        with self._db.atomic():
            store_sweep(
                self._db,
                NewSweep(
                    spring_id=self._record.spring(turn.label).spring_id,
                    origin=Origin.RIG,
                    status=verdict.status,
                    purpose=turn.purpose,
                    counted=verdict.counted,
                    rows=reduced_curve(block),
                    load_u_n=self._instrument.load_u_n,
                    load_u_relative=self._instrument.load_u_relative,
                    height_u_mm=self._instrument.height_u_mm,
                    samples=stroke.raw.samples,
                    samples_lost=verdict.samples_lost,
                    session_id=self._session_id,
                    calibration_id=self._calibration_id,
                    boot_id=stroke.raw.boot_id,
                    zero_counts=stroke.zero_counts,
                    note=verdict.note,
                ),
            )
            self._forget_chunks()

    def _tell(self, stroke: Stroke, turn: Turn, verdict: Verdict) -> None:
        peak_n = float(self._physical(stroke.raw.samples)[0].max()) - self._finder.zero_n
        reached = f"{self._units.load_text(peak_n)} at {self._units.length_text(stroke.lowest_mm)}"
        note = "" if verdict.note is None else f" ({verdict.note})"
        if verdict.counted:
            self._say(Event(EventKind.KEPT, f"{turn.words()}: {reached}{note}"))
        else:
            self._say(
                Event(EventKind.REFUSED, f"{turn.words()}: {verdict.status}{note}; press it again")
            )
        if self.turn is None:
            self._say(Event(EventKind.DONE, f"the set {self._record.name} is done"))
