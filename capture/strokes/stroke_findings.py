"""What one stroke shows by itself: a pause, a second press, a slip, end coils that close. Pure.

For strokes sampled in time, from the rig or from a file; points read one by one do not show it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, ClassVar, Literal, NamedTuple

import msgspec
import numpy as np

from coilbench.capture.blocks import Finding
from coilbench.capture.calibration.statistics import median, slope_through
from coilbench.capture.strokes.bins import BIN_MM, Array, Bins, fine_bins
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.shape import count_presses
from coilbench.capture.strokes.sweep import RATE_WINDOW, Sweep

StrokeKind = Literal[
    "short", "pressed_twice", "paused", "slipped", "cocked", "apart", "too_fast", "ends_close"
]
# All of these are our choice, no source.
PRESSED_SHARE = 0.02  # of the largest load: below it the spring is not pressed
PAUSE_S = 0.6  # least time that the quill stood
PAUSE_TIMES = 4.0  # and this many times as long as for the same travel elsewhere
PAUSE_BINS = 40
PAUSE_INSIDE = (0.1, 0.9)  # of the depth: a hand slows down at both ends
SLIP_SHARE = 0.02  # of the largest load: a smaller step is left to the strokes' scatter
SLIP_NOISES = 8.0
SLIP_STEPS = 2.0  # of what the load is shown in: a staircase is no slip
SLIP_LOOP = 1.0  # times the friction loop: turning back by a little moves the load by less
SLIP_FROM_SHARE = 0.12  # of the largest load: below it end coils close
SLIP_WINDOW_MM = 1.5  # the load is continued by a line over so much on either side
SLIP_WINDOW_S = 0.05
SLIP_GAP_MM = 0.25  # and over so much, or so long, a step may take
SLIP_GAP_S = 0.03
TURN_CLEAR_MM = 1.5  # after a turn friction has reversed
CLOSING_WINDOW_MM = 0.75
CLOSING_RATE = 0.9  # of the rate: end coils are closed where the spring is as stiff as that
CLOSING_LEAST_SHARE, CLOSING_LEAST_MM = 0.06, 1.5  # of the depth: over less, every end closes


class StrokeFinding(msgspec.Struct, frozen=True):
    """Something about a stroke; it spoils one where loads read from it are not the spring's."""

    in_json: ClassVar = {"facts": "*", "spoils": None}
    kind: StrokeKind
    facts: Mapping[str, Any] = msgspec.field(default_factory=dict)
    spoils: bool = False


def stroke_findings(sweep: Sweep, *, spoils: bool = False) -> list[StrokeFinding]:
    """Name what a densely sampled stroke, its lag undone where it is known, shows by itself.

    Args:
        spoils: look for what spoils it alone.
    """
    hasty = [StrokeFinding("too_fast", spoils=True)] if sweep.too_fast else []
    if sweep.press is None or len(sweep.loading) + len(sweep.unloading) < 2 * PAUSE_BINS:
        return hasty
    height = np.concatenate([sweep.loading.height_mm, sweep.unloading.height_mm])
    load = np.concatenate([sweep.loading.load_n, sweep.unloading.load_n])
    t_s = sweep.press.t_s
    pressed = np.flatnonzero(load > PRESSED_SHARE * load.max())
    if pressed.size < PAUSE_BINS or height.size != t_s.size:
        return hasty
    slips = _slips(sweep)
    if spoils:
        return [*hasty, *slips]
    inside = slice(int(pressed[0]), int(pressed[-1]) + 1)
    presses = count_presses(height[inside])
    found = [
        *hasty,
        StrokeFinding("pressed_twice", {"presses": presses}) if presses >= 2 else None,
        _paused(t_s[inside], height[inside]),
        *slips,
        None if slips else _ends_close(sweep),  # a step would be taken for softness
    ]
    return [one for one in found if one is not None]


def _paused(t_s: Array, height_mm: Array) -> StrokeFinding | None:
    """Find where and how long the quill stopped on its ways: `pauses`."""
    deepest, pauses = int(np.argmin(height_mm)), []
    for way, part in (("down", slice(0, deepest + 1)), ("up", slice(deepest, None))):
        at = _longest_stand(t_s[part], height_mm[part])
        if at is not None:
            pauses.append({"way": way, "height_mm": at[1], "pause_s": at[0]})
    return StrokeFinding("paused", {"pauses": pauses}) if pauses else None


