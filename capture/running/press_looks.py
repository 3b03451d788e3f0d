"""What the newest samples say: the load and height of now, and what can't be right in them.

Whether what is pressed can be the spring whose turn it is, before it is let up; and with nothing
pressed, what lies on the cell: a little counts as 0, more is no load of a spring.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import Finding, usable_rows
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.calibration.lag import hurried_s, typical_delay_s
from coilbench.capture.calibration.statistics import median
from coilbench.capture.running.commands import Event
from coilbench.capture.running.heights import Heights
from coilbench.capture.running.kinds import EventKind
from coilbench.capture.running.turn_taking import TurnTaking
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.finder import Phase, StrokeFinder
from coilbench.capture.strokes.likeness import Known
from coilbench.capture.strokes.sweep import DEAD_WEIGHT_N
from coilbench.capture.strokes.watching import (
    Array,
    Bounds,
    Newest,
    PressWatch,
    Seen,
)

# Ours, no source.
EACH_MM = 1.0  # it is judged again each time the quill is so much lower
MORE_OFF = 0.05  # than the whole stroke must be to be asked about: one way alone has friction in it
LAGS = (0.0, 1.0, 2.0, 3.0, 5.0)  # of the typical one: some filters are slower
FEWEST = 10  # samples of the way down
# Ours, no source: cups and a guide weigh less than the first, and a good cell drifts by less than
# the second in a day.
MOST_AT_FIRST_N, MOST_MOVED_N = 10.0, 5.0
# So long it must stay within so much: after a press a slow filter's load still comes down.
STEADY_S, STEADY_N = 1.0, 1.0


class PressLooks:
    """Follows what is in the press now.

    Used by the thread that owns the book.

    Args:
        known_of: as _WhilePressing.
        rests_n: part of every spring's load, though not of what the press pushes with.

    Attributes:
        newest: the newest load and height; None before the first.
        touched_mm: where a press last touched; None where that is not known.
    """

    def __init__(
        self,
        finder: StrokeFinder,
        heights: Heights,
        turns: TurnTaking,
        known_of: Callable[[str, SetRecord], Known],
        ratings: Ratings,
        rests_n: float,
    ) -> None:
        self._finder = finder
        self._heights = heights
        self._turns = turns
        self._ratings = ratings
        self._rests_n = rests_n
        self._dead_n = DEAD_WEIGHT_N + rests_n
        self._pressing, self._zero = _WhilePressing(known_of), _ZeroWatch()
        self._lying = _LyingWatch()
        self.touched_mm: float | None = None
        self.newest: Newest | None = None
        self.begin_anew()

    def begin_anew(self) -> None:
        """The stream broke."""
        self._watch = PressWatch()

    @property
    def stop(self) -> Finding | None:
        """Why the press must stop."""
        return self._watch.stop

    @property
    def suspected(self) -> Finding | None:
        """Why it can't be the spring whose turn it is, as far as it is pressed."""
        return self._pressing.found

    @property
    def alarm(self) -> Finding | None:
        """What can't be right in the press now."""
        return self.stop or self.suspected or self._watch.alarm

    @property
    def doubt(self) -> Finding | None:
        """Why no load can be told from what the cell reads; None where one can."""
        newest_n = None if self.newest is None else self.newest.load_n
        return self._lying.found or self._watch.doubt(newest_n, self._finder)

    def bounds(self) -> Bounds:
        """Return what a press must keep within."""
        turn, record = self._turns.turn, self._turns.record
        return Bounds(
            cell_n=self._ratings.cell_n,
            press_n=self._ratings.press_n,
            solid_mm=record.solid_height_mm if turn is None else record.solid_of_mm(turn.label),
            free_mm=record.free_length_mm,
            learnt_mm=self.touched_mm,
            height_u_mm=self._heights.record.calibration.uncertainty.height_u_mm,
            dead_n=self._dead_n,
            gauge_awaited=self._heights.no_spring,
        )

    def look(self, samples: NDArray[np.void], jump: Finding | None) -> Iterator[Event]:
        """Take the newest samples, as the finder took them; yield what is new to say of them.

        Args:
            jump: that the scale jumped in a press.
        """
        finder, heights = self._finder, self._heights
        physical, lost = finder.fed, heights.lost
        if jump is not None:
            self._watch.standing[jump.kind] = jump
        seen = Seen.of(samples, *physical, finder.zero_n, datum_lost=lost)
        read_mm = seen.height_mm
        self._take_newest(seen, physical[1][usable_rows(samples)] if read_mm is None else read_mm)
        known = finder.zero_seen and heights.unknown is None
        if finder.pressing and known and self.alarm is None:
            self.touched_mm = finder.touch_mm
        bounds = self.bounds()
        for alarm in self._watch.look(seen, finder, bounds):
            yield Event(EventKind.FAULT, alarm)
        let_up = heights.let_up and not heights.no_spring
        now_us = int(samples["t_us"][-1])
        yield from self._zero.look(finder, now_us, let_up=let_up)
        if seen.on_cell_n.size:
            lies_n = float(seen.on_cell_n[-1])
            at_stop = heights.all_at_stop and not heights.gauge_awaited
            stands = at_stop and lies_n > self._dead_n
            yield from self._lying.look(finder, lies_n, now_us, stands=stands)
        if finder.pressing:
            heights.pressed()
        if not lost:
            turn = self._turns.turn
            label = None if turn is None else turn.label
            self._pressing.look(finder, bounds, label, self._turns.record)
        if self._watch.surely_pressed:
            finder.take_for_press()

    def _take_newest(self, seen: Seen, height_mm: NDArray[np.float64]) -> None:
        if seen.load_n.size:
            rests_n = self._rests_n if self._finder.pressing else 0.0
            self.newest = Newest(float(seen.load_n[-1]) + rests_n, float(height_mm[-1]))
        elif self.newest is not None:
            self.newest = self.newest._replace(at_limit=seen.saturated)


