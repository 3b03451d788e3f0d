"""A capture on a simulated rig, faster than real time: its own clock, looked at in each tenth of a
second, each twentieth where it matters how soon something is shown, and each fifth until a second
before that.

The session and the bytes on the wire are the real ones; a step of time is a look of the session,
so that what a screen would have shown when is exact to a step.
"""

from __future__ import annotations

import queue
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import msgspec
from sqlite_utils import Database

from coilbench.capture.blocks import Item, LinkCounters, RawBlock
from coilbench.capture.book.opening import open_book
from coilbench.capture.running.commands import Command, Event, Snapshot
from coilbench.capture.running.reader import SOURCE_ENDED, LinkHealth, Parcel
from coilbench.capture.running.request import CaptureRequest
from coilbench.capture.running.session import LINGER_S, Session
from coilbench.capture.sources.base import Source, SourceEnded, identify
from coilbench.capture.sources.losses import SourceLost
from coilbench.capture.virtual.bench import Bench, Step
from coilbench.capture.virtual.firmware import Faults, Firmware, Frame
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.wire.decode import Decoder

STEP_S = 0.05
FINE_S = 1.0  # so long after it went wrong each step is a look; later each second one
FRAME_SAMPLES = 4
BACK_S = 1.0  # how long an unplugged rig stays away
Alter = Callable[[RawBlock], RawBlock]


class Clock:
    """The rig's time, in steps; `fine_from_s` is when it begins to matter how soon."""

    def __init__(self, fine_from_s: float) -> None:
        self._steps = 0
        self._fine_from_s = fine_from_s

    @property
    def now_s(self) -> float:
        """Seconds since the beginning."""
        return self._steps * STEP_S

    def step(self) -> None:
        """Go on to the next look."""
        after_s = self.now_s - self._fine_from_s
        if after_s < -FINE_S:
            self._steps += 4
        else:
            self._steps += 1 if -2.0 * STEP_S < after_s < FINE_S else 2

    def __call__(self) -> float:
        return self.now_s


class ClockedRig(Source):
    """What a rig sends up to the clock's time, from `begins_s` on."""

    def __init__(self, firmware: Firmware, clock: Clock, begins_s: float) -> None:
        self.url = "clocked:"
        self._firmware = firmware
        self._frames: Iterator[Frame] = firmware.frames()
        self._next: Frame | None = None
        self._clock = clock
        self._begins_s = begins_s
        self._decoder = Decoder()

    @property
    def counters(self) -> LinkCounters:
        """What came so far."""
        return self._decoder.counters

    def poll(self, timeout_s: float) -> list[Item]:
        """Return what was said in the next step of time."""
        if timeout_s > 0.0:
            self._clock.step()
        data, until_us = b"", (self._clock.now_s - self._begins_s) * 1e6
        while self._frame() is not None and self._frame().t_us <= until_us:  # type: ignore[union-attr]
            data += self._frame().data  # type: ignore[union-attr]
            self._next = None
        if self._frame() is None and not data:
            if self._firmware.unplugged:
                raise SourceLost("port_unplugged", where=self.url)
            raise SourceEnded("the plan is over", where=self.url)
        return self._decoder.feed(data)

    def _frame(self) -> Frame | None:
        if self._next is None:
            self._next = next(self._frames, None)
        return self._next

    def request(self, word: str) -> None:
        """Every word is heard, and changes nothing here."""
        self._firmware.receive(word.encode())

    def close(self) -> None:
        """Nothing is open."""


class StepReader:
    """In a reader's place: each look of the session is a step of time, and no thread is waited for.

    It is its own queue of parcels.
    """

    alive = True

    def __init__(self, open_again: Callable[[], Source], clock: Clock) -> None:
        self.parcels = self
        self.health = LinkHealth()
        self._open_again = open_again
        self._clock = clock
        self._source: Source | None = None
        self._ready: list[Parcel] = []
        self._away_until_s = 0.0

    def start(self) -> None:
        """Nothing runs by itself."""

    def finish(self) -> None:
        """Nothing runs by itself."""

    def close(self) -> None:
        """Nothing runs by itself."""

    def empty(self) -> bool:
        """Whether nothing waits."""
        return not self._ready

    def get(self, timeout: float) -> Parcel:
        """Return what the next step of time brings; raises queue.Empty where it is nothing."""
        if self._ready:
            return self._ready.pop(0)
        if self._clock.now_s < self._away_until_s:
            self._clock.step()
            raise queue.Empty
        try:
            if self._source is None:
                return self._opened()
            items = self._source.poll(STEP_S)
        except SourceEnded:
            return Parcel(ended=SOURCE_ENDED)
        except SourceLost as loss:
            self._source, self._away_until_s = None, self._clock.now_s + BACK_S
            return Parcel(loss=loss)
        if not items:
            raise queue.Empty
        return Parcel(items=tuple(items), counters=self._source.counters)

    def _opened(self) -> Parcel:
        self._source = self._open_again()
        hello, seen = identify(self._source, clock=self._clock)
        self._ready.append(Parcel(items=tuple(seen), counters=self._source.counters))
        return Parcel(hello=hello)


