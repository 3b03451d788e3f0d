"""A session: one run of the capture of one set, from the source into the book, headless or not."""

from __future__ import annotations

import queue
import time
from collections import deque
from collections.abc import Callable
from contextlib import AbstractContextManager, nullcontext

from msgspec.structs import replace

from coilbench.capture.blocks import Finding, Hello
from coilbench.capture.book.calibrations import (
    CalibrationRecord,
    calibration_on,
    refuse_uncalibrated,
)
from coilbench.capture.book.connection import Database
from coilbench.capture.book.locks import hold_book
from coilbench.capture.book.opening import check_book, open_book
from coilbench.capture.book.rows import writing
from coilbench.capture.book.sessions import CaptureRun, left_behind, recover
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.book.sweeps import turn_order
from coilbench.capture.errors import CoilbenchError, WorkerDied
from coilbench.capture.running.commands import NOW_S, Command, Event, Snapshot
from coilbench.capture.running.control import ControlClosed, ControlServer
from coilbench.capture.running.kinds import EventKind
from coilbench.capture.running.reader import Parcel, Reader
from coilbench.capture.running.recorder import Recorder
from coilbench.capture.running.request import CaptureRequest
from coilbench.capture.sources.base import Source
from coilbench.capture.sources.losses import cause_of

FLUSH_S = 1.0  # about this much of a running stroke is lost to a power cut
PARCEL_WAIT_S = 0.1  # how long to wait for the reader before looking around
UNWATCHED_WAITS = 4.0  # as long as that, while nobody is watching: longer than a parcel takes
LINGER_S = 30.0  # how long the set's very last stroke can still be redone
CLOSING_S = 180.0  # and how long a closing press is waited for
MOST_COMMANDS = 16  # that wait to be executed
SET_DONE = "set done"
FINISHED = "finished by hand"