class _WhilePressing:
    """Judges the way down by what a whole stroke is judged by, and no more strictly.

    Args:
        known_of: what a spring of a set should press like.

    Attributes:
        found: why it can't be that spring, as far as it is pressed.
    """

    def __init__(self, known_of: Callable[[str, SetRecord], Known]) -> None:
        self._known_of = known_of
        self._known: Known | None = None
        self._judged_mm = np.inf
        self.found: Finding | None = None

    def look(
        self,
        finder: StrokeFinder,
        bounds: Bounds,
        label: str | None,
        record: SetRecord,
    ) -> None:
        """Look at the press that is under way; to be asked after each piece of the stream."""
        if not finder.pressing or label is None:
            self._known, self._judged_mm, self.found = None, np.inf, None
            return
        touch_mm = finder.touch_mm
        if finder.phase is not Phase.PRESS or touch_mm is None or not finder.zero_seen:
            return
        if finder.deepest_mm > self._judged_mm - EACH_MM or self.found is not None:
            return
        self._judged_mm = finder.deepest_mm
        if self._known is None:
            self._known = self._known_of(label, record)
        samples = finder.running()
        load_n, height_mm = finder.running_physical()
        rows = usable_rows(samples)
        t_us, height_mm = samples["t_us"][rows], height_mm[rows]
        low = bounds.touched_low(t_us, height_mm, touch_mm)
        zeroed_n = load_n[rows] - finder.zero_n
        self.found = low or _unlike(self._known, t_us * 1e-6, zeroed_n, height_mm)


def _unlike(
    known: Known,
    t_s: Array,
    load_n: Array,
    read_mm: Array,
) -> Finding | None:
    """Say how the way down departs, more surely than by the lag that nobody knows yet."""
    end = int(np.argmin(read_mm)) + 1 if read_mm.size else 0
    if end < FEWEST:
        return None
    t_s, load_n, read_mm = t_s[:end], load_n[:end], read_mm[:end]
    step_s = median(t_s[1:] - t_s[:-1])
    if t_s[-1] - t_s[0] < hurried_s(step_s):
        return None
    late_s = typical_delay_s(step_s)
    ways = (np.interp(t_s - times * late_s, t_s, read_mm) for times in LAGS)
    least: Finding | None = None
    for height_mm in ways:  # with each it must be so
        found = known.unlike(Branch(np.minimum.accumulate(height_mm)[::-1], load_n[::-1]))
        if found is None or found.facts["reason"] == "shape":
            return None
        if least is None or abs(found.facts["off_share"]) < abs(least.facts["off_share"]):
            least = found
    off = 0.0 if least is None else abs(least.facts["off_share"])
    return least if off > known.level_off + MORE_OFF else None


class _ZeroWatch:
    """Compares the finder's zero with the one that was last said, or first seen."""

    def __init__(self) -> None:
        self._told_n: float | None = None
        self._steady: tuple[int, float] | None = None  # since when, and at what

    def look(self, finder: StrokeFinder, now_us: int, *, let_up: bool) -> Iterator[Event]:
        """Yield that the zero moved; to be asked after each piece of the stream.

        Args:
            now_us: the newest sample's time.
            let_up: whether the quill is at its stop, as far as that is known: lower down something
                may be pressed.
        """
        if finder.phase is not Phase.IDLE or not finder.zero_seen or not let_up:
            self._steady = None
            return
        zero_n = finder.zero_n
        if self._steady is None or abs(zero_n - self._steady[1]) > STEADY_N:
            self._steady = now_us, zero_n
        if 0 <= now_us - self._steady[0] < STEADY_S * 1e6:
            return
        if self._told_n is None:
            self._told_n = 0.0 if abs(zero_n) > MOST_AT_FIRST_N else zero_n
        moved_n = zero_n - self._told_n
        if abs(moved_n) > MOST_MOVED_N:
            self._told_n = zero_n
            yield Event.of(EventKind.FAULT, "zero_moved", load_n=zero_n, moved_n=moved_n)


class _LyingWatch:
    """Looks for a load that stands while the quill is at its stop.

    Attributes:
        found: that there is one; None where there is none.
    """

    def __init__(self) -> None:
        self.found: Finding | None = None
        self._steady: tuple[int, float] | None = None  # since when, and at what

    def look(
        self, finder: StrokeFinder, on_cell_n: float, now_us: int, *, stands: bool
    ) -> Iterator[Event]:
        """Yield that something lies there, once; to be asked after each piece of the stream.

        Args:
            on_cell_n: the newest load, by the calibration's zero.
            now_us: the newest sample's time.
            stands: whether the quill is surely at its stop, and cups and drift weigh less.
        """
        if not stands or finder.phase is not Phase.TOUCH:
            self.found = self._steady = None
            return
        if self._steady is None or abs(on_cell_n - self._steady[1]) > STEADY_N:
            self._steady = now_us, on_cell_n
        if 0 <= now_us - self._steady[0] < STEADY_S * 1e6:
            return
        known, self.found = self.found, Finding.of("lies_on_cell", load_n=on_cell_n)
        if known is None:
            yield Event(EventKind.FAULT, self.found)
