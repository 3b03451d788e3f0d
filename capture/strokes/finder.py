"""Find strokes in a stream of samples: idle, touch, press, release. Pure.

The stream is looked at in slices of the rig's own clock, so that the strokes do not depend on how
it was cut into blocks. A stroke begins where the load rises above a zero that the finder keeps
itself: cups or the spring's own weight on the cell are no stroke. What weighs more than those, by
the calibration's own zero, is a pressed spring however long it stands still.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from math import isfinite, nan
from typing import NamedTuple

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from coilbench.capture.blocks import RAW_DTYPE, RawBlock, usable_rows
from coilbench.capture.calibration.statistics import median
from coilbench.capture.strokes.shape import Stroke, StrokeRules, Zero

_FIRST_ROOM = 1024


Physical = tuple[NDArray[np.float64], NDArray[np.float64]]
ToPhysical = Callable[[NDArray[np.void]], Physical]


class SampleBuffer:
    """Holds samples in one piece, for adding at the end and dropping at the beginning.

    Each with its load and height, so that none is converted twice. Adding n costs n, however many
    are there already.
    """

    def __init__(self) -> None:
        self._room = _room(_FIRST_ROOM)
        self._start = 0
        self._end = 0

    def __len__(self) -> int:
        return self._end - self._start

    @property
    def samples(self) -> NDArray[np.void]:
        """What is held, shape (n,), RAW_DTYPE: a view that holds until the next change."""
        return self._room[0][self._start : self._end]

    @property
    def physical(self) -> Physical:
        """Loads and heights of what is held, shape (n,) each: views as well."""
        _, load_n, height_mm = self._room
        return load_n[self._start : self._end], height_mm[self._start : self._end]

    def add(self, samples: NDArray[np.void], physical: Physical) -> None:
        """Put samples at the end."""
        count = samples.shape[0]
        if self._end + count > self._room[0].shape[0]:
            self._make_room(count)
        for room, more in zip(self._room, (samples, *physical), strict=True):
            room[self._end : self._end + count] = more
        self._end += count

    def drop(self, count: int) -> None:
        """Let the first count samples go."""
        self._start += count

    def _make_room(self, count: int) -> None:
        held, kept = len(self), (self.samples, *self.physical)
        self._room = _room(max(_FIRST_ROOM, 2 * (held + count)))
        for room, one in zip(self._room, kept, strict=True):
            room[:held] = one
        self._start, self._end = 0, held


def _room(count: int) -> tuple[NDArray[np.void], NDArray[np.float64], NDArray[np.float64]]:
    return np.empty(count, RAW_DTYPE), np.empty(count), np.empty(count)


SLICE_US = 50_000


class Phase(StrEnum):
    """Where in a stroke the stream is."""

    IDLE = "idle"
    TOUCH = "touch"
    PRESS = "press"
    RELEASE = "release"


class _Slice(NamedTuple):
    """What the finder decides by: the usable samples of a slice."""

    start: int  # of all the slice's samples, in the piece that was cut
    end: int
    first_us: int
    last_us: int
    load_n: float  # mean; NaN where no sample is usable
    low_mm: float
    high_mm: float


class StrokeFinder:
    """Feed it blocks, take strokes.

    It runs behind the stream by up to a slice (0.05 s).

    Args:
        to_physical: gives (load_n, height_mm) of raw samples, each of shape (n,), by the
            calibration in force and its own zero.

    Attributes:
        free_mm: the height above which a spring is free; None where it is not known.
        on_gauge: whether the quill touches a gauge: its load is no dead weight.
        fed: loads and heights of the newest samples that it was fed.
    """

    def __init__(self, to_physical: ToPhysical, rules: StrokeRules | None = None) -> None:
        self._to_physical = to_physical
        self._rules = StrokeRules() if rules is None else rules
        self.free_mm: float | None = None
        self.on_gauge = False
        self.fed: Physical = np.empty(0), np.empty(0)
        self._boot_id: int | None = None
        self._buffer = SampleBuffer()  # what is held, then the slice that is not full yet
        self._taken = 0  # samples that are held: the idle lead, then the stroke
        self._reset()

    def _reset(self) -> None:
        self._phase = Phase.IDLE
        self._zero_n: float | None = None
        self._zero_seen = False
        self._drop(self._taken)
        self._idle_us: int | None = None  # the end of the newest idle slice, till the lead is cut
        self._touch_at = 0  # index of what is held where the touch is
        self._last_us: int | None = None
        self._light_mm = np.inf  # the lowest height at which nothing pushed
        self._least_n = np.inf  # what lay on the cell then
        self._forget_touch()

    def _drop(self, count: int) -> None:
        """Let the first of what is held go."""
        self._buffer.drop(count)
        self._taken -= count

    @property
    def _held(self) -> NDArray[np.void]:
        return self._buffer.samples[: self._taken]

    @property
    def _held_physical(self) -> Physical:
        load_n, height_mm = self._buffer.physical
        return load_n[: self._taken], height_mm[: self._taken]

    def _forget_touch(self) -> None:
        self._surely = False
        self._touch_us = self._pressed_us = self._moved_us = 0
        self._touch_mm = self._deepest_mm = np.inf
        self._touch_n = 0.0
        self._last_n = np.inf  # the load of the slice before
        self._still_mm = (np.inf, -np.inf)

    @property
    def phase(self) -> Phase:
        """The phase at the last slice."""
        return self._phase

    @property
    def zero_n(self) -> float:
        """The load of the dead weight on the cell, by the calibration's own zero."""
        return 0.0 if self._zero_n is None else self._zero_n

    @property
    def zero_seen(self) -> bool:
        """Whether a zero was seen since the stream began or broke; without one, treat as loaded."""
        return self._zero_seen

    @property
    def zero_counts(self) -> float | None:
        """Load counts with nothing pressed, before the running stroke; None where unknown."""
        zero = self._zero_before()
        return None if zero is None else zero.counts

    @property
    def touch_mm(self) -> float | None:
        """The height at which the quill touched what it presses; None while it presses nothing."""
        return float(self._touch_mm) if isfinite(self._touch_mm) else None

    @property
    def deepest_mm(self) -> float:
        """The lowest height of the stroke that is under way; infinite where there is none."""
        return float(self._deepest_mm)

    @property
    def pressing(self) -> bool:
        """Whether a stroke is under way that is more than a touch."""
        return self._phase in (Phase.PRESS, Phase.RELEASE)

    def begin(self, zero_n: float) -> None:
        """Begin anew where nothing of the load is missed: the zero is still the one that was."""
        self._reset()
        self._zero_n, self._zero_seen = zero_n, True

    def take_for_press(self) -> None:
        """The touch that is under way is a press, whatever the travel says of it."""
        if self._phase is Phase.TOUCH:
            self._phase, self._surely = Phase.PRESS, True

    def running(self) -> NDArray[np.void]:
        """Return the samples of the stroke that is under way, its lead too; shape (n,).

        A view, which holds until more samples come.
        """
        return self._buffer.samples[: 0 if self._phase is Phase.IDLE else None]

    def running_physical(self) -> Physical:
        """Return the loads and heights of `running`, views as well."""
        load_n, height_mm = self._buffer.physical
        some = slice(0 if self._phase is Phase.IDLE else None)
        return load_n[some], height_mm[some]

    def running_thinned(self, most: int) -> Physical:
        """Return about this number of loads and heights of the running stroke, evenly chosen."""
        load_n, height_mm = self._held_physical
        if self._phase is Phase.IDLE:
            return load_n[:0], height_mm[:0]
        each = 1 + load_n.shape[0] // most
        return load_n[::each], height_mm[::each]

    def feed(self, block: RawBlock, physical: Physical | None = None) -> list[Stroke]:
        """Take the next samples; return the strokes that ended in them.

        Args:
            physical: what to_physical gives of them, where it is known already.
        """
        if len(block) == 0:
            return []
        self._boot_id = block.boot_id
        self.fed = self._to_physical(block.samples) if physical is None else physical
        self._buffer.add(block.samples, self.fed)
        t_us = self._buffer.samples["t_us"][self._taken :]
        return self._look_through(int(t_us.searchsorted(t_us[-1] // SLICE_US * SLICE_US)))

    def cut(self) -> Stroke | None:
        """End the stream here; return the stroke that was under way or just ended, if any."""
        strokes = self._look_through(len(self._buffer) - self._taken)
        if not strokes and self.pressing:
            strokes = self._stroke(released=False)
        self._reset()
        return strokes[-1] if strokes else None

    def _look_through(self, count: int) -> list[Stroke]:
        if count == 0:
            return []
        new = slice(self._taken, self._taken + count)
        load_n, height_mm = self._buffer.physical
        strokes: list[Stroke] = []
        for piece in _slices(self._buffer.samples[new], load_n[new], height_mm[new]):
            if self._last_us is not None and _broken(self._last_us, piece.first_us, self._rules):
                if self.pressing:
                    strokes += self._stroke(released=False)
                self._reset()
            self._last_us = piece.last_us
            self._taken += piece.end - piece.start
            if self._phase is Phase.IDLE:
                self._idle(piece)
            else:
                strokes += self._pressed(piece)
        self._trim_lead()
        return strokes

    def _idle(self, piece: _Slice) -> None:
        """Take an idle slice: the zero follows it, or it is a touch."""
        rules = self._rules
        if isfinite(piece.load_n):
            if self._zero_n is None:
                # a light load is dead weight, a heavy one may be a press under way
                self._zero_seen = abs(piece.load_n) <= rules.touch_n
                self._zero_n = piece.load_n if self._zero_seen else 0.0
            if piece.load_n - self._zero_n > rules.touch_n:
                self._touch(piece)
                return
            self._least_n = min(self._least_n, piece.load_n)
            if self._zero_seen and piece.load_n - self._least_n < rules.release_n:
                self._light_mm = min(self._light_mm, piece.low_mm)
            self._follow_zero(piece, self._zero_n)
        self._idle_us = piece.last_us

    def _follow_zero(self, piece: _Slice, zero_n: float) -> None:
        rules = self._rules
        self._zero_seen = piece.load_n >= -rules.dead_weight_n  # a cell wired backwards has none
        if self._zero_seen and (piece.load_n < zero_n or self._may_be_dead(piece)):
            # slowly up, or a slow hand's press would be taken for drift; down at once
            rise_n = rules.zero_rise_n_per_s * (piece.last_us - piece.first_us + SLICE_US) * 1e-6
            self._zero_n = min(piece.load_n, zero_n + rise_n)

    def _may_be_dead(self, piece: _Slice) -> bool:
        """Tell whether a load can be that of cups and drift: light, and where no spring pushes.

        Where nobody said where that is, it is where the quill has been without a load, and a load
        that stays the same as the quill moves is no spring's.
        """
        light = abs(piece.load_n) <= self._rules.touch_n
        return not self.on_gauge and (light or self._lies_there(piece))

    def _lies_there(self, piece: _Slice) -> bool:
        free_mm = self._light_mm - self._rules.still_mm if self.free_mm is None else self.free_mm
        free = piece.low_mm >= free_mm or (self.free_mm is None and self._unmoved(piece))
        return free and abs(piece.load_n) <= self._rules.dead_weight_n

    def _unmoved(self, piece: _Slice) -> bool:
        """Tell whether the quill went away from the touch, and the load stayed as it was."""
        alike = abs(piece.load_n - self._touch_n) < self._rules.alike_n
        return alike and abs(piece.low_mm - self._touch_mm) > self._rules.clear_mm

    def _touch(self, piece: _Slice) -> None:
        self._trim_lead()
        self._phase = Phase.TOUCH
        self._touch_at = self._taken - (piece.end - piece.start)
        self._touch_us = self._pressed_us = self._moved_us = piece.first_us
        self._touch_mm, self._deepest_mm = piece.high_mm, piece.low_mm
        self._touch_n = piece.load_n
        self._still_mm = (piece.low_mm, piece.high_mm)
        zero = self._zero_before()
        if zero is not None:  # a slow hand's first newtons are in it, at most those of a touch
            self._zero_n = min(zero.load_n, max(self.zero_n, self._rules.touch_n))

    def _zero_before(self) -> Zero | None:
        lead = self._held[: self._touch_at]
        load_n, height_mm = (column[: self._touch_at] for column in self._held_physical)
        return self._rules.read_zero(lead, load_n, height_mm, self._touch_mm, self.zero_n)

    def _trim_lead(self) -> None:
        """Let go what is too long before the newest idle slice to be a stroke's lead."""
        if self._idle_us is not None:
            first_us = int(self._idle_us - self._rules.lead_s * 1e6)
            self._drop(int(self._held["t_us"].searchsorted(first_us)))
            self._idle_us = None

    def _pressed(self, piece: _Slice) -> list[Stroke]:
        rules = self._rules
        if isfinite(piece.load_n):
            self._follow(piece)
        else:
            self._pressed_us = piece.last_us  # unknown is not let go
        if piece.last_us - self._pressed_us >= rules.rest_s * 1e6:
            return self._finish(released=True)
        still = piece.last_us - self._moved_us > rules.still_s * 1e6
        if self._phase is Phase.TOUCH and still and self._may_be_dead(piece):
            self._accept_dead_weight(piece)
        elif self._phase is Phase.RELEASE and still and self._lies_there(piece):
            self._pressed_us = self._moved_us  # it lay there since
            return self._finish(released=True)
        elif piece.last_us - self._touch_us > rules.longest_s * 1e6:
            return self._finish(released=False, too_long=True)
        return []

    def _follow(self, piece: _Slice) -> None:
        rules = self._rules
        self._deepest_mm = min(self._deepest_mm, piece.low_mm)
        # the quill well above the touch is a release too: the remaining load is a new dead weight
        away = piece.low_mm > self._touch_mm + rules.clear_mm or self._unmoved(piece)
        # a load that still falls comes late, by a slow filter: it is no weight that lies there
        falls = self._last_n - piece.load_n > rules.alike_n
        self._last_n = piece.load_n
        clear = away and not falls and self._may_be_dead(piece)
        if piece.load_n - self.zero_n >= rules.release_n and not clear:
            self._pressed_us = piece.last_us
        low_mm, high_mm = self._still_mm
        self._still_mm = min(low_mm, piece.low_mm), max(high_mm, piece.high_mm)
        if self._still_mm[1] - self._still_mm[0] > rules.still_mm:
            self._moved_us, self._still_mm = piece.last_us, (piece.low_mm, piece.high_mm)
        depth_mm = self._touch_mm - self._deepest_mm
        if self._phase is Phase.TOUCH and depth_mm < rules.least_depth_mm:
            return
        back = piece.low_mm - self._deepest_mm > rules.turn_mm
        self._phase = Phase.RELEASE if back else Phase.PRESS

    def _accept_dead_weight(self, piece: _Slice) -> None:
        self._phase = Phase.IDLE
        self._zero_n, self._zero_seen = piece.load_n, True
        self._least_n = piece.load_n
        self._forget_touch()
        self._idle_us = piece.last_us
        self._trim_lead()

    def _finish(self, *, released: bool, too_long: bool = False) -> list[Stroke]:
        strokes = self._stroke(released=released, too_long=too_long) if self.pressing else []
        # the rest after the release is the idle lead of the next stroke
        rest_from = self._held["t_us"].searchsorted(self._pressed_us, side="right")
        self._drop(int(rest_from) if released else self._taken)
        self._phase = Phase.IDLE
        load_n = self._held_physical[0][usable_rows(self._held)]
        self._zero_n = median(load_n) if load_n.shape[0] else None
        self._zero_seen = self._zero_n is not None
        self._least_n = np.inf if self._zero_n is None else self._zero_n
        self._forget_touch()
        return strokes

    def _stroke(self, *, released: bool, too_long: bool = False) -> list[Stroke]:
        raw, physical = RawBlock(self._held.copy(), self._boot_id), self._held_physical
        rules = replace(self._rules, least_depth_mm=-np.inf) if self._surely else self._rules
        stroke = rules.shape(
            raw, *physical, self._touch_at, self.zero_n, released=released, too_long=too_long
        )
        return [] if stroke is None else [stroke]


def _slices(
    samples: NDArray[np.void], load_n: NDArray[np.float64], height_mm: NDArray[np.float64]
) -> list[_Slice]:
    number = samples["t_us"] // SLICE_US
    begun = (number[1:] != number[:-1]).nonzero()[0] + 1
    starts, ends = [0, *begun.tolist()], [*begun.tolist(), samples.shape[0]]
    low_mm, high_mm = height_mm, height_mm
    counts: list[float] = [end - start for start, end in zip(starts, ends, strict=True)]
    rows = usable_rows(samples)
    if not isinstance(rows, slice):
        bad = ~rows
        load_n = np.where(bad, 0.0, load_n)
        low_mm, high_mm = np.where(bad, np.inf, height_mm), np.where(bad, -np.inf, height_mm)
        unusable = np.add.reduceat(bad.astype(np.intp), starts).tolist()
        counts = [all_ - bad_ or nan for all_, bad_ in zip(counts, unusable, strict=True)]
    sums_n = np.add.reduceat(load_n, starts).tolist()
    mean_n = [sum_n / count for sum_n, count in zip(sums_n, counts, strict=True)]
    lows_mm = np.minimum.reduceat(low_mm, starts).tolist()
    highs_mm = np.maximum.reduceat(high_mm, starts).tolist()
    t_us = samples["t_us"].tolist()
    first_us, last_us = [t_us[start] for start in starts], [t_us[end - 1] for end in ends]
    columns = (starts, ends, first_us, last_us, mean_n, lows_mm, highs_mm)
    return [_Slice(*row) for row in zip(*columns, strict=True)]


def _broken(last_us: int, next_us: int, rules: StrokeRules) -> bool:
    return not 0 <= next_us - last_us <= rules.hole_s * 1e6