class Watched(msgspec.Struct):
    """What a capture showed and said, each with the rig's time, and what its book holds."""

    looks: list[tuple[float, Snapshot]] = msgspec.field(default_factory=list)
    events: list[tuple[float, Event]] = msgspec.field(default_factory=list)
    rows: list[dict[str, object]] = msgspec.field(default_factory=list)
    last: Snapshot | None = None

    def kinds(self) -> list[str]:
        """Return the kinds of what was said, in order, without the link's."""
        return [event.what.kind for _, event in self.events if event.kind != "link"]

    def refused_for(self) -> set[str]:
        """Return the kinds of the findings for which strokes did not count."""
        return self._found_in("stroke_refused")

    def kept_with(self) -> set[str]:
        """Return the kinds of the findings that were said of strokes that count."""
        return self._found_in("stroke_kept")

    def _found_in(self, kind: str) -> set[str]:
        return {
            one["kind"]
            for _, event in self.events
            for one in event.what.facts.get("findings", ())
            if event.what.kind == kind
        }

    def first(self, seen: Callable[[Snapshot], bool]) -> float | None:
        """Return when a screen first showed something."""
        return next((at_s for at_s, look in self.looks if seen(look)), None)

    def counted(self) -> int:
        """Return how many strokes count."""
        return sum(bool(row["counted"]) for row in self.rows)


def watch_capture(
    book: Path,
    rig: RigModel,
    steps: Sequence[Step],
    *,
    faults: Faults | None = None,
    alter: Alter | None = None,
    commands: Sequence[tuple[float, Command]] = (),
    restarts: bool = False,
    seed: int = 4,
    since_s: float = 0.0,
    closes: bool = False,
) -> Watched:
    """Capture the book's set `larch` from a plan.

    Args:
        alter: changes what the instruments read.
        commands: when what is asked.
        restarts: whether a rig that was unplugged comes back as another start.
        since_s: when something goes wrong.
        closes: whether the set is held open, and a closing press is asked for.
    """
    clock, seen, waiting = Clock(since_s), Watched(), list(commands)
    openings = 0

    def open_again() -> Source:
        nonlocal openings
        blocks = Bench(rig, steps, seed).blocks()
        altered = blocks if alter is None else map(alter, blocks)
        own = faults if openings == 0 else None
        openings += 1
        firmware = Firmware(
            rig,
            altered,
            faults=own,
            seed=seed + (openings if restarts else 0),
            frame_samples=FRAME_SAMPLES,
        )
        return ClockedRig(firmware, clock, clock.now_s)

    def hear(event: Event) -> None:
        seen.events.append((clock.now_s, event))

    session = Session(
        CaptureRequest(book, "larch", "clocked:", linger_s=LINGER_S if closes else 0.0),
        open_again,
        hear,
        clock=clock,
    )
    session._reader = StepReader(open_again, clock)  # type: ignore[assignment]
    session._health = session._reader.health
    look = session._refresh

    def looked(*args: object) -> None:
        while waiting and waiting[0][0] <= clock.now_s:
            session.submit(waiting.pop(0)[1])
        look(*args)  # type: ignore[arg-type]
        seen.looks.append((clock.now_s, session.snapshot))

    session._refresh = looked  # type: ignore[method-assign]
    seen.last = session.run()
    with open_book(book) as db:
        seen.rows = _sweeps(db)
    return seen


def _sweeps(db: Database) -> list[dict[str, object]]:
    sql = (
        "SELECT sweeps.*, label FROM sweeps JOIN springs ON springs.id = spring_id"
        " ORDER BY sweeps.rowid"
    )
    return list(db.query(sql))