def _longest_stand(t_s: Array, height_mm: Array) -> tuple[float, float] | None:
    """Seconds and height of the longest stand, if it is one."""
    if t_s.size < PAUSE_BINS:
        return None
    top, bottom = float(height_mm.max()), float(height_mm.min())
    if top <= bottom:
        return None
    share = (top - height_mm) / (top - bottom)
    bin_of = np.minimum((share * PAUSE_BINS).astype(np.intp), PAUSE_BINS - 1)
    steps_s = np.empty_like(t_s)  # as np.gradient has them
    steps_s[0], steps_s[-1] = t_s[1] - t_s[0], t_s[-1] - t_s[-2]
    steps_s[1:-1] = 0.5 * (t_s[2:] - t_s[:-2])
    seconds = np.bincount(bin_of, steps_s, PAUSE_BINS).astype(np.float64, copy=False)
    low, high = (round(edge * PAUSE_BINS) for edge in PAUSE_INSIDE)
    pairs = seconds[low : high - 1] + seconds[low + 1 : high]
    worst = int(pairs.argmax())
    if pairs[worst] < PAUSE_S:
        return None
    moving_s = median(pairs)
    if pairs[worst] < PAUSE_TIMES * moving_s:
        return None
    middle = (low + worst + 1.0) / PAUSE_BINS
    return float(pairs[worst]) - moving_s, top - middle * (top - bottom)


def _slips(sweep: Sweep) -> list[StrokeFinding]:
    """Steps of the load that no spring makes, the largest on the way down and on the way up."""
    passes = sweep.passes
    if len(passes.loading) == 0 or len(passes.unloading) == 0 or sweep.press is None:
        return []
    speed = _typical_speed(sweep.press.interval_s, passes.loading)
    turn_mm = float(passes.unloading.height_mm.min()) + TURN_CLEAR_MM
    if sweep.turned_mm is not None:
        turn_mm = max(turn_mm, sweep.turned_mm)
    up, found = passes.unloading.at(passes.unloading.height_mm >= turn_mm), []
    for way, branch in (("down", passes.loading), ("up", up)):
        if largest_step(branch, speed, 0.0) is None:
            continue  # most have none, whatever the loop
        step = largest_step(branch, speed, _loop_share(passes.loading, passes.unloading))
        if step is not None:
            facts = {"way": way, "height_mm": step[0], "step_n": step[1]}
            found.append(StrokeFinding("slipped", facts, spoils=True))
    return found


def largest_step(
    branch: Branch, speed_mm_per_s: float, loop_share: float
) -> tuple[float, float] | None:
    """Find the largest step in a branch's load, as seen along falling height.

    Lines over a window on either side are continued to a height; where they meet at different
    loads, the load has stepped. A bend of the curve leaves them meeting; so do noise and friction
    within their limits.

    Args:
        branch: one pass, in any order.
        speed_mm_per_s: typical of the press: a filter spreads a step over some way.
        loop_share: the friction loop's width over the load.

    Returns:
        Height, mm, and step, N (below 0: load lost as the spring is pressed); None for none.
    """
    bins = fine_bins(branch, BIN_MM)
    if bins.height_mm.size < PAUSE_BINS:
        return None
    gap_mm = max(SLIP_GAP_MM, SLIP_GAP_S * speed_mm_per_s)
    window_mm = gap_mm + max(SLIP_WINDOW_MM, SLIP_WINDOW_S * speed_mm_per_s)
    lines = _continued(bins, (-window_mm, -gap_mm), (gap_mm, window_mm))  # below and above
    step = lines.load_n[0] - lines.load_n[1]
    largest_n = float(bins.load_n.max())
    well_pressed = np.flatnonzero(bins.load_n > SLIP_FROM_SHARE * largest_n)
    # all of its windows well pressed
    usable = bins.height_mm + window_mm < bins.height_mm[well_pressed[-1:]].max(initial=-np.inf)
    size = np.where(usable & np.isfinite(step), np.abs(step), 0.0)
    if size.max() <= SLIP_SHARE * largest_n:
        return None  # at once, as most are
    error = np.hypot(*lines.se_n(bins.noise_n / np.sqrt(median(bins.weight))))
    limit = np.maximum(SLIP_SHARE * largest_n, SLIP_NOISES * error)
    limit = np.maximum(limit, SLIP_STEPS * _load_step_n(branch.load_n))
    limit = np.maximum(limit, SLIP_LOOP * loop_share * bins.load_n)
    # where the curve bends inside a window its line ends beside the curve, by less than this
    limit = np.maximum(limit, np.abs(lines.slope[0] - lines.slope[1]) * window_mm)
    over = np.where(size > 0.0, size, 0.0) / np.where(size > 0.0, limit, 1.0)
    at = int(np.argmax(over))
    return (float(bins.height_mm[at]), float(step[at])) if over[at] > 1.0 else None


class _Continued(NamedTuple):
    """Lines over k windows, continued to each bin's height, shape (k, b); NaN where too few.

    Attributes:
        bins: how many each line is laid through.
        spread: of their heights, the sum of squares.
        away: how far beyond their mean it is continued.
    """

    load_n: Array
    slope: Array
    bins: Array
    spread: Array
    away: Array

    def se_n(self, noise_n: float) -> Array:
        """Return the load's standard error, from that of a bin."""
        return np.asarray(noise_n * np.sqrt(1.0 / self.bins + self.away**2 / self.spread))


