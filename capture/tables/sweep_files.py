"""CSV files of `import`: a raw sweep, a converted sweep, or points of several springs. Pure."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import LOAD_DTYPE, RAW_DTYPE, Finding, LoadBlock, RawBlock, SampleFlag
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.sweep import Branch
from coilbench.capture.tables.columns import (
    DEPTH,
    DIRECTION,
    HEIGHT,
    LOAD,
    Quantity,
    read_columns,
    refuse_rows,
)
from coilbench.capture.tables.csv_table import Table

# Ours, no source: beyond what any bench can press, so a wrong unit or a corrupted number.
MOST_LOAD_N = 5e6
MOST_LENGTH_MM = 5000.0
DROP_SHARE = 0.1  # ours: of a branch's largest load; friction and reading errors are smaller
FEWEST_SAMPLES = 10  # ours: fewer cannot show a curve
_LOW = 0.3  # ours: below this share of the travel the quill is up again
_HIGH = 0.7  # ours: above it the quill is down
_FREE_SHARE = 0.75  # ours: the spring is free when this share of the load is gone again
_ENDS = 3  # samples averaged at the start and at the end of a sweep
_STEP_SHARE = 0.25  # ours: of the range of loads, the least difference between up and down
_SATURATED_COUNTS = (-8388608, 8388607)  # ends of a 24-bit converter's range (HX711 datasheet)
_T, _LOAD_COUNTS, _TRAVEL_COUNTS = map(Quantity.plain, ("t_s", "load_counts", "travel_counts"))

_LABEL = Quantity.plain("label", text=True)


@dataclass(frozen=True)
class SpringPoints:
    """One spring's loads at chosen heights, in the file's order; a branch may be empty."""

    label: str
    loading: Branch
    unloading: Branch

    @property
    def branches(self) -> tuple[Branch, ...]:
        """The branches that have points."""
        return tuple(branch for branch in (self.loading, self.unloading) if len(branch))


@dataclass(frozen=True)
class PointsFile:
    """The springs of a points file, in the order they first appear."""

    springs: tuple[SpringPoints, ...]
    drops: tuple[Finding, ...]

    def solid_heights(self, closed_down: bool | None = None) -> tuple[SolidHeight, ...]:
        """Find each spring's solid height from its row with the largest load.

        Unless the user says so, the presses count as closed down to coil bind when there are at
        least three springs with points both ways, at least two loading heights that all springs but
        one share (stated heights), and at least three different lowest heights, most of them below
        the lowest shared one: then each press went past the stated heights until its own spring
        stopped it. The rule is ours, no source.

        Args:
            closed_down: the user's statement: closed down, or not; None judges by the rule.

        Returns:
            One entry per spring, in the same order.
        """
        if closed_down is None:
            closed_down, why = _presses_end_at_springs(self.springs)
        else:
            why = "stated to be closed down" if closed_down else "stated not to be closed down"
        return tuple(
            _solid_height(spring, why) if closed_down else SolidHeight(spring.label, None, why)
            for spring in self.springs
        )


def read_sweep_file(
    table: Table, *, free_length_mm: float | None = None
) -> RawBlock | LoadBlock | PointsFile:
    """Read a file of `import`; its columns say which kind it is.

    Raw sweep `t_s,load_counts,travel_counts`; converted sweep `t_s,load_kg,height_mm`; points
    `label,height_mm,load_kg[,direction]` or `label,depth_mm,load_kg[,direction]`.

    Returns:
        Samples with the clock from 0, raw ones as a rig would have sent them, or points.

    Raises:
        CoilbenchError: a wrong column or cell, or numbers that are not a press of a spring.
    """
    if "label" in table.columns:
        return _read_points(table, free_length_mm)
    if "load_counts" in table.columns or "travel_counts" in table.columns:
        return _read_raw_sweep(table)
    if "t_s" in table.columns:
        return _read_converted_sweep(table)
    raise table.refuse_header(
        f"the columns {', '.join(table.columns)[:80]!r} are not those of a sweep or of points",
        "Name them t_s,load_counts,travel_counts (raw sweep), t_s,load_kg,height_mm "
        "(converted sweep) or label,height_mm,load_kg (points)",
    )


def _read_raw_sweep(table: Table) -> RawBlock:
    found = read_columns(table, "raw sweep", (_T, _LOAD_COUNTS, _TRAVEL_COUNTS)).numbers
    t_s, load, travel = found["t_s"], found["load_counts"], found["travel_counts"]
    _check_times(table, t_s)
    for counts in (load, travel):
        refuse_rows(table, counts != np.rint(counts), "counts are whole numbers")
        refuse_rows(table, np.abs(counts) >= 2.0**31, "counts have at most 32 bits")
    closed = travel - travel[0]
    if -closed.min() > closed.max():  # a scale that counts down as the quill goes down
        closed = -closed
    _check_press(table, closed, load)
    samples = np.zeros(t_s.shape, dtype=RAW_DTYPE)
    samples["seq"] = np.arange(t_s.size)
    samples["t_us"] = np.rint((t_s - t_s[0]) * 1e6)
    samples["load_counts"], samples["travel_counts"] = load, travel
    samples["flags"][np.isin(load, _SATURATED_COUNTS)] = SampleFlag.LOAD_SATURATED
    return RawBlock(samples)


def _read_converted_sweep(table: Table) -> LoadBlock:
    found = read_columns(table, "converted sweep", (_T, LOAD, HEIGHT)).numbers
    t_s, load_n, height_mm = found["t_s"], found["load_n"], found["height_mm"]
    _check_times(table, t_s)
    _check_bounds(table, height_mm, load_n)
    _check_press(table, -height_mm, load_n)
    if load_n[np.argmin(height_mm)] <= load_n[np.argmax(height_mm)]:
        raise table.refuse(
            "the load falls as the height gets smaller",
            "Give the height between the faces and not the depth, and a pressing load as positive",
        )
    samples = np.zeros(t_s.shape, LOAD_DTYPE)
    samples["t_s"], samples["load_n"], samples["height_mm"] = t_s - t_s[0], load_n, height_mm
    return LoadBlock(samples)


def _check_times(table: Table, t_s: NDArray[np.float64]) -> None:
    falls = np.flatnonzero(np.diff(t_s) <= 0.0)
    if falls.size:
        row = int(falls[0]) + 1
        raise CoilbenchError(
            f"t_s {t_s[row]:g} does not come after {t_s[row - 1]:g}",
            where=table.where(row),
            hint="Put one stroke in a file, its rows in the order of time",
        )


def _check_press(table: Table, closed: NDArray[np.float64], load: NDArray[np.float64]) -> None:
    fault = _press_fault(closed, load) or _load_fault(closed, load)
    if fault is not None:
        hint = "Give one press, from before the spring is touched until it is free again"
        raise table.refuse(fault, hint)


def _press_fault(travel: NDArray[np.float64], load: NDArray[np.float64]) -> str | None:
    """Return what is missing for one press down and back up; None if it is one.

    A capture ends a stroke when the load is gone, long before the quill is up at its stop, so the
    way up is complete where the load came back to its start.
    """
    if travel.size < FEWEST_SAMPLES:
        return f"{travel.size} samples are too few for a sweep; it needs {FEWEST_SAMPLES}"
    span = float(np.ptp(travel))
    if span == 0.0:
        return "the travel never changes"
    share = (travel - travel.min()) / span
    level = np.where(share > _HIGH, 1, np.where(share < _LOW, 0, -1))
    level = level[level >= 0]
    turns = level[np.concatenate(([True], np.diff(level) != 0))]
    if turns[0] == 1:
        return "the sweep begins with the spring pressed: the way down is missing"
    if turns[-1] == 1 and not _is_released(travel, load):
        return "the sweep ends with the spring pressed: the way back up is missing"
    presses = int(np.count_nonzero(turns))
    return f"there are {presses} presses in one sweep" if presses > 1 else None


def _is_released(travel: NDArray[np.float64], load: NDArray[np.float64]) -> bool:
    pressed = float(np.median(load[travel >= travel.min() + _HIGH * np.ptp(travel)]))
    start, end = (float(np.median(part)) for part in (load[:_ENDS], load[-_ENDS:]))
    rise = pressed - start
    return (pressed - end) * math.copysign(1.0, rise) > _FREE_SHARE * abs(rise)


def _load_fault(travel: NDArray[np.float64], load: NDArray[np.float64]) -> str | None:
    """Return what is wrong with the load of one press; None if it changes as the spring closes."""
    if float(np.ptp(load)) == 0.0:
        return "the load never changes"
    down = travel >= travel.min() + _HIGH * np.ptp(travel)
    up = travel <= travel.min() + _LOW * np.ptp(travel)
    step = abs(float(np.median(load[down])) - float(np.median(load[up])))
    bulk = float(np.diff(np.percentile(load, [5.0, 95.0]))[0])  # leaves out a single outlier
    return "the load does not follow the travel" if step < _STEP_SHARE * bulk else None


def _check_bounds(
    table: Table, height_mm: NDArray[np.float64], load_n: NDArray[np.float64]
) -> None:
    limit = "is beyond any bench; is the column's unit right?"
    refuse_rows(table, height_mm <= 0.0, "the height must be more than 0")
    refuse_rows(table, height_mm > MOST_LENGTH_MM, f"the height {limit}")
    refuse_rows(table, np.abs(load_n) > MOST_LOAD_N, f"the load {limit}")


def _read_points(table: Table, free_length_mm: float | None) -> PointsFile:
    length = DEPTH if any(name in table.columns for name in DEPTH.factors) else HEIGHT
    found = read_columns(table, "points", (_LABEL, length, LOAD, DIRECTION))
    load_n, height_mm = found.numbers["load_n"], found.numbers[length.key]
    if length is DEPTH:
        height_mm = _heights_from_depths(table, height_mm, free_length_mm)
    _check_bounds(table, height_mm, load_n)
    refuse_rows(table, load_n < 0.0, "a spring's load is never negative")
    if free_length_mm is not None:
        refuse_rows(
            table,
            (height_mm > free_length_mm) & (load_n > 0.0),
            "a load above the free length of {free_length_mm} is impossible",
            free_length_mm=free_length_mm,
        )
    loading = found.go("loading", "unloading")
    springs = _by_label(np.array(found.texts["label"]), loading, height_mm, load_n)
    for spring in springs:
        _check_slope(table, spring)
    return PointsFile(springs, tuple(drop for spring in springs for drop in _drops(spring)))


def _heights_from_depths(
    table: Table, depth_mm: NDArray[np.float64], free_length_mm: float | None
) -> NDArray[np.float64]:
    if free_length_mm is None:
        hint = (
            "Give the set a free length (coilbench set edit SET --free-length), or the heights in "
            "a column height_mm"
        )
        raise table.refuse("depths need the springs' free length", hint)
    refuse_rows(table, depth_mm < 0.0, "a depth is never negative")
    refuse_rows(
        table,
        depth_mm >= free_length_mm,
        "the depth is not less than the free length of {free_length_mm}",
        free_length_mm=free_length_mm,
    )
    return free_length_mm - depth_mm


def _by_label(
    labels: NDArray[np.str_],
    loading: NDArray[np.bool_],
    height_mm: NDArray[np.float64],
    load_n: NDArray[np.float64],
) -> tuple[SpringPoints, ...]:
    def branch(rows: NDArray[np.bool_]) -> Branch:
        return Branch(height_mm[rows], load_n[rows])

    return tuple(
        SpringPoints(
            label, branch((labels == label) & loading), branch((labels == label) & ~loading)
        )
        for label in dict.fromkeys(labels.tolist())
    )


def _check_slope(table: Table, spring: SpringPoints) -> None:
    for branch in spring.branches:
        low, high = int(np.argmin(branch.height_mm)), int(np.argmax(branch.height_mm))
        if np.ptp(branch.height_mm) > 0.0 and branch.load_n[low] < branch.load_n[high]:
            raise table.refuse(
                f"spring {spring.label!r} has less load at its lowest height than at its highest",
                "Check its rows; depths belong in a column depth_mm",
            )


def _drops(spring: SpringPoints) -> list[Finding]:
    drops = []
    for branch in spring.branches:
        order = np.argsort(-branch.height_mm, kind="stable")
        height_mm, load_n = branch.height_mm[order], branch.load_n[order]
        fallen = np.maximum.accumulate(load_n) - load_n > DROP_SHARE * load_n.max()
        drops += [
            Finding.of(
                "load_drop",
                label=spring.label,
                load_n=float(load_n[row]),
                height_mm=float(height_mm[row]),
            )
            for row in np.flatnonzero(fallen)
        ]
    return drops


FEWEST_SPRINGS = 3
FEWEST_SHARED_HEIGHTS = 2
FEWEST_TURNS = 3
_SAME_MM = 4  # decimals to which two heights are equal, since unit conversion changes the last bits


@dataclass(frozen=True)
class SolidHeight:
    """A spring's solid height, None where its points do not show it, and why."""

    label: str
    solid_height_mm: float | None
    reason: str


