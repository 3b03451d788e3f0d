"""A CSV table of loads at chosen heights into one entry a spring. Pure.

Which springs of a points file were closed down until their coils touched. Pure.

The rule is ours, no source: a file has no column that says "solid", so that the springs
themselves must show that they, and not a stop, ended the presses.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.sweep import Branch
from coilbench.capture.tables import columns as col
from coilbench.capture.tables.columns import read_directions, refuse_rows
from coilbench.capture.tables.csv_table import Table

# Ours: beyond any spring a bench can press, so a wrong unit or a torn number.
MOST_LOAD_N = 5e6
MOST_LENGTH_MM = 5000.0
DROP_SHARE = 0.1  # ours: of a branch's largest load; friction and reading errors stay below it


@dataclass(frozen=True)
class SpringPoints:
    """One spring's loads at chosen heights, in the file's order.

    Attributes:
        label: the spring's name inside its set.
        loading: points taken on the way down; may be empty.
        unloading: points taken on the way up; may be empty.
    """

    label: str
    loading: Branch
    unloading: Branch


@dataclass(frozen=True)
class PointsFile:
    """The springs of a points file, in the order they first appear.

    Attributes:
        springs: one entry a label.
        notes: what looks odd but may be so, in sentences without a full stop.
    """

    springs: tuple[SpringPoints, ...]
    notes: tuple[str, ...]


def read_points(table: Table, free_length_mm: float | None) -> PointsFile:
    """Read `label,height_mm,load_kg[,direction]` or `label,depth_mm,load_kg[,direction]`.

    Args:
        table: the file.
        free_length_mm: turns depths into heights; None where it is not known.

    Raises:
        CoilbenchError: a wrong column or cell, or numbers that no spring gives.
    """
    by_depth = any(name in table.columns for name in col.DEPTH.factors)
    found = col.read_columns(
        table,
        "points",
        (
            col.plain("label", text=True),
            col.DEPTH if by_depth else col.HEIGHT,
            col.LOAD,
            col.DIRECTION,
        ),
    )
    load_n = found.numbers["load_n"]
    if by_depth:
        height_mm = _heights_from_depths(table, found.numbers["depth_mm"], free_length_mm)
    else:
        height_mm = found.numbers["height_mm"]
    check_bounds(table, height_mm, load_n)
    refuse_rows(table, load_n < 0.0, "a spring's load is never negative")
    if free_length_mm is not None:
        refuse_rows(
            table,
            (height_mm > free_length_mm) & (load_n > 0.0),
            f"no spring has a load above its free length of {free_length_mm:g} mm",
        )
    loading = read_directions(table, found.texts, first="loading", second="unloading")
    springs = _part_by_label(found.texts["label"], height_mm, load_n, loading)
    for spring in springs:
        _check_slope(table, spring)
    return PointsFile(springs, tuple(note for spring in springs for note in _drops(spring)))


def _part_by_label(
    labels: tuple[str, ...],
    height_mm: NDArray[np.float64],
    load_n: NDArray[np.float64],
    loading: NDArray[np.bool_],
) -> tuple[SpringPoints, ...]:
    rows_of: dict[str, list[int]] = {}
    for row, label in enumerate(labels):
        rows_of.setdefault(label, []).append(row)
    springs = []
    for label, rows in rows_of.items():
        all_rows = np.array(rows)
        down, up = all_rows[loading[all_rows]], all_rows[~loading[all_rows]]
        springs.append(
            SpringPoints(
                label, Branch(height_mm[down], load_n[down]), Branch(height_mm[up], load_n[up])
            )
        )
    return tuple(springs)


def _drops(spring: SpringPoints) -> list[str]:
    """Name the points where a branch's load drops though the spring is pressed further."""
    notes = []
    for branch in (spring.loading, spring.unloading):
        order = np.argsort(-branch.height_mm, kind="stable")
        height_mm, load_n = branch.height_mm[order], branch.load_n[order]
        if not len(branch):
            continue
        fallen = np.maximum.accumulate(load_n) - load_n > DROP_SHARE * load_n.max()
        notes += [
            f"spring {spring.label!r}: {load_n[row]:.1f} N at {height_mm[row]:.2f} mm is less "
            "than at a greater height: a slip of the pen, or a broken spring"
            for row in np.flatnonzero(fallen)
        ]
    return notes


def _heights_from_depths(
    table: Table, depth_mm: NDArray[np.float64], free_length_mm: float | None
) -> NDArray[np.float64]:
    if free_length_mm is None:
        raise CoilbenchError(
            "depths need the springs' free length",
            where=table.name,
            hint="Give the set a free length, or the heights in a column height_mm",
        )
    refuse_rows(table, depth_mm < 0.0, "a depth is never negative")
    refuse_rows(
        table,
        depth_mm >= free_length_mm,
        f"the depth is not less than the free length of {free_length_mm:g} mm",
    )
    return free_length_mm - depth_mm


