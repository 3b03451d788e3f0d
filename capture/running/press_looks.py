"""What the newest samples say: the load and height of now, and what can't be right in them."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import Finding, usable_rows
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.running.commands import Event
from coilbench.capture.running.heights import Heights
from coilbench.capture.running.kinds import EventKind
from coilbench.capture.running.turn_taking import TurnTaking
from coilbench.capture.running.while_pressing import WhilePressing
from coilbench.capture.running.zero_watch import LyingWatch, ZeroWatch
from coilbench.capture.strokes.finder import StrokeFinder
from coilbench.capture.strokes.likeness import Known
from coilbench.capture.strokes.sweep import DEAD_WEIGHT_N
from coilbench.capture.strokes.watching import Bounds, Newest, PressWatch, Seen


class PressLooks:
    """Follows what is in the press now.

    Used by the thread that owns the book.

    Args:
        known_of: as WhilePressing.
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
        self._pressing, self._zero = WhilePressing(known_of), ZeroWatch()
        self._lying = LyingWatch()
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
        self._take_newest(seen, physical[1][usable_rows(samples)])
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
