"""Whether a run of samples is one press down and back up. Pure.

CSV tables into typed arrays: what `import` takes, a raw or converted sweep or points. Pure.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import RAW_DTYPE, RawBlock, SampleFlag
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.sweep import Branch
from coilbench.capture.tables import columns as col
from coilbench.capture.tables.columns import refuse_rows
from coilbench.capture.tables.csv_table import Table
from coilbench.capture.tables.points_file import PointsFile, check_bounds, read_points

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


_SATURATED_COUNTS = (-8388608, 8388607)  # ends of a 24-bit converter's range (HX711 datasheet)


@dataclass(frozen=True)
class RawSweepFile:
    """One stroke in counts.

    Attributes:
        t_s: shape (n,), strictly rising.
        load_counts, travel_counts: shape (n,).
    """

    t_s: NDArray[np.float64]
    load_counts: NDArray[np.int32]
    travel_counts: NDArray[np.int32]

    def raw_block(self) -> RawBlock:
        """Return the samples as a rig would have sent them, the clock from 0."""
        samples = np.zeros(self.t_s.shape, dtype=RAW_DTYPE)
        samples["seq"] = np.arange(self.t_s.shape[0])
        samples["t_us"] = np.rint((self.t_s - self.t_s[0]) * 1e6)
        samples["load_counts"] = self.load_counts
        samples["travel_counts"] = self.travel_counts
        saturated = np.isin(self.load_counts, _SATURATED_COUNTS)
        samples["flags"][saturated] = SampleFlag.LOAD_SATURATED
        return RawBlock(samples)


@dataclass(frozen=True)
class ConvertedSweepFile:
    """One stroke in units.

    Attributes:
        t_s: shape (n,), strictly rising.
        load_n, height_mm: shape (n,).
    """

    t_s: NDArray[np.float64]
    load_n: NDArray[np.float64]
    height_mm: NDArray[np.float64]

    def branches(self) -> tuple[Branch, Branch]:
        """Return the way down and the way up, parted after the lowest height."""
        turn = int(np.argmin(self.height_mm)) + 1
        return (
            Branch(self.height_mm[:turn], self.load_n[:turn]),
            Branch(self.height_mm[turn:], self.load_n[turn:]),
        )


def read_sweep_file(
    table: Table, *, free_length_mm: float | None = None
) -> RawSweepFile | ConvertedSweepFile | PointsFile:
    """Read a file of `import`; its columns say which kind it is.

    Raw sweep `t_s,load_counts,travel_counts`; converted sweep `t_s,load_kg,height_mm`; points
    `label,height_mm,load_kg[,direction]` or `label,depth_mm,load_kg[,direction]`.

    Args:
        table: the file.
        free_length_mm: turns depths into heights; None where it is not known.

    Raises:
        CoilbenchError: a wrong column or cell, or numbers that are no press of a spring.
    """
    if "label" in table.columns:
        return read_points(table, free_length_mm)
    if "load_counts" in table.columns or "travel_counts" in table.columns:
        return _read_raw_sweep(table)
    if "t_s" in table.columns:
        return _read_converted_sweep(table)
    raise CoilbenchError(
        f"the columns {', '.join(table.columns)[:80]!r} are none of a sweep or of points",
        where=f"{table.name}, line {table.header_line}",
        hint="Name them t_s,load_counts,travel_counts (raw sweep), t_s,load_kg,height_mm "
        "(converted sweep) or label,height_mm,load_kg (points)",
    )


def _read_raw_sweep(table: Table) -> RawSweepFile:
    found = col.read_columns(
        table,
        "raw sweep",
        (col.plain("t_s"), col.plain("load_counts"), col.plain("travel_counts")),
    ).numbers
    load, travel = found["load_counts"], found["travel_counts"]
    _check_times(table, found["t_s"])
    for counts in (load, travel):
        refuse_rows(table, counts != np.rint(counts), "counts are whole numbers")
        refuse_rows(table, np.abs(counts) >= 2.0**31, "counts have 32 bits at most")
    closed = travel - travel[0]
    if -closed.min() > closed.max():  # a scale that counts down as the quill goes down
        closed = -closed
    _check_press(table, closed, load)
    return RawSweepFile(found["t_s"], load.astype(np.int32), travel.astype(np.int32))


def _read_converted_sweep(table: Table) -> ConvertedSweepFile:
    found = col.read_columns(table, "converted sweep", (col.plain("t_s"), col.LOAD, col.HEIGHT))
    t_s, load_n, height_mm = (found.numbers[key] for key in ("t_s", "load_n", "height_mm"))
    _check_times(table, t_s)
    check_bounds(table, height_mm, load_n)
    _check_press(table, -height_mm, load_n)
    if load_n[np.argmin(height_mm)] <= load_n[np.argmax(height_mm)]:
        raise CoilbenchError(
            "the load falls as the height gets less",
            where=table.name,
            hint="Give the height between the faces and not the depth, and pressing as a "
            "positive load",
        )
    return ConvertedSweepFile(t_s, load_n, height_mm)


def _check_times(table: Table, t_s: NDArray[np.float64]) -> None:
    fault = time_fault(t_s)
    if fault is not None:
        raise CoilbenchError(
            fault[1],
            where=table.where(fault[0]),
            hint="Keep one stroke per file, its rows in the order of time",
        )


def _check_press(table: Table, closed: NDArray[np.float64], load: NDArray[np.float64]) -> None:
    fault = press_fault(closed, load)
    if fault is None:
        fault = load_fault(closed, load)
    if fault is not None:
        raise CoilbenchError(
            fault,
            where=table.name,
            hint="Give one press, from before the spring is touched until it is let go",
        )