def _continued(bins: Bins, *windows_mm: tuple[float, float]) -> _Continued:
    """Fit a line to the bins from first to last beside each bin, by sums over the bins before."""
    height, load = bins.height_mm, bins.load_n
    centre, middle = float(height.mean()), float(load.mean())
    h, n = height - centre, load - middle  # so that no digits are lost in squares
    sums = np.zeros((4, height.size + 1))
    np.array([h, n, h * h, h * n]).cumsum(axis=1, out=sums[:, 1:])
    first, last = (height + edge_mm[:, None] for edge_mm in np.array(windows_mm).T)
    start, end = height.searchsorted(first), height.searchsorted(last, side="right")
    sh, sl, shh, shl = sums.take(end, axis=1) - sums.take(start, axis=1)
    count = np.where(end - start >= 3, end - start, np.nan)
    spread = shh - sh * sh / count
    slope = (shl - sh * sl / count) / spread
    away = h - sh / count
    reached = (first >= height[0] - BIN_MM) & (last <= height[-1] + BIN_MM)
    value = np.where(reached, sl / count + slope * away + middle, np.nan)
    return _Continued(value, slope, count, spread, away)


def _load_step_n(load_n: Array) -> float:
    """The smallest step in which a load is shown; hardly any where it is finely resolved."""
    steps = np.diff(np.sort(load_n))
    steps = steps[steps > 0.0]
    return float(steps.min()) if steps.size else 0.0


def _typical_speed(step_s: float, loading: Branch) -> float:
    """Way over time on the way down, and half as much again: a hand is fastest in the middle."""
    way_mm = float(loading.height_mm.max() - loading.height_mm.min())
    seconds = len(loading) * step_s
    return 1.5 * way_mm / seconds if seconds > 0.0 else 0.0


def _loop_share(loading: Branch, unloading: Branch) -> float:
    """Width of the friction loop over the load, in the lowest quarter of the press; 0 for none.

    A slip on the way down lies above it, one on the way up too: neither widens it there.
    """
    down, up = fine_bins(loading, 4.0 * BIN_MM), fine_bins(unloading, 4.0 * BIN_MM)
    if down.height_mm.size < 4 or up.height_mm.size < 4:
        return 0.0
    low = max(down.height_mm[0], up.height_mm[0]) + TURN_CLEAR_MM
    high = low + 0.25 * (min(down.height_mm[-1], up.height_mm[-1]) - low)
    heights = np.linspace(low, high, PAUSE_BINS)
    loads = np.interp(heights, down.height_mm, down.load_n)
    widths = loads - np.interp(heights, up.height_mm, up.load_n)
    middle_n = median(loads)
    return median(np.abs(widths)) / middle_n if middle_n > 0.0 else 0.0


def _ends_close(sweep: Sweep) -> StrokeFinding | None:
    """Find over what depth a spring begins softer than its rate, where that is more than usual."""
    bins = fine_bins(sweep.passes.loading, 4.0 * BIN_MM)
    pressed = np.flatnonzero(bins.load_n > PRESSED_SHARE * bins.load_n.max(initial=0.0))
    if pressed.size < PAUSE_BINS:
        return None
    begin_mm = float(bins.height_mm[pressed[-1]])
    depth_mm = begin_mm - float(bins.height_mm[0])
    share = (begin_mm - bins.height_mm) / depth_mm
    middle = (share > RATE_WINDOW[0]) & (share < RATE_WINDOW[1])
    if np.count_nonzero(middle) < 4:
        return None
    rate = -slope_through(bins.height_mm[middle], bins.load_n[middle])
    local = -_continued(bins, (-CLOSING_WINDOW_MM, CLOSING_WINDOW_MM)).slope[0]
    begun = np.flatnonzero((share > 0.0) & (share < RATE_WINDOW[0]) & np.isfinite(local))
    stiff = begun[local[begun] >= CLOSING_RATE * rate]
    if begun.size == 0:
        return None
    closed_mm = float(bins.height_mm[stiff[-1] if stiff.size else begun[0]])
    if begin_mm - closed_mm < max(CLOSING_LEAST_SHARE * depth_mm, CLOSING_LEAST_MM):
        return None
    facts = {"closed_mm": closed_mm, "over_mm": begin_mm - closed_mm}
    return StrokeFinding("ends_close", facts)


def spoiling(findings: Sequence[StrokeFinding]) -> list[Finding]:
    """Return what of these spoils a stroke."""
    return [Finding(one.kind, one.facts) for one in findings if one.spoils]