def _check_slope(table: Table, spring: SpringPoints) -> None:
    for branch in (spring.loading, spring.unloading):
        if len(branch) < 2 or np.ptp(branch.height_mm) == 0.0:
            continue
        low, high = int(np.argmin(branch.height_mm)), int(np.argmax(branch.height_mm))
        if branch.load_n[low] < branch.load_n[high]:
            raise CoilbenchError(
                f"spring {spring.label!r} has less load at its lowest height than at its highest",
                where=table.name,
                hint="Check its rows; depths belong in a column depth_mm",
            )


def check_bounds(table: Table, height_mm: NDArray[np.float64], load_n: NDArray[np.float64]) -> None:
    """Refuse heights and loads that no bench gives.

    Raises:
        CoilbenchError: a height of 0 or less, or a height or load beyond any bench.
    """
    wrong_unit = "is the column's unit right?"
    refuse_rows(table, height_mm <= 0.0, "the height must be more than 0")
    refuse_rows(table, height_mm > MOST_LENGTH_MM, f"the height is beyond any bench; {wrong_unit}")
    refuse_rows(table, np.abs(load_n) > MOST_LOAD_N, f"the load is beyond any bench; {wrong_unit}")


FEWEST_SPRINGS = 3
FEWEST_SHARED_HEIGHTS = 2
FEWEST_TURNS = 3
_SAME_MM = 4  # decimals to which two heights are the same, for units change the last bits


@dataclass(frozen=True)
class SolidHeight:
    """A spring's solid height, as far as its points tell.

    Attributes:
        label: the spring's name inside its set.
        solid_height_mm: None where they do not tell.
        reason: why, in words, without a full stop.
    """

    label: str
    solid_height_mm: float | None
    reason: str


def find_solid_heights(
    springs: Sequence[SpringPoints], closed_down: bool | None = None
) -> tuple[SolidHeight, ...]:
    """Find each spring's solid height from its row with the largest load.

    Without a word from the user the presses count as closed down when there are at least three
    springs with points both ways, at least two loading heights that all springs but one share
    (stated heights), and at least three different lowest heights, most of them below the lowest
    shared one: each press went on past the stated heights until its own spring stopped it.

    Args:
        springs: the springs of one file.
        closed_down: the user's word: True closed down, False not, None look.

    Returns:
        One entry a spring, in the same order.
    """
    if closed_down is None:
        closed_down, why = _presses_end_at_springs(springs)
    else:
        why = "said to be closed down" if closed_down else "said not to be closed down"
    return tuple(
        _solid_height(spring, why) if closed_down else SolidHeight(spring.label, None, why)
        for spring in springs
    )


def _solid_height(spring: SpringPoints, why: str) -> SolidHeight:
    if not len(spring.loading):
        return SolidHeight(spring.label, None, "no points on the way down")
    largest_n = max(float(branch.load_n.max()) for branch in _branches(spring))
    lowest_mm = _turning_height_mm(spring)
    at_lowest = np.isclose(spring.loading.height_mm, lowest_mm, rtol=0.0, atol=10.0**-_SAME_MM)
    if not np.any(spring.loading.load_n[at_lowest] == largest_n):
        reason = "its largest load is not at its lowest height on the way down"
        return SolidHeight(spring.label, None, reason)
    return SolidHeight(spring.label, lowest_mm, f"its row with the largest load: {why}")


def _presses_end_at_springs(springs: Sequence[SpringPoints]) -> tuple[bool, str]:
    """Judge whether the springs ended the presses, with the reason in words."""
    if len(springs) < FEWEST_SPRINGS:
        return False, f"fewer than {FEWEST_SPRINGS} springs cannot show where presses end"
    if not all(len(spring.loading) and len(spring.unloading) for spring in springs):
        return False, "not every spring has points both ways"
    counted: Counter[float] = Counter()
    for spring in springs:
        counted.update({round(float(mm), _SAME_MM) for mm in spring.loading.height_mm})
    shared = [mm for mm, times in counted.items() if times >= len(springs) - 1]
    if len(shared) < FEWEST_SHARED_HEIGHTS:
        return False, "the springs share no two heights that were stated beforehand"
    turns = [round(_turning_height_mm(spring), _SAME_MM) for spring in springs]
    if len(set(turns)) < FEWEST_TURNS:
        return False, "the presses end at the same height, so a stop may have ended them"
    below = sum(mm < min(shared) for mm in turns)
    if 2 * below <= len(springs):
        return False, "most presses end at a stated height, so a stop may have ended them"
    return True, "the presses went past the stated heights, each to an end of its own"


def _branches(spring: SpringPoints) -> list[Branch]:
    return [branch for branch in (spring.loading, spring.unloading) if len(branch)]


def _turning_height_mm(spring: SpringPoints) -> float:
    return min(float(branch.height_mm.min()) for branch in _branches(spring))
