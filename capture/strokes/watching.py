"""What can't be right in the press just now: overload, impossible heights, dead sensors. Pure.

All thresholds are common practice or our choice, no source.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import Finding, SampleFlag, usable_rows
from coilbench.capture.calibration.lag import typical_delay_s
from coilbench.capture.calibration.overload import too_much
from coilbench.capture.calibration.statistics import median
from coilbench.capture.strokes.finder import Phase, StrokeFinder
from coilbench.capture.strokes.shape import Stroke
from coilbench.capture.strokes.slope_watch import SlopeWatch
from coilbench.capture.strokes.sweep import CLEAR_MM, DEAD_WEIGHT_N

Array = NDArray[np.float64]

HEIGHT_SLACK_MM = 0.3  # beside the height's uncertainty: a solid height is not told finer
FAR_FROM_SOLID_MM = 8.0  # where coils bind, the solid height is not told so wrong; ours
LOADED_N = 8.0  # a touch; less is a cup, the spring's own weight, drift
ABOVE_FREE_N, ABOVE_FREE_MM = 20.0, 2.0  # a spring is loaded so far above its free length by none
LATE_MM, LATE_S = 5.0, 0.3  # so far below its touch, for so long, a spring pushes
LEARNT_LATE_MM = 8.0  # below the touch of the spring before: another one may be shorter
DEAD_LOAD_N, DEAD_TRAVEL_MM = 100.0, 0.3  # so much load moves any spring and press further
BACKWARDS_N, RISE_MM, RISE_SAMPLES = 30.0, 1.0, 8  # more than one late sample of a fast hand
FALL_MM = 2.0
SOFT_BEGIN = 2.0  # a spring's first millimetre may be so much softer than the rest
LOOK_BACK_US = 3_000_000
_SATURATED = int(SampleFlag.LOAD_SATURATED)
_PIECE_US = 300_000  # of a long block, so that nothing in the middle of it is overlooked
CALM_S = 0.3  # let up for so long, an alarm of the press is over

# Alarms that ask for care; every other one says: stop, and let the quill up.
CARE_ONLY = frozenset({"overload_near", "another_spring", "touched_low"})
# With these something is pressed, even where the travel shows nothing: its stroke is kept, refused.
_SURELY_PRESSED = frozenset({"amplifier_at_limit", "overload", "travel_dead", "travel_reversed"})
_NO_LOAD = frozenset({"load_reversed", "load_still"})  # with these no load is known
_TRAVEL_WRONG = frozenset({"travel_dead", "travel_reversed"})
# What heights say: nothing, where the travel is wrong.
_OF_HEIGHTS = frozenset({"below_faces", "below_solid", "above_free", "zero_loaded", "touched_low"})
_ORDER = (  # the most urgent first
    "amplifier_at_limit",
    "overload",
    "travel_dead",
    "travel_reversed",
    "coils_bind",
    "load_still",
    "slipped",
    "travel_jumped",
    "below_faces",
    "below_solid",
    "above_free",
    "zero_loaded",
    "load_reversed",
    "load_dead",
    "touched_low",
    "overload_near",
)
STOPS = frozenset(_ORDER) - CARE_ONLY
WITHOUT_TOUCH = frozenset({"load_dead", "load_reversed", "below_faces"})  # the quill is down


class Bounds(msgspec.Struct, frozen=True):
    """What the rig may bear and where this spring can be; None where it is not known.

    Attributes:
        cell_n, press_n: ratings.
        solid_mm, free_mm: the spring's solid height and free length, as told for it or its set.
        learnt_mm: the height at which the last spring was touched.
        height_u_mm: standard uncertainty of a height, k = 1.
        dead_n: cups and drift weigh less, by the calibration's own zero.
        gauge_awaited: whether what comes between the faces is no spring.
    """

    cell_n: float | None = None
    press_n: float | None = None
    solid_mm: float | None = None
    free_mm: float | None = None
    learnt_mm: float | None = None
    height_u_mm: float = 0.0
    dead_n: float = DEAD_WEIGHT_N
    gauge_awaited: bool = False

    @property
    def free_from_mm(self) -> float | None:
        """The height from which a spring can be free; None where it is not known."""
        known_mm = self.learnt_mm if self.free_mm is None else self.free_mm
        return None if known_mm is None else known_mm - self.slack_mm

    def touched_low(
        self, t_us: NDArray[np.int64], height_mm: Array, touch_mm: float
    ) -> Finding | None:
        """Say that a touch is too far below the free length for this spring.

        Args:
            t_us, height_mm, touch_mm: as _touch_at_most_mm.
        """
        if self.free_mm is None:
            return None
        touch_mm = _touch_at_most_mm(t_us, height_mm, touch_mm)
        if touch_mm >= self.free_mm - LATE_MM - self.slack_mm:
            return None
        return Finding.of("touched_low", touch_mm=touch_mm, free_length_mm=self.free_mm)

    def beside_solid(self, found: Finding) -> Finding:
        """Add the solid height to a load that leaps far above it."""
        far = found.kind == "coils_bind" and self.solid_mm is not None
        if not far or found["height_mm"] - self.solid_mm <= FAR_FROM_SOLID_MM:
            return found
        return Finding(found.kind, {**found.facts, "solid_mm": self.solid_mm})

    @property
    def slack_mm(self) -> float:
        """How far a height may be out."""
        return HEIGHT_SLACK_MM + 2.0 * self.height_u_mm

    @property
    def late_mm(self) -> float | None:
        """The height below which the spring pushes; None where it is not known, or none comes."""
        if self.gauge_awaited:
            return None
        if self.free_mm is not None:
            return self.free_mm - LATE_MM - self.slack_mm
        return None if self.learnt_mm is None else self.learnt_mm - LEARNT_LATE_MM


def pieces(t_us: NDArray[np.int64]) -> list[slice]:
    """Cut samples, of which these are the times in order, into pieces no longer than _PIECE_US."""
    if t_us.size == 0 or t_us[-1] - t_us[0] < _PIECE_US:
        return [slice(None)]
    number = (t_us - t_us[0]) // _PIECE_US
    begun = (np.flatnonzero(number[1:] != number[:-1]) + 1).tolist()
    return [slice(*both) for both in zip([0, *begun], [*begun, t_us.size], strict=True)]


class Newest(NamedTuple):
    """The newest usable sample: the load, with what rests on the spring while one is pressed.

    at_limit where a later one was no load.
    """

    load_n: float
    height_mm: float
    at_limit: bool = False


class Seen(NamedTuple):
    """Some samples as they are judged, the usable ones in time order; shape (n,) each.

    Attributes:
        load_n: above the zero.
        on_cell_n: all that lies on the cell.
        height_mm: None where the datum is lost.
        saturated: whether a sample was at the amplifier's limit.
    """

    t_us: NDArray[np.int64]
    load_n: Array
    on_cell_n: Array
    height_mm: Array | None
    saturated: bool

    @classmethod
    def of(
        cls,
        samples: NDArray[np.void],
        on_cell_n: Array,
        height_mm: Array,
        zero_n: float,
        *,
        datum_lost: bool,
    ) -> Seen:
        """Return raw samples, with their physical values, as they are judged."""
        rows = usable_rows(samples)
        on_cell_n = on_cell_n[rows]
        return cls(
            samples["t_us"][rows],
            on_cell_n - zero_n,
            on_cell_n,
            None if datum_lost else height_mm[rows],
            isinstance(rows, np.ndarray) and bool((samples["flags"] & _SATURATED).any()),
        )

    def down(self) -> Seen:
        """Return the way down: the load comes late, so on the way up it is seen too high."""
        if self.height_mm is None or not self.height_mm.size:
            return self
        way = slice(int(np.argmin(self.height_mm)) + 1)
        return self._replace(
            t_us=self.t_us[way],
            load_n=self.load_n[way],
            on_cell_n=self.on_cell_n[way],
            height_mm=self.height_mm[way],
        )


def wrong_in_stroke(
    stroke: Stroke, on_cell_n: Array, height_mm: Array, zero_n: float, bounds: Bounds
) -> list[Finding]:
    """Say what can't be right in a stroke, the most urgent first; none of it counts.

    Args:
        on_cell_n, height_mm: of the stroke's samples, by the calibration's own zero, shape (n,).
        zero_n: the load before the touch, by the same zero.
    """
    seen = Seen.of(stroke.raw.samples, on_cell_n, height_mm, zero_n, datum_lost=False)
    found = [*_too_much(seen, bounds), *_impossible(seen, bounds), *_too_high(seen.down(), bounds)]
    touch_mm = stroke.lowest_mm + stroke.depth_mm
    low = bounds.touched_low(stroke.raw.samples["t_us"], height_mm, touch_mm)
    before_mm = float(height_mm[: int(np.argmin(height_mm)) + 1].max())
    if zero_n > (bounds.dead_n if _was_clear(stroke, before_mm, bounds) else LOADED_N):
        found.append(Finding.of("zero_loaded", load_n=zero_n))
    elif low is not None:
        found.append(low)
    return _sorted(one for one in found if one.kind != "overload_near")


def _touch_at_most_mm(t_us: NDArray[np.int64], height_mm: Array, touch_mm: float) -> float:
    """Return how high the touch can have been: a load is seen late, and the quill went on.

    Args:
        t_us, height_mm: of the way down at least, shape (n,).
        touch_mm: where the load was seen.
    """
    touched = np.flatnonzero(height_mm <= touch_mm)
    if t_us.size < 2 or not touched.size:
        return touch_mm
    late_us = 2e6 * typical_delay_s(median(np.diff(t_us)) * 1e-6)
    then = int(np.searchsorted(t_us, t_us[touched[0]] - late_us))
    return max(touch_mm, float(height_mm[max(0, then - 1)]))


def with_stop(wrong: Sequence[Finding], stop: Finding | None) -> list[Finding]:
    """Return what a stroke is refused for: first why the press had to stop, if it had to."""
    if stop is None:
        return list(wrong)
    others = [one for one in wrong if one.kind != stop.kind]
    if stop.kind in _TRAVEL_WRONG:
        others = [one for one in others if one.kind not in _OF_HEIGHTS]
    seen = next((one for one in wrong if one.kind == stop.kind), stop)  # the worst of the stroke
    return [seen, *others]


def _was_clear(stroke: Stroke, before_mm: float, bounds: Bounds) -> bool:
    """Tell whether the quill was surely clear of the spring before the press.

    A touch is seen at LOADED_N, which a spring reaches so much below where it is free.

    Args:
        before_mm: the largest height before the deepest point.
    """
    free_mm, touch_mm = bounds.free_mm, stroke.lowest_mm + stroke.depth_mm
    if free_mm is not None and before_mm < free_mm - bounds.slack_mm:
        return False
    late_mm = LOADED_N * stroke.depth_mm / max(stroke.peak_n, LOADED_N)
    return before_mm - touch_mm > CLEAR_MM + SOFT_BEGIN * late_mm


def _sorted(findings: Iterable[Finding]) -> list[Finding]:
    return sorted(findings, key=lambda one: _ORDER.index(one.kind))


def _too_much(seen: Seen, bounds: Bounds) -> Iterator[Finding]:
    if seen.saturated:
        yield Finding("amplifier_at_limit")
    if not seen.load_n.size:
        return
    at = seen.on_cell_n.argmax()
    largest_n = float(seen.on_cell_n[at]), float(seen.load_n[at])
    found = too_much(bounds.cell_n, bounds.press_n, *largest_n)
    if found is not None:
        yield found


def _impossible(seen: Seen, bounds: Bounds) -> Iterator[Finding]:
    """Yield heights at which there are faces, or solid coils."""
    if seen.height_mm is None or not seen.height_mm.size:
        return
    lowest_mm = float(seen.height_mm.min())
    if lowest_mm < -bounds.slack_mm:
        yield Finding.of("below_faces", height_mm=lowest_mm)
        return
    solid_mm = bounds.solid_mm
    if solid_mm is None or lowest_mm >= solid_mm - bounds.slack_mm:
        return  # as it mostly is
    loaded_mm = float(seen.height_mm[seen.load_n > LOADED_N].min(initial=np.inf))
    if loaded_mm < solid_mm - bounds.slack_mm:
        yield Finding.of("below_solid", height_mm=loaded_mm, solid_height_mm=solid_mm)


def _too_high(seen: Seen, bounds: Bounds) -> Iterator[Finding]:
    """Yield a load where the spring is free."""
    free_mm = bounds.free_mm
    if seen.height_mm is None or free_mm is None:
        return
    free = seen.height_mm > free_mm + ABOVE_FREE_MM + bounds.slack_mm
    loaded = np.flatnonzero(free & (seen.load_n > ABOVE_FREE_N))
    if loaded.size:
        height_mm, load_n = float(seen.height_mm[loaded[-1]]), float(seen.load_n[loaded[-1]])
        yield Finding.of("above_free", height_mm=height_mm, free_length_mm=free_mm, load_n=load_n)


class _Moment(NamedTuple):
    t_us: int
    load_n: float  # above the zero, which follows a load that falls
    on_cell_n: float
    height_mm: float


class PressWatch:
    """Looks at the stream while it is pressed, and says at once what can't be right.

    Feed it what the finder was fed, just after it.

    Attributes:
        standing: alarms by kind; those of a press stand until it is let up.
    """

    def __init__(self) -> None:
        self.standing: dict[str, Finding] = {}
        self._idle: deque[_Moment] = deque()  # the last seconds without a touch
        self._late_us: int | None = None  # since when a spring should push and nothing does
        self._wrong_us = 0  # when something was last pressed or wrong
        self._touched = 0  # samples since the touch
        self._slope = SlopeWatch()
        self._fell_us: int | None = None  # when the load was last seen falling as it was pressed

    @property
    def alarm(self) -> Finding | None:
        """The most urgent one."""
        if not self.standing:
            return None  # as it mostly is
        return next((self.standing[kind] for kind in _ORDER if kind in self.standing), None)

    @property
    def stop(self) -> Finding | None:
        """The most urgent one for which the press must stop."""
        return None if self.alarm is None or self.alarm.kind in CARE_ONLY else self.alarm

    def doubt(self, load_n: float | None, finder: StrokeFinder) -> Finding | None:
        """Return why no load can be told from what the cell reads; None where one can."""
        if self.alarm is not None and self.alarm.kind in _NO_LOAD:
            return self.alarm
        if load_n is None or finder.zero_seen or abs(load_n) <= LOADED_N:
            return None
        return Finding.of("loaded_from_start", load_n=load_n)

    @property
    def _travel_wrong(self) -> bool:
        return not _TRAVEL_WRONG.isdisjoint(self.standing)

    @property
    def surely_pressed(self) -> bool:
        """Whether something is pressed, also where the travel does not show it."""
        return not _SURELY_PRESSED.isdisjoint(self.standing)

    def look(self, seen: Seen, finder: StrokeFinder, bounds: Bounds) -> list[Finding]:
        """Take the next samples; return the alarms that are new, the most urgent first."""
        found = [*_too_much(seen, bounds), *_impossible(seen, bounds)]
        if self._travel_wrong:
            found = [one for one in found if one.kind not in _OF_HEIGHTS]
        idle = finder.phase is Phase.IDLE
        if seen.height_mm is not None and seen.height_mm.size:
            columns = (seen.t_us, seen.load_n, seen.on_cell_n, seen.height_mm)
            now = _Moment(*(column[-1].item() for column in columns))
            found += self._free(now, bounds) if idle else self._pressed(now, seen, finder, bounds)
        told, self.standing = (
            self.standing,
            {} if self._calm(seen, found, idle=idle) else {**self.standing},
        )
        for one in found:
            worst = self.standing.get(one.kind, one)
            if one.facts.get("load_n", 0.0) >= worst.facts.get("load_n", 0.0):
                self.standing[one.kind] = one
        return _sorted(one for one in self.standing.values() if one.kind not in told)

    def _calm(self, seen: Seen, found: Sequence[Finding], *, idle: bool) -> bool:
        """Tell whether the spring has been let up for a moment, and nothing is wrong."""
        newest_us = int(seen.t_us[-1]) if seen.t_us.size else self._wrong_us
        if not idle or found:
            self._wrong_us = newest_us
        return not 0 <= newest_us - self._wrong_us < CALM_S * 1e6

    def _free(self, now: _Moment, bounds: Bounds) -> Iterator[Finding]:
        """Yield that the quill goes down and the cell says nothing, or the reverse."""
        self._touched, self._slope = 0, SlopeWatch()
        while self._idle and not 0 <= now.t_us - self._idle[0].t_us <= LOOK_BACK_US:
            self._idle.popleft()
        self._idle.append(now)
        above = max(self._idle, key=lambda moment: moment.height_mm)
        lost_n = above.on_cell_n - now.on_cell_n
        if above.height_mm - now.height_mm > FALL_MM and lost_n > BACKWARDS_N:
            self._fell_us = now.t_us
            yield Finding.of("load_reversed", load_n=-lost_n)
        late_mm = bounds.late_mm
        changed_n = max(now.load_n, abs(lost_n))  # a load that changes is not dead
        if late_mm is None or now.height_mm > late_mm or changed_n > LOADED_N:
            self._late_us = None
            return
        self._late_us = now.t_us if self._late_us is None else self._late_us
        if now.t_us - self._late_us >= LATE_S * 1e6:
            touch_mm = bounds.learnt_mm if bounds.free_mm is None else bounds.free_mm
            yield Finding.of("load_dead", height_mm=now.height_mm, touch_mm=touch_mm)

    def _by_slope(self, seen: Seen, bounds: Bounds) -> Iterator[Finding]:
        """Yield what the load can't do as the height goes."""
        if seen.height_mm is not None:
            found = self._slope.look(seen.t_us, seen.height_mm, seen.load_n)
            yield from (bounds.beside_solid(one) for one in found)

    def _pressed(
        self, now: _Moment, seen: Seen, finder: StrokeFinder, bounds: Bounds
    ) -> Iterator[Finding]:
        self._idle.clear()
        self._late_us = None
        self.standing.pop("load_dead", None)  # it came late
        self._touched += seen.load_n.size
        touch_mm = finder.touch_mm
        if finder.zero_seen and not self._travel_wrong:
            yield from self._by_slope(seen, bounds)
        if finder.phase is Phase.PRESS and not self._travel_wrong:
            yield from _too_high(seen, bounds)
        # where the stream began or broke under load, nobody saw what the load did meanwhile
        if finder.phase is not Phase.TOUCH or touch_mm is None or not finder.zero_seen:
            return
        rose_mm = now.height_mm - touch_mm
        if abs(rose_mm) < DEAD_TRAVEL_MM and now.load_n > DEAD_LOAD_N:
            yield Finding.of("travel_dead", load_n=now.load_n)
        fell = self._fell_us is not None and now.t_us - self._fell_us <= LOOK_BACK_US
        if fell or self._touched < RISE_SAMPLES:  # let up, with a cell that is wired backwards
            return
        if rose_mm > RISE_MM and now.load_n > BACKWARDS_N:
            yield Finding.of("travel_reversed", load_n=now.load_n, rose_mm=rose_mm)
