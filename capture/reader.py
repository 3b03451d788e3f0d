"""The reader: one thread that polls the source and only queues, and comes back after a loss."""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from coilbench.capture.blocks import RawBlock
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.messages import Hello, Item, LinkCounters
from coilbench.capture.sources import identify
from coilbench.capture.sources.base import Source, SourceEnded, SourceLost

POLL_S = 0.1
SILENCE_S = 3.0  # no sample for this long: the link is taken down and opened anew
FIRST_BACKOFF_S = 0.5
LONGEST_BACKOFF_S = 8.0
IDENTIFY_S = 3.0
QUEUE_LENGTH = 2000


@dataclass(frozen=True)
class LinkUp:
    """The source is open and the rig has said who it is."""

    hello: Hello


@dataclass(frozen=True)
class LinkDown:
    """The source was lost; the reader tries again in retry_s."""

    reason: str
    retry_s: float


@dataclass(frozen=True)
class LinkEnded:
    """The source is at its end, and nothing more will come."""

    reason: str


@dataclass(frozen=True)
class Delivery:
    """What one poll brought, with the counters of the link after it.

    The counters are of the present connection; the receiver adds those of earlier ones.
    """

    items: list[Item]
    counters: LinkCounters


Parcel = LinkUp | LinkDown | LinkEnded | Delivery


class Reader:
    """Polls a source on a thread of its own.

    The queue is bounded. When its receiver is slow the reader waits: what the port cannot hold
    meanwhile shows as a gap in the sequence and is counted as lost.

    Args:
        open_again: opens the source; called at the start and after each loss.
        clock: a monotonic clock, s.
    """

    def __init__(
        self,
        open_again: Callable[[], Source],
        *,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.parcels: queue.Queue[Parcel] = queue.Queue(QUEUE_LENGTH)
        self.error: BaseException | None = None
        self._open_again = open_again
        self._clock = clock
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="coilbench-reader", daemon=True)

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def stop(self) -> None:
        """Stop reading and let the source go."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def _run(self) -> None:
        try:
            self._keep_reading()
        except Exception as error:  # handed to the supervisor, which raises it
            self.error = error

    def _keep_reading(self) -> None:
        backoff_s = FIRST_BACKOFF_S
        while not self._stop.is_set():
            try:
                with self._open_again() as source:
                    hello, seen = identify(source, IDENTIFY_S)
                    self._put(LinkUp(hello))
                    self._put(Delivery(seen, source.counters))
                    backoff_s = FIRST_BACKOFF_S
                    self._read(source)
            except SourceEnded as end:
                self._put(LinkEnded(str(end)))
                return
            except CoilbenchError as loss:
                self._put(LinkDown(str(loss), backoff_s))
                self._stop.wait(backoff_s)
                backoff_s = min(2 * backoff_s, LONGEST_BACKOFF_S)

    def _read(self, source: Source) -> None:
        heard_s = self._clock()
        while not self._stop.is_set():
            items = source.poll(POLL_S)
            now_s = self._clock()
            if any(isinstance(item, RawBlock) for item in items):
                heard_s = now_s
            if items:
                self._put(Delivery(items, source.counters))
            elif now_s - heard_s > SILENCE_S:
                raise SourceLost(
                    f"no sample for {now_s - heard_s:.1f} s",
                    where=source.url,
                    mend="Check the cable and the rig's power, then: coilbench rig find",
                )

    def _put(self, parcel: Parcel) -> None:
        while not self._stop.is_set():
            try:
                self.parcels.put(parcel, timeout=POLL_S)
            except queue.Full:
                continue
            return
