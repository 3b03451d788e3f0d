"""A session: one run of the capture of one set, from the source into the book."""

from __future__ import annotations

import queue
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path

from sqlite_utils import Database

from coilbench.capture.blocks import RawBlock
from coilbench.capture.book.calibrations import current_calibration
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sessions import end_session, start_session, update_session
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.locks import hold_book
from coilbench.capture.messages import Hello, LinkCounters
from coilbench.capture.reader import Delivery, LinkDown, LinkEnded, LinkUp, Parcel, Reader
from coilbench.capture.recorder import Event, EventKind, Recorder
from coilbench.capture.snapshot import Snapshot
from coilbench.capture.sources.base import Source
from coilbench.capture.units import Units

FLUSH_S = 1.0  # at most this much of a running stroke is lost to a power cut
QUIET_S = 2.0  # silence this long is said
RATE_SPAN_S = 3.0


@dataclass(frozen=True)
class CaptureRequest:
    """What to capture into where.

    Attributes:
        reach_height_mm: every stroke must be pressed down to this height; None: not checked.
    """

    book: Path
    set_name: str
    url: str
    reach_height_mm: float | None = None
    units: Units = field(default_factory=Units)


class Session:
    """Captures a set until it is done, the source ends, or `stop` is called.

    `run` blocks and owns the book; the reader has a thread of its own. `snapshot` and `stop` may
    be used from any thread.

    Args:
        request: what to capture.
        open_again: opens the source, at the start and after a loss.
        say: told each event, from the thread that runs `run`.
        clock: a monotonic clock, s.
    """

    def __init__(
        self,
        request: CaptureRequest,
        open_again: Callable[[], Source],
        say: Callable[[Event], None],
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.snapshot = Snapshot(set_name=request.set_name, source=request.url)
        self._request = request
        self._open_again = open_again
        self._tell = say
        self._clock = clock
        self._stop = threading.Event()
        self._earlier = LinkCounters()  # of connections that are gone
        self._counters = LinkCounters()  # of this connection
        self._heard_s: float | None = None
        self._quiet_said = False
        self._recent: deque[tuple[int, int]] = deque()  # (t_us, samples) of newest blocks

    def stop(self) -> None:
        """Ask the session to drain, close and end."""
        self._stop.set()

    def run(self) -> Snapshot:
        """Capture; returns the last snapshot.

        Raises:
            CoilbenchError: no such set, not calibrated, the book or the port is taken, the source
                cannot be opened, the disk is full.
        """
        request = self._request
        with hold_book(request.book), open_book(request.book, lock_held=True) as db:
            record = find_set(db, request.set_name)
            calibration = current_calibration(db)
            reader = Reader(self._open_again, clock=self._clock)
            reader.start()
            try:
                hello = self._first_hello(reader)
                session_id = start_session(
                    db, record.set_id, request.url, hello.device_id, hello.firmware
                )
                recorder = Recorder(
                    db,
                    session_id,
                    record,
                    calibration,
                    self._say,
                    reach_height_mm=request.reach_height_mm,
                    units=request.units,
                )
                recorder.take_hello(hello)
                reason = self._record(db, session_id, record, recorder, reader)
            finally:
                reader.stop()
            end_session(db, session_id, reason)
        return self.snapshot

    def _say(self, event: Event) -> None:
        self.snapshot = replace(self.snapshot, event=event.words)
        self._tell(event)

    def _first_hello(self, reader: Reader) -> Hello:
        while not self._stop.is_set():
            parcel = self._next(reader, timeout_s=FLUSH_S)
            if isinstance(parcel, LinkUp):
                self._link_up(parcel)
                return parcel.hello
            if isinstance(parcel, LinkDown | LinkEnded):
                raise CoilbenchError(parcel.reason.rstrip("."))
        raise CoilbenchError("stopped before the rig answered")

    def _next(self, reader: Reader, timeout_s: float) -> Parcel | None:
        try:
            return reader.parcels.get(timeout=timeout_s)
        except queue.Empty:
            if not reader.alive:
                raise reader.error or CoilbenchError("the reader ended by itself") from None
            return None

    def _record(
        self,
        db: Database,
        session_id: str,
        record: SetRecord,
        recorder: Recorder,
        reader: Reader,
    ) -> str:
        flushed_s = self._clock()
        reason = None
        while reason is None:
            parcel = self._next(reader, timeout_s=FLUSH_S / 4)
            reason = self._take(parcel, recorder)
            if recorder.turn is None:
                reason = "set done"
            elif self._stop.is_set() and parcel is None:
                reason = "stopped"
            now_s = self._clock()
            self._see(record, recorder, now_s)
            if now_s - flushed_s >= FLUSH_S:
                recorder.flush()
                update_session(db, session_id, self.snapshot)
                flushed_s = now_s
            if self._stop.is_set():
                reader.stop()
        recorder.interrupt()
        self._see(record, recorder, self._clock())
        update_session(db, session_id, self.snapshot)
        return reason

    def _take(self, parcel: Parcel | None, recorder: Recorder) -> str | None:
        """Act on a parcel; returns why the session ends, if it does."""
        if isinstance(parcel, Delivery):
            self._counters = parcel.counters
            for item in parcel.items:
                if isinstance(item, RawBlock) and len(item):
                    self._heard(item)
                recorder.take(item)
        elif isinstance(parcel, LinkUp):
            self._link_up(parcel)
            recorder.take_hello(parcel.hello)
        elif isinstance(parcel, LinkDown):
            recorder.interrupt()
            self._link_down(parcel)
        elif isinstance(parcel, LinkEnded):
            return "source ended"
        return None

    def _heard(self, block: RawBlock) -> None:
        self._heard_s = self._clock()
        self._quiet_said = False
        newest_us = int(block.samples["t_us"][-1])
        if self._recent and newest_us < self._recent[-1][0]:
            self._recent.clear()
        self._recent.append((newest_us, len(block)))
        while newest_us - self._recent[0][0] > RATE_SPAN_S * 1e6:
            self._recent.popleft()

    def _rate_hz(self) -> float:
        if len(self._recent) < 2:
            return 0.0
        span_us = self._recent[-1][0] - self._recent[0][0]
        samples = sum(count for _, count in list(self._recent)[1:])
        return samples / (span_us * 1e-6) if span_us > 0 else 0.0

    def _link_up(self, link: LinkUp) -> None:
        words = f"{link.hello.firmware}, rig {link.hello.device_id}"
        self.snapshot = replace(self.snapshot, link="up", link_words=words)
        self._say(Event(EventKind.LINK, f"connected to {self._request.url}: {words}"))

    def _link_down(self, link: LinkDown) -> None:
        self._earlier = added(self._earlier, self._counters)
        self._counters = LinkCounters()
        words = f"{link.reason} Trying again in {link.retry_s:g} s."
        self.snapshot = replace(self.snapshot, link="lost", link_words=words)
        self._say(Event(EventKind.LINK, words))

    def _see(self, record: SetRecord, recorder: Recorder, now_s: float) -> None:
        """Bring the snapshot up to date."""
        age_s = None if self._heard_s is None else now_s - self._heard_s
        if age_s is not None and age_s > QUIET_S and not self._quiet_said:
            self._quiet_said = True
            self._say(
                Event(
                    EventKind.LINK,
                    f"no sample for {age_s:.1f} s on {self._request.url}. "
                    "Check the cable, then: coilbench rig find",
                )
            )
        total = added(self._earlier, self._counters)
        turn = recorder.turn
        self.snapshot = replace(
            self.snapshot,
            rate_hz=round(self._rate_hz(), 1),
            samples=total.samples,
            samples_lost=total.samples_lost,
            lines_bad=total.lines_bad,
            restarts=total.restarts,
            sample_age_s=age_s,
            load_n=None if recorder.newest is None else recorder.newest[0],
            height_mm=None if recorder.newest is None else recorder.newest[1],
            phase=recorder.phase,
            turn=None if turn is None else turn.words(),
            label=None if turn is None else turn.label,
            springs_done=len(recorder.order.finished()),
            springs=len(record.springs),
            curve=recorder.running_curve(),
        )


def added(one: LinkCounters, other: LinkCounters) -> LinkCounters:
    """Return the sums of two sets of counters."""
    return LinkCounters(**{name: value + getattr(other, name) for name, value in vars(one).items()})