def _solid_height(spring: SpringPoints, why: str) -> SolidHeight:
    if not len(spring.loading):
        return SolidHeight(spring.label, None, "no points on the way down")
    largest_n = max(float(branch.load_n.max()) for branch in spring.branches)
    lowest_mm = _lowest_mm(spring)
    at_lowest = np.isclose(spring.loading.height_mm, lowest_mm, rtol=0.0, atol=10.0**-_SAME_MM)
    if not np.any(spring.loading.load_n[at_lowest] == largest_n):
        reason = "its largest load is not at its lowest height on the way down"
        return SolidHeight(spring.label, None, reason)
    return SolidHeight(spring.label, lowest_mm, f"its row with the largest load: {why}")


def _presses_end_at_springs(springs: Sequence[SpringPoints]) -> tuple[bool, str]:
    if len(springs) < FEWEST_SPRINGS:
        return False, f"fewer than {FEWEST_SPRINGS} springs cannot show where presses end"
    if not all(len(spring.branches) == 2 for spring in springs):
        return False, "not every spring has points both ways"
    counted: Counter[float] = Counter()
    for spring in springs:
        counted.update({round(float(mm), _SAME_MM) for mm in spring.loading.height_mm})
    shared = [mm for mm, times in counted.items() if times >= len(springs) - 1]
    if len(shared) < FEWEST_SHARED_HEIGHTS:
        return False, "the springs do not share two stated heights"
    turns = [round(_lowest_mm(spring), _SAME_MM) for spring in springs]
    if len(set(turns)) < FEWEST_TURNS:
        return False, "the presses end at the same height, so a stop may have ended them"
    below = sum(mm < min(shared) for mm in turns)
    if 2 * below <= len(springs):
        return False, "most presses end at a stated height, so a stop may have ended them"
    return True, "the presses went past the stated heights, each to its own end"


def _lowest_mm(spring: SpringPoints) -> float:
    return min(float(branch.height_mm.min()) for branch in spring.branches)
