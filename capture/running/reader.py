"""The link: a thread that polls the source and comes back after a loss, and how the link is."""

from __future__ import annotations

import queue
import threading
import time
from collections import deque
from collections.abc import Callable

import msgspec
from msgspec.structs import asdict

from coilbench.capture.blocks import (
    Fault,
    Hello,
    Item,
    LinkCounters,
    RawBlock,
    Restarted,
    Tally,
    blocks_joined,
    usable_of,
)
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources.base import GARBAGE_BYTES, Source, SourceEnded, identify
from coilbench.capture.sources.losses import SourceLost

POLL_S = 0.3
WATCHED_GATHER_S = 0.08  # a screen is drawn again each 0.125 s
# Nobody is watching: what a person would be told comes this much later, and a poll is most of the
# work at a rig's pace.
UNWATCHED_GATHER_S = 0.28
# Nothing at all for this long, not even the tally that a rig sends each second: the link is taken
# down and opened again. A rig whose amplifier is dead still sends, and is left alone: opening the
# port restarts many boards.
SILENCE_S = 5.0
FIRST_BACKOFF_S = 0.5
LONGEST_BACKOFF_S = 8.0
QUEUE_LENGTH = 2000
STOPPED = "stopped"
SOURCE_ENDED = "source ended"
QUIET_S = 2.0  # silence this long is said
RATE_SPAN_S = 3.0
LINK_SPAN_S = 60.0  # how far back a link is judged; what was before says nothing of it now
_MARK_S = 1.0
_SEQ_TURN = 1 << 16


class Parcel(msgspec.Struct, frozen=True):
    """What the reader tells; of hello, loss, ended, failure and counters exactly one is there.

    Attributes:
        hello: the source is open, and this is the rig.
        loss: the source was lost; the reader tries again.
        ended: nothing more will come: STOPPED or SOURCE_ENDED.
        failure: an error that is no loss of the link ended the reader.
        items, counters: what one poll brought, and the counters of the present connection after
            it; the receiver adds those of earlier ones.
    """

    hello: Hello | None = None
    loss: CoilbenchError | None = None
    ended: str | None = None
    failure: Exception | None = None
    items: tuple[Item, ...] = ()
    counters: LinkCounters | None = None

    @property
    def joined(self) -> list[Item]:
        """What is to be acted on: no tallies, and the samples on both sides of one together."""
        return blocks_joined(one for one in self.items if not isinstance(one, Tally))