class Session:
    """Captures a set until it is done, the source ends, or `stop` is called.

    `run` blocks and owns the book; the reader has a thread of its own. `snapshot`, `submit` and
    `stop` may be used from any thread, `stop` from a signal's handler too.

    Args:
        open_again: opens the source, at the start and after a loss.
        say: told each event, from the thread that runs `run`, after the book has it.
    """

    def __init__(
        self,
        request: CaptureRequest,
        open_again: Callable[[], Source],
        say: Callable[[Event], None],
        *,
        clock: Callable[[], float] = time.monotonic,
        pause: Callable[[float], object] | None = None,
    ) -> None:
        self._snapshot = Snapshot(
            set_name=request.set_name, source=request.url, reach_height_mm=request.reach_height_mm
        )
        self._request = request
        self._tell = say
        self._clock = clock
        self._asked = self._asked_before = False  # for a snapshot, in this second and the last
        self._reader = Reader(open_again, clock=clock, pause=pause, watched=lambda: self._watched)
        self._health = self._reader.health
        self._commands: deque[Command] = deque()
        self._control: ControlServer | None = None
        # what is awaited of a set that is done, and when it ends without
        self._ends: tuple[str | bool, float] | None = None
        self._flushed_s = 0.0  # when the state was last stored
        self._stopping = False  # no Event: its lock could be held where a signal comes in
        self._told_loss: Finding | None = None
        self._rig: Finding | None = None  # who is connected

    @property
    def snapshot(self) -> Snapshot:
        """How it stands; who asks each second or sooner gets it as fresh as can be."""
        self._asked = True
        return self._snapshot

    @property
    def _watched(self) -> bool:
        return self._asked or self._asked_before

    @property
    def _wait_s(self) -> float:
        return PARCEL_WAIT_S if self._watched else UNWATCHED_WAITS * PARCEL_WAIT_S

    def stop(self) -> None:
        """Ask the session to drain, close and end."""
        self._stopping = True

    def submit(self, command: Command) -> None:
        """Take what a person asks for; the result is an event, about 0.4 s later at most.

        Raises:
            CoilbenchError: too many commands wait already.
        """
        if len(self._commands) >= MOST_COMMANDS:
            raise CoilbenchError("the capture is busy", hint="Wait a moment and ask again")
        self._commands.append(command)

    def run(self) -> Snapshot:
        """Capture; returns the last snapshot. Once only.

        Raises:
            CoilbenchError: no such set, not calibrated, the book is taken, the source cannot be
                opened or is another rig, the disk is full.
        """
        request = self._request
        check_book(request.book)  # before a lock file is made beside it
        with hold_book(request.book), open_book(request.book) as db:
            # for each row of a stroke SQLite keeps a page aside: not in a file of its own
            db.execute("PRAGMA temp_store = MEMORY")
            self._rescue(db)
            record = find_set(db, request.set_name)
            request.refuse_solid(record)
            refuse_uncalibrated(db)
            with self._open_control():
                self._reader.start()
                try:
                    hello = self._first_hello()
                    if hello is not None:
                        self._capture(db, record, calibration_on(db, hello.device_id), hello)
                finally:
                    self._reader.close()
        return self._snapshot

    def _open_control(self) -> AbstractContextManager[object]:
        """Let other windows in, this book's lock being held; where that can't be, say so."""
        try:
            self._control = ControlServer(self._request.book, self)
        except ControlClosed as closed:
            self._report(Event(EventKind.LINK, closed.finding))
            return nullcontext()
        return self._control

    def _rescue(self, db: Database) -> None:
        """Say what the last capture left, whoever put the book in order since."""
        recover(db)
        left = left_behind(db)
        if left is not None:
            self._report(Event(EventKind.RESCUED, left))

    def _first_hello(self) -> Hello | None:
        """Return who the rig is; None when told to stop before it says so."""
        while True:
            parcel = self._next()
            if parcel is None:
                continue
            if parcel.hello is not None:
                self._link_up(parcel.hello)
                return parcel.hello
            if parcel.failure is not None:
                raise self._failed("reading", parcel.failure)
            if self._stopping and (parcel.loss or parcel.ended):
                return None
            if parcel.loss is not None:
                raise parcel.loss

    def _capture(
        self, db: Database, record: SetRecord, calibration: CalibrationRecord, hello: Hello
    ) -> None:
        request = self._request
        who = (hello.device_id, hello.firmware)
        run = CaptureRun.begin(db, record.set_id, request.url, *who)
        recorder = Recorder(
            db,
            run,
            record,
            calibration,
            self._report,
            reach_height_mm=request.reach_height_mm,
            closes=request.linger_s > 0.0,
            clock=self._clock,
        )

        def close(reason: str) -> None:
            recorder.end()
            self._refresh(recorder, self._clock())
            # what the next run begins with: put off, begun again or not, it goes by the book
            kept = turn_order(db, recorder.record)
            done, strokes = len(kept.finished()), sum(map(kept.measured_of, kept.labels))
            self._snapshot = replace(
                self._snapshot, turn=kept.next_turn(), springs_done=done, strokes=strokes
            )
            run.update(self._snapshot.to_document())
            run.end(reason)

        try:
            recorder.process_hello(hello)
            reason = self._process_all(db, run, recorder)
        except CoilbenchError as error:
            close(str(error))
            raise
        close(reason)

    def _process_all(self, db: Database, run: CaptureRun, recorder: Recorder) -> str:
        """Take parcels until there is a reason to end; returns it."""
        closing = recorder.closing
        if recorder.turn is None and not closing.ask() and not closing.held_up:
            self._report(Event.of(EventKind.DONE, "set_done_before", set=self._request.set_name))
            return SET_DONE
        self._flushed_s = self._clock()
        while True:
            reason = self._process(self._next(), recorder)
            while self._commands:
                recorder.execute(self._commands.popleft())
            now_s = self._clock()
            reason = self._over(recorder, now_s, reason)
            self._refresh(recorder, now_s)
            if reason is not None:
                return reason
            if self._flush_due(now_s):
                with writing(db):  # together: each commit waits for the disk
                    recorder.flush()
                    run.update(self._snapshot.to_document())
                self._flushed_s = now_s
                self._asked, self._asked_before = False, self._asked

    def _flush_due(self, now_s: float) -> bool:
        return now_s - self._flushed_s >= FLUSH_S

    def _over(self, recorder: Recorder, now_s: float, reason: str | None) -> str | None:
        """Return why the session ends, if it does: a set that is done is held open for a while."""
        if not recorder.done:
            self._ends = None
            return FINISHED if recorder.finished else reason
        if reason is None:
            recorder.closing.ask()
        awaited = recorder.closing.label or recorder.closing.held_up
        pressed = awaited and recorder.phase != "idle"  # it may have to be pressed again
        if self._ends is None or self._ends[0] != awaited or pressed:
            closes = self._ends is not None  # what came of that is to stay on the screen
            self._ends = awaited, now_s + (CLOSING_S if awaited else self._request.linger_s)
            if not (reason or awaited or closes) and self._request.linger_s > 0.0:
                linger_s = self._request.linger_s
                self._report(Event.of(EventKind.TURN, "held_open", linger_s=linger_s))
        over = recorder.finished or (self._ends[1] <= now_s and recorder.phase == "idle")
        return SET_DONE if reason is not None or over else None

    def _next(self) -> Parcel | None:
        if self._stopping:
            self._reader.finish()  # it hands on what has arrived, and then says that it ended
        if self._control is not None and self._control.error is not None:
            raise self._failed("the control channel", self._control.error)
        try:
            return self._reader.parcels.get(timeout=self._wait_s)
        except queue.Empty:
            if self._reader.alive or not self._reader.parcels.empty():
                return None
            raise WorkerDied("the reader ended by itself", where=self._request.url) from None

    def _process(self, parcel: Parcel | None, recorder: Recorder) -> str | None:
        """Act on a parcel; returns why the session ends, if it does."""
        if parcel is None:
            return None
        if parcel.counters is not None:
            self._health.count(parcel.counters)
            for item in parcel.joined:
                if recorder.done and self._request.linger_s <= 0.0:
                    break
                self._health.heard(item, self._clock())
                recorder.process(item)
        elif parcel.hello is not None:
            self._link_up(parcel.hello)
            recorder.process_hello(parcel.hello)
        elif parcel.loss is not None:
            recorder.interrupt()
            if not self._stopping:
                self._link_down(cause_of(parcel.loss))
        elif parcel.failure is not None:
            raise self._failed("reading", parcel.failure)
        return parcel.ended

    def _failed(self, worker: str, cause: Exception) -> CoilbenchError:
        if isinstance(cause, CoilbenchError):  # of a source that does not come back
            return cause
        error = WorkerDied(
            f"{worker} failed ({type(cause).__name__}: {cause})",
            where=self._request.url,
            hint="Start the capture again; if it fails again, report this message",
        )
        error.__cause__ = cause
        return error

    def _report(self, event: Event) -> None:
        self._snapshot = self._snapshot.after(event)
        self._tell(event)

    def _link_up(self, hello: Hello) -> None:
        self._health.up(self._clock(), hello.boot_id)
        self._told_loss = None
        who = {"firmware": hello.firmware, "device_id": hello.device_id}
        self._rig = Finding("rig", who)
        self._snapshot = replace(self._snapshot, link="up", link_what=self._rig)
        self._report(Event.of(EventKind.LINK, "connected", source=self._request.url, **who))

    def _link_down(self, cause: Finding) -> None:
        """Say a loss; the same one again and again is said once."""
        lost = Finding.of("link_lost", cause=cause.to_document())
        self._health.down()
        self._snapshot = replace(self._snapshot, link="lost", link_what=lost)
        if cause != self._told_loss:
            self._told_loss = cause
            self._report(Event(EventKind.LINK, lost))

    def _refresh(self, recorder: Recorder, now_s: float) -> None:
        """Bring the snapshot up to date with what is known now, and say a silence."""
        quiet_s = self._health.fell_quiet(now_s)
        if quiet_s is not None and recorder.rig_fault is None:
            self._report(Event(EventKind.LINK, self._no_sample(quiet_s)))
        total, unknown = self._health.counters, self._load_unknown(recorder, now_s)
        link_what = self._snapshot.link_what
        if self._snapshot.link == "up":
            link_what = recorder.rig_fault or self._rig
        self._snapshot = replace(
            as_recorded(self._snapshot, recorder, unknown),
            link_what=link_what,
            rate_hz=round(self._health.rate_hz(), 1),
            samples=total.samples,
            samples_lost=total.samples_lost,
            lost_share=self._health.lost_share(now_s),
            lines_bad=total.lines_bad,
            restarts=total.restarts,
            sample_age_s=self._health.age_s(now_s),
            ends_in_s=None if self._ends is None else max(0.0, self._ends[1] - now_s),
            curve=recorder.running_curve() if self._watched or self._flush_due(now_s) else (),
        )

    def _load_unknown(self, recorder: Recorder, now_s: float) -> Finding | None:
        """Return why the load is not known now; None where it is, and before the first sample."""
        usable_s = self._health.usable_age_s(now_s)
        if recorder.newest is None or usable_s is None:
            return recorder.rig_fault
        if recorder.newest.at_limit:
            return Finding("amplifier_at_limit")
        if usable_s + self._wait_s <= NOW_S:  # this look is the newest one for so long
            return recorder.doubt
        if self._snapshot.link != "up":
            return self._snapshot.link_what
        if recorder.rig_fault is not None:
            return recorder.rig_fault
        age_s = self._health.age_s(now_s) or 0.0
        return self._no_sample(age_s) if age_s + self._wait_s > NOW_S else Finding("no_reading")

    def _no_sample(self, quiet_s: float) -> Finding:
        return Finding.of("no_sample", quiet_s=quiet_s, source=self._request.url)


def as_recorded(before: Snapshot, recorder: Recorder, load_unknown: Finding | None) -> Snapshot:
    """Return a snapshot brought up to date with what its recorder knows.

    Args:
        load_unknown: why the load is not known now; None where it is.
    """
    newest, datum = recorder.newest, recorder.datum
    known = newest is not None and load_unknown is None
    closing, order = recorder.closing.label, recorder.order
    return replace(
        before,
        load_n=newest.load_n if newest is not None and known else None,
        height_mm=newest.height_mm if newest and known and recorder.heights_known else None,
        load_unknown=load_unknown,
        datum=datum,
        gauge_awaited=recorder.heights.gauge_awaited,
        gauge_under=recorder.heights.on_gauge.under,
        alarm=recorder.alarm,
        question=recorder.question,
        quill_low=recorder.quill_low,
        rating_n=recorder.rating_n,
        free_length_mm=recorder.free_length_mm,
        phase="unknown" if load_unknown is not None else recorder.phase,
        turn=None if datum or closing else recorder.turn,
        closing=closing,
        closed=recorder.closing.verdict,
        springs_done=recorder.springs_done,
        springs=len(order.labels),
        strokes=sum(map(order.measured_of, order.labels)),
    )
