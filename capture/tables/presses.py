"""The presses in a file's samples: each down and back up, or the way down alone. Pure."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FEWEST_SAMPLES = 10  # ours: fewer cannot show a curve
_LOW = 0.3  # ours: below this share of the travel the quill is up again
_HIGH = 0.7  # ours: above it the quill is down
_FREE_SHARE = 0.75  # ours: the spring is free when this share of the load is gone again
_ENDS = 3  # samples averaged at the start and at the end of a sweep
_STEP_SHARE = 0.25  # ours: of the range of loads, the least difference between up and down
_JUMP_SAMPLES = 2  # ours: a way up with no more between down and up is the quill let go, if
_JUMP_TIMES = 5  # ours: the way down has this many times as many
NO_WAY_UP = "the sweep ends with the spring pressed: the way back up is missing"


class Press(NamedTuple):
    """Where one press stands in the samples, and whether it has the way down alone."""

    rows: slice
    down_only: bool


def find_presses(travel: NDArray[np.float64], load: NDArray[np.float64]) -> list[Press]:
    """Part samples where the quill was up between presses.

    The way down alone ends at its deepest sample: also where the next press follows at once.

    Args:
        travel, load: shape (n,), the travel growing as the quill goes down.

    Raises:
        ValueError: a part is no press of a spring; it says why.
    """
    found = []
    for rows in _parts(travel):
        fault, down_only = press_fault(travel[rows], load[rows]), False
        if fault == NO_WAY_UP or (fault is None and _jumps_up(travel[rows])):
            deepest = rows.start + int(np.argmax(travel[rows])) + 1
            rows, fault, down_only = slice(rows.start, deepest), None, True
        fault = fault or load_fault(travel[rows], load[rows])
        if fault is not None:
            raise ValueError(fault)
        found.append(Press(rows, down_only))
    return found


def _parts(travel: NDArray[np.float64]) -> list[slice]:
    """Cut between presses, where the quill stood highest."""
    if travel.size < FEWEST_SAMPLES or np.ptp(travel) == 0.0:
        return [slice(0, travel.size)]
    level = _levels(travel)
    down = np.flatnonzero(level == 1)
    cuts = [0]
    for last, first in pairwise(down.tolist()):
        between = slice(last + 1, first)
        if np.any(level[between] == 0):
            cuts.append(between.start + int(np.argmin(travel[between])))
    ends = [*(cut + 1 for cut in cuts[1:]), travel.size]
    return [slice(*each) for each in zip(cuts, ends, strict=True)]


def _levels(travel: NDArray[np.float64]) -> NDArray[np.int64]:
    """1 where the quill is down, 0 where it is up, -1 between."""
    share = (travel - travel.min()) / float(np.ptp(travel))
    return np.where(share > _HIGH, 1, np.where(share < _LOW, 0, -1))


def press_fault(travel: NDArray[np.float64], load: NDArray[np.float64]) -> str | None:
    """Return what is missing for one press down and back up; None if it is one.

    Args:
        travel, load: shape (n,), the travel growing as the quill goes down.

    A capture ends a stroke when the load is gone, long before the quill is up at its stop, so the
    way up is complete where the load came back to its start.
    """
    few = None
    if travel.size < FEWEST_SAMPLES:
        few = f"{travel.size} samples are too few for a sweep; it needs {FEWEST_SAMPLES}"
    if np.ptp(travel) == 0.0:
        return few or "the travel never changes"
    level = _levels(travel)
    level = level[level >= 0]
    turns = level[np.concatenate(([True], np.diff(level) != 0))]
    if turns[0] == 1:
        return "the sweep begins with the spring pressed: the way down is missing"
    if few is not None:
        return few
    if turns[-1] == 1 and not _is_released(travel, load):
        return NO_WAY_UP
    presses = int(np.count_nonzero(turns))
    return f"there are {presses} presses in one sweep" if presses > 1 else None


def _is_released(travel: NDArray[np.float64], load: NDArray[np.float64]) -> bool:
    pressed = float(np.median(load[travel >= travel.min() + _HIGH * np.ptp(travel)]))
    start, end = (float(np.median(part)) for part in (load[:_ENDS], load[-_ENDS:]))
    rise = pressed - start
    return (pressed - end) * math.copysign(1.0, rise) > _FREE_SHARE * abs(rise)


def _jumps_up(travel: NDArray[np.float64]) -> bool:
    """Whether the samples go from down to up at once: the way up was not recorded."""
    deepest, between = int(np.argmax(travel)), _levels(travel) == -1
    down, up = (int(np.count_nonzero(way)) for way in (between[:deepest], between[deepest:]))
    return up <= _JUMP_SAMPLES and down >= _JUMP_TIMES * max(up, 1)


def load_fault(travel: NDArray[np.float64], load: NDArray[np.float64]) -> str | None:
    """Return what is wrong with the load of one press; None if it changes as the spring closes."""
    if float(np.ptp(load)) == 0.0:
        return "the load never changes"
    down = travel >= travel.min() + _HIGH * np.ptp(travel)
    up = travel <= travel.min() + _LOW * np.ptp(travel)
    step = abs(float(np.median(load[down])) - float(np.median(load[up])))
    bulk = float(np.diff(np.percentile(load, [5.0, 95.0]))[0])  # leaves out a single outlier
    return "the load does not follow the travel" if step < _STEP_SHARE * bulk else None