class Reader:
    """Polls a source on a thread of its own.

    The queue is bounded. When its receiver is slow the reader waits: what the port cannot hold
    meanwhile shows as a gap in the sequence and is counted as lost. The last parcel tells its
    end or failure, always.

    Args:
        open_again: opens the source; called at the start and after each loss.
        pause: waits a number of seconds before the next try; None waits so that `finish` ends it.
        watched: whether somebody wants every sample soon.

    Attributes:
        parcels: what it reports, in order.
        health: kept by the receiver alone.
    """

    def __init__(
        self,
        open_again: Callable[[], Source],
        *,
        clock: Callable[[], float] = time.monotonic,
        pause: Callable[[float], object] | None = None,
        watched: Callable[[], bool] = lambda: True,
    ) -> None:
        self.parcels: queue.Queue[Parcel] = queue.Queue(QUEUE_LENGTH)
        self.health = LinkHealth()
        self._open_again = open_again
        self._clock = clock
        self._watched = watched
        self._finishing = threading.Event()
        self._abandoned = threading.Event()
        self._pause = self._finishing.wait if pause is None else pause
        self._thread = threading.Thread(target=self._run, name="coilbench-reader", daemon=True)

    def start(self) -> None:
        """Begin to read."""
        self._thread.start()

    def finish(self) -> None:
        """Ask it to hand on what has arrived and end; returns at once."""
        self._finishing.set()

    def close(self) -> None:
        """End it, let the source go and wait for that; what was not yet received is lost."""
        self._abandoned.set()
        self._finishing.set()
        if self._thread.is_alive():
            self._thread.join()

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def _run(self) -> None:
        try:
            last = Parcel(ended=self._keep_reading())
        except Exception as error:  # handed to the receiver, which raises it
            last = Parcel(failure=error)
        self._put(last)

    def _keep_reading(self) -> str:
        """Read, and come back after each loss; returns why there is no more."""
        backoff_s = FIRST_BACKOFF_S
        while not self._finishing.is_set():
            comes_back = True
            try:
                with self._open_again() as source:
                    comes_back = source.comes_back
                    hello, seen = identify(source, clock=self._clock)
                    self._put(Parcel(hello=hello))
                    self._put(Parcel(items=tuple(seen), counters=source.counters))
                    source.request("start")  # someone may have stopped it by hand
                    backoff_s = FIRST_BACKOFF_S
                    self._read(source)
            except SourceEnded:
                return SOURCE_ENDED
            except CoilbenchError as loss:
                if not comes_back:
                    raise
                self._put(Parcel(loss=loss))
                self._pause(backoff_s)
                backoff_s = min(2 * backoff_s, LONGEST_BACKOFF_S)
        return STOPPED

    def _read(self, source: Source) -> None:
        heard_s, heard_bytes = self._clock(), source.counters.bytes_in
        while not self._finishing.is_set():
            source.gather_s = WATCHED_GATHER_S if self._watched() else UNWATCHED_GATHER_S
            items = source.poll(POLL_S)
            now_s, counters = self._clock(), source.counters
            if items:
                heard_s, heard_bytes = now_s, counters.bytes_in
                self._put(Parcel(items=tuple(items), counters=counters))
                continue
            unread, silent_s = counters.bytes_in - heard_bytes, now_s - heard_s
            if unread >= GARBAGE_BYTES:
                raise SourceLost("nothing_readable", where=source.url, kib=GARBAGE_BYTES // 1024)
            if silent_s > SILENCE_S and unread:
                raise SourceLost("no_good_line", where=source.url, bytes=unread, waited_s=silent_s)
            if silent_s > SILENCE_S:
                raise SourceLost("rig_silent", where=source.url, silent_s=silent_s)
        arrived = tuple(source.poll(0.0))
        self._put(Parcel(items=arrived, counters=source.counters))

    def _put(self, parcel: Parcel) -> None:
        while not self._abandoned.is_set():
            try:
                self.parcels.put(parcel, timeout=POLL_S)
            except queue.Full:
                continue
            return


def _sum(*parts: LinkCounters) -> LinkCounters:
    return LinkCounters(*map(sum, zip(*(asdict(each).values() for each in parts), strict=True)))


class LinkHealth:
    """Keeps how the link is doing; every counter only grows, over reconnects too."""

    def __init__(self) -> None:
        self._earlier = LinkCounters()  # of connections that are gone
        self._between = LinkCounters()  # what was found on coming back
        self._present = LinkCounters()
        self._up = False
        self._waiting_since_s = 0.0  # the newest sample, or when the link came up
        self._heard_s: float | None = None
        self._usable_s: float | None = None  # the newest sample that can be used
        self._boot_id: int | None = None
        self._last_seq: int | None = None
        self._last_hz = 0.0  # before the link went down
        self._came_back = False  # the next sample is the first since then
        self._quiet_told = False
        self._recent: deque[tuple[int, int]] = deque()  # (t_us, samples) of the newest blocks
        self._marks: deque[tuple[float, int, int]] = deque()  # when, samples, lost: each second

    @property
    def counters(self) -> LinkCounters:
        """The counters of all connections together, and of the times between them."""
        return _sum(self._earlier, self._between, self._present)

    def up(self, now_s: float, boot_id: int) -> None:
        """The link came up, to this start of the rig."""
        self._came_back = self._boot_id == boot_id and self._last_seq is not None
        if self._boot_id not in (None, boot_id):
            self._between = _sum(self._between, LinkCounters(restarts=1))
        self._boot_id = boot_id
        self._up, self._waiting_since_s, self._quiet_told = True, now_s, False
        self._recent.clear()

    def down(self) -> None:
        """The link went down: its counters are kept."""
        self._up = False
        self._last_hz = self.rate_hz() or self._last_hz
        self._earlier, self._present = _sum(self._earlier, self._present), LinkCounters()

    def count(self, counters: LinkCounters) -> None:
        """Take the counters of the present connection."""
        self._present = counters

    def heard(self, item: Item, now_s: float) -> None:
        """Take note of samples, of another start, and of faults: they say why there is silence."""
        if isinstance(item, (Restarted, Hello)):
            self._boot_id = item.boot_id or self._boot_id
        if isinstance(item, Restarted):
            self._came_back = False
        if isinstance(item, Fault):
            self._waiting_since_s = now_s
        elif isinstance(item, RawBlock) and len(item):
            self._heard_samples(item, now_s)

    def _heard_samples(self, block: RawBlock, now_s: float) -> None:
        if self._came_back:
            lost = self._lost_between(int(block.samples["seq"][0]), now_s)
            self._between = _sum(self._between, LinkCounters(samples_lost=lost))
        self._came_back, self._last_seq = False, int(block.samples["seq"][-1])
        if len(usable_of(block.samples)):
            self._usable_s = now_s
        self._heard_s = self._waiting_since_s = now_s
        self._quiet_told = False
        newest_us = int(block.samples["t_us"][-1])
        if self._recent and newest_us < self._recent[-1][0]:
            self._recent.clear()
        self._recent.append((newest_us, len(block)))
        while newest_us - self._recent[0][0] > RATE_SPAN_S * 1e6:
            self._recent.popleft()

    def _lost_between(self, seq: int, now_s: float) -> int:
        """Return how many samples the rig made while the link was down.

        The sequence tells it but for whole turns of 65,536; these are from the time and the rate. A
        sequence that stands or goes back, as what a port had kept, is no loss.
        """
        if self._last_seq is None or self._heard_s is None:
            return 0
        missing = (seq - self._last_seq - 1) % _SEQ_TURN
        expected = (now_s - self._heard_s) * self._last_hz
        return max(0, missing + _SEQ_TURN * round((expected - missing) / _SEQ_TURN))

    def age_s(self, now_s: float) -> float | None:
        """Return the age of the newest sample; None before the first."""
        return None if self._heard_s is None else now_s - self._heard_s

    def usable_age_s(self, now_s: float) -> float | None:
        """Return the age of the newest sample that can be used; None before the first."""
        return None if self._usable_s is None else now_s - self._usable_s

    def fell_quiet(self, now_s: float) -> float | None:
        """Return how long a link that is up has been silent, once for each silence, else None."""
        quiet_s = now_s - self._waiting_since_s
        if not self._up or self._quiet_told or quiet_s <= QUIET_S:
            return None
        self._quiet_told = True
        return quiet_s

    def lost_share(self, now_s: float) -> float:
        """Return the share of samples lost in the last LINK_SPAN_S, over reconnects too."""
        total = self.counters
        if not self._marks or now_s - self._marks[-1][0] >= _MARK_S:
            self._marks.append((now_s, total.samples, total.samples_lost))
        while len(self._marks) > 1 and now_s - self._marks[1][0] >= LINK_SPAN_S:
            self._marks.popleft()
        _, samples, lost = self._marks[0]
        lost = total.samples_lost - lost
        sent = total.samples - samples + lost
        return lost / sent if sent else 0.0

    def rate_hz(self) -> float:
        """Return samples a second over the last seconds, by the rig's clock."""
        if len(self._recent) < 2:
            return 0.0
        span_us = self._recent[-1][0] - self._recent[0][0]
        samples = sum(count for _, count in self._recent) - self._recent[0][1]
        return samples / (span_us * 1e-6) if span_us > 0 else 0.0
