"""Whether a run of samples is one press down and back up. Pure."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

FEWEST_SAMPLES = 10  # ours: fewer cannot show a curve
_LOW = 0.3  # ours: below this share of the travel the quill is up again
_HIGH = 0.7  # ours: above it the quill is down
_FREE_SHARE = 0.75  # ours: of the load let go again, at least so much, and the spring is free
_ENDS = 3  # samples that tell how the sweep begins and ends
_STEP_SHARE = 0.25  # ours: of the loads' range, at least so much between up and down


def time_fault(t_s: NDArray[np.float64]) -> tuple[int, str] | None:
    """Return the first sample whose time does not rise, and why in words; None if all rise."""
    falls = np.flatnonzero(np.diff(t_s) <= 0.0)
    if not falls.size:
        return None
    row = int(falls[0]) + 1
    return row, f"t_s {t_s[row]:g} does not come after {t_s[row - 1]:g}"


def press_fault(travel: NDArray[np.float64], load: NDArray[np.float64]) -> str | None:
    """Say what is missing for one press down and back up; None if it is one.

    A capture ends a stroke when the load is gone, long before the quill is up at its stop: so the
    way up is whole where the load came back to what it was at the begin.

    Args:
        travel: shape (n,), how far the faces have closed, down positive, any unit and origin.
        load: shape (n,), any unit, either sign.
    """
    if travel.shape[0] < FEWEST_SAMPLES:
        return f"{travel.shape[0]} samples are too few for a sweep, {FEWEST_SAMPLES} are the least"
    span = float(np.ptp(travel))
    if span == 0.0:
        return "the travel never changes"
    share = (travel - travel.min()) / span
    level = np.where(share > _HIGH, 1, np.where(share < _LOW, 0, -1))
    level = level[level >= 0]
    turns = level[np.concatenate(([True], np.diff(level) != 0))]
    if turns[0] == 1:
        return "the sweep begins with the spring pressed: the way down is missing"
    if turns[-1] == 1 and not _let_go(travel, load):
        return "the sweep ends with the spring pressed: the way back up is missing"
    presses = int(np.count_nonzero(turns))
    if presses > 1:
        return f"there are {presses} presses in one sweep"
    return None


def _let_go(travel: NDArray[np.float64], load: NDArray[np.float64]) -> bool:
    """Tell whether the load at the end is back to that at the begin, the spring there free."""
    pressed = float(np.median(load[travel >= travel.min() + _HIGH * np.ptp(travel)]))
    begin, end = (float(np.median(part)) for part in (load[:_ENDS], load[-_ENDS:]))
    rise = pressed - begin
    return (pressed - end) * math.copysign(1.0, rise) > _FREE_SHARE * abs(rise)


def load_fault(travel: NDArray[np.float64], load: NDArray[np.float64]) -> str | None:
    """Say what is wrong with the load of one press; None if it changes as the spring closes.

    Args:
        travel: shape (n,), as for press_fault, of a sweep without a press fault.
        load: shape (n,), any unit, either sign.
    """
    if float(np.ptp(load)) == 0.0:
        return "the load never changes"
    down = travel >= travel.min() + _HIGH * np.ptp(travel)
    up = travel <= travel.min() + _LOW * np.ptp(travel)
    step = abs(float(np.median(load[down])) - float(np.median(load[up])))
    bulk = float(np.diff(np.percentile(load, [5.0, 95.0]))[0])  # a rogue reading doesn't count
    if step < _STEP_SHARE * bulk:
        return "the load does not follow the travel"
    return None
