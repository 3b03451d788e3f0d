"""CSV files of `import`: a raw sweep, a converted sweep, or points of several springs. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import LOAD_DTYPE, RAW_DTYPE, Finding, LoadBlock, RawBlock, SampleFlag
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.columns import (
    HEIGHT,
    LABEL,
    LOAD,
    Columns,
    Quantity,
    read_columns,
    refuse_rows,
)
from coilbench.capture.tables.csv_table import Table
from coilbench.capture.tables.points_file import PointsFile, check_bounds, read_points_file

FEWEST_SAMPLES = 10  # ours: fewer cannot show a curve
_LOW = 0.3  # ours: below this share of the travel the quill is up again
_HIGH = 0.7  # ours: above it the quill is down
_FREE_SHARE = 0.75  # ours: the spring is free when this share of the load is gone again
_ENDS = 3  # samples averaged at the start and at the end of a sweep
_STEP_SHARE = 0.25  # ours: of the range of loads, the least difference between up and down
_JUMP_SAMPLES = 2  # ours: a way up with no more between down and up is the quill let go, if
_JUMP_TIMES = 5  # ours: the way down has this many times as many
NO_WAY_UP = "the sweep ends with the spring pressed: the way back up is missing"

_SATURATED_COUNTS = (-8388608, 8388607)  # ends of a 24-bit converter's range (HX711 datasheet)
_T, _LOAD_COUNTS, _TRAVEL_COUNTS = map(Quantity.plain, ("t_s", "load_counts", "travel_counts"))


class SweepFile(msgspec.Struct, frozen=True):
    """The presses of a sweep file, each with its clock from 0, and what is to be said of them."""

    presses: tuple[RawBlock | LoadBlock, ...]
    notes: tuple[Finding, ...]


def read_sweep_file(table: Table, *, free_length_mm: float | None = None) -> SweepFile | PointsFile:
    """Read a file of `import`; its columns say which kind it is.

    Raw sweep `t_s,load_counts,travel_counts`; converted sweep `t_s,load_kg,height_mm`; points
    `label,height_mm,load_kg[,direction]` or `label,depth_mm,load_kg[,direction]`, or a sheet with
    a row a spring and a column a height.

    Returns:
        Samples, raw ones as a rig would have sent them, or points.

    Raises:
        CoilbenchError: a wrong column or cell, or numbers that are not a press of a spring.
    """
    if any(name in table.columns for name in LABEL.factors):
        return read_points_file(table, free_length_mm)
    if "load_counts" in table.columns or "travel_counts" in table.columns:
        return _read_raw_sweep(table)
    if "t_s" in table.columns:
        return _read_converted_sweep(table)
    raise table.refuse_header(
        f"the columns {', '.join(table.columns)[:80]!r} are not those of a sweep or of points",
        "Name them t_s,load_counts,travel_counts (raw sweep), t_s,load_kg,height_mm "
        "(converted sweep) or label,height_mm,load_kg (points)",
    )


def _read_raw_sweep(table: Table) -> SweepFile:
    quantities = _T, _LOAD_COUNTS, _TRAVEL_COUNTS
    columns = read_columns(table, "raw sweep", quantities, remarks=True)
    t_s, load, travel = (columns.numbers[one.key] for one in quantities)
    _check_times(table, t_s)
    for counts in (load, travel):
        refuse_rows(table, counts != np.rint(counts), "counts are whole numbers")
        refuse_rows(table, np.abs(counts) >= 2.0**31, "counts have at most 32 bits")
    closed = travel - travel[0]
    if -closed.min() > closed.max():  # a scale that counts down as the quill goes down
        closed = -closed
    samples = np.zeros(t_s.shape, dtype=RAW_DTYPE)
    samples["load_counts"], samples["travel_counts"] = load, travel
    samples["flags"][np.isin(load, _SATURATED_COUNTS)] = SampleFlag.LOAD_SATURATED

    def block(rows: slice) -> RawBlock:
        own, own_t_s = samples[rows].copy(), t_s[rows]
        own["seq"] = np.arange(own.size)
        own["t_us"] = np.rint((own_t_s - own_t_s[0]) * 1e6)
        return RawBlock(own)

    found = _presses(table, closed, load)
    return SweepFile(tuple(block(one.rows) for one in found), tuple(_notes(columns, found)))


def _read_converted_sweep(table: Table) -> SweepFile:
    quantities = _T, LOAD, HEIGHT
    columns = read_columns(table, "converted sweep", quantities, remarks=True)
    t_s, load_n, height_mm = (columns.numbers[one.key] for one in quantities)
    _check_times(table, t_s)
    check_bounds(table, height_mm, load_n)
    found = _presses(table, -height_mm, load_n)
    if load_n[np.argmin(height_mm)] <= load_n[np.argmax(height_mm)]:
        raise table.refuse(
            "the load falls as the height gets smaller",
            "Give the height between the faces and not the depth, and a pressing load as positive",
        )

    def block(rows: slice) -> LoadBlock:
        own = np.zeros(t_s[rows].shape, LOAD_DTYPE)
        own["t_s"] = t_s[rows] - t_s[rows][0]
        own["load_n"], own["height_mm"] = load_n[rows], height_mm[rows]
        return LoadBlock(own)

    return SweepFile(tuple(block(one.rows) for one in found), tuple(_notes(columns, found)))


def _presses(table: Table, closed: NDArray[np.float64], load: NDArray[np.float64]) -> list[Press]:
    try:
        return _find_presses(closed, load)
    except ValueError as fault:
        hint = "Give whole presses, each from before the spring is touched"
        raise table.refuse(str(fault), hint) from fault


def _notes(columns: Columns, found: Sequence[Press]) -> Iterator[Finding]:
    if len(found) > 1:
        yield Finding.of("presses_parted", presses=len(found))
    if any(one.down_only for one in found):
        yield Finding.of("way_down_only", presses=sum(one.down_only for one in found))
    for name in columns.passed_over:
        yield Finding.of("column_passed_over", column=name)


def _check_times(table: Table, t_s: NDArray[np.float64]) -> None:
    falls = np.flatnonzero(np.diff(t_s) <= 0.0)
    if falls.size:
        row = int(falls[0]) + 1
        raise CoilbenchError(
            f"t_s {t_s[row]:g} does not come after {t_s[row - 1]:g}",
            where=table.where(row),
            hint="Put one stroke in a file, its rows in the order of time",
        )


class Press(NamedTuple):
    """Where one press stands in the samples, and whether it has the way down alone."""

    rows: slice
    down_only: bool


def _find_presses(travel: NDArray[np.float64], load: NDArray[np.float64]) -> list[Press]:
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
