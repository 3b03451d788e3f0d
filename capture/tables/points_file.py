"""CSV files of points: loads of several springs at heights, and what they show. Pure."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from typing import NamedTuple

import msgspec
import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from coilbench.capture.blocks import Finding
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.tables.columns import (
    DEPTH,
    DIRECTION,
    HEIGHT,
    LABEL,
    LEVER,
    LOAD,
    LOAD_U,
    SCALE,
    TARE,
    Columns,
    read_columns,
    refuse_rows,
)
from coilbench.capture.tables.csv_table import Table
from coilbench.capture.unit_factors import INCH_MM
from coilbench.capture.units import parse_number

_LOAD = r"(kgf?|n|lbf|lbs?)"
_AT_HEIGHT = re.compile(
    rf"(?:load_)?(?:{_LOAD}_)?(?:at_)?([0-9]+(?:[.,][0-9]+)?)_?(mm|in)(?:_{_LOAD})?"
)

# Standard uncertainties (k = 1) of a file's loads and heights, which its columns do not give. Our
# assumption, said to the user: a testing machine or a tidy home rig. Common practice, no source.
FILE_LOAD_U_RELATIVE = 0.0025
FILE_HEIGHT_U_MM = 0.05
ASSUMED = Finding.of(
    "file_uncertainty",  # expanded, k = 2
    load_u_relative=2.0 * FILE_LOAD_U_RELATIVE,
    height_u_mm=2.0 * FILE_HEIGHT_U_MM,
)

# Ours, no source: beyond what any bench can press, so a wrong unit or a corrupted number.
MOST_LOAD_N = 5e6
MOST_LENGTH_MM = 5000.0
DROP_SHARE = 0.1  # ours: of a branch's largest load; friction and reading errors are smaller


_BY_HAND = (LOAD_U, TARE, LEVER, SCALE)
_HAND_KEYS = ("tare_n", "lever", "scale")


class HandColumns(NamedTuple):
    """How readings were taken by hand, as far as the file says."""

    tare_n: float | None
    lever_ratio: float | None
    scale: str | None


class SpringPoints(msgspec.Struct, frozen=True):
    """One spring's loads at chosen heights, in the file's order; a branch may be empty.

    Attributes:
        hand: where the file says so: the loads then are what the scale showed.
        load_u_n: standard uncertainties (k = 1) of the loads of either branch, where stated.
        lines: the file's lines that either branch's points are in, from 1.
    """

    label: str
    loading: Branch
    unloading: Branch
    hand: HandColumns | None = None
    load_u_n: tuple[tuple[float, ...], tuple[float, ...]] | None = None
    lines: tuple[tuple[int, ...], tuple[int, ...]] = ((), ())

    @property
    def branches(self) -> tuple[Branch, ...]:
        """The branches that have points."""
        return tuple(branch for branch in (self.loading, self.unloading) if len(branch))


class PointsFile(msgspec.Struct, frozen=True):
    """The springs of a points file, in the order they first appear.

    Attributes:
        passed_over: the names of columns that hold remarks.
    """

    springs: tuple[SpringPoints, ...]
    drops: tuple[Finding, ...]
    passed_over: tuple[str, ...] = ()

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


_MOST_KINDS = 2000  # ours: twice the springs of the largest set


def read_points_file(table: Table, free_length_mm: float | None) -> PointsFile:
    """Read points: a row a reading, or a row a spring and a column a height.

    Raises:
        CoilbenchError: a wrong column or cell, or loads that are not those of a spring.
    """
    table = _as_points(table) if _is_wide(table) else table
    length = DEPTH if any(name in table.columns for name in DEPTH.factors) else HEIGHT
    found = read_columns(table, "points", (LABEL, length, LOAD, DIRECTION, *_BY_HAND), remarks=True)
    load_n, height_mm = found.numbers["load_n"], found.numbers[length.key]
    if length is DEPTH:
        height_mm = _heights_from_depths(table, height_mm, free_length_mm)
    check_bounds(table, height_mm, load_n)
    refuse_rows(table, load_n < 0.0, "a spring's load is never negative")
    if free_length_mm is not None:
        refuse_rows(
            table,
            (height_mm > free_length_mm) & (load_n > 0.0),
            "a load above the free length of {free_length_mm} is impossible",
            free_length_mm=free_length_mm,
        )
    loading = found.go("loading", "unloading")
    springs = tuple(_by_spring(found, loading, Branch(height_mm, load_n)))
    for spring in springs:
        _check_slope(table, spring)
    drops = tuple(drop for spring in springs for drop in _drops(spring))
    return PointsFile(springs, drops, found.passed_over)


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


def _by_spring(found: Columns, loading: NDArray[np.bool_], read: Branch) -> Iterator[SpringPoints]:
    """Yield each spring's rows; those read with another tare, lever or scale apart."""
    lines = np.array(found.table.lines)
    labels, stated = found.texts["label"], found.numbers.get("load_u_n")
    taken = [HandColumns(*each) for each in zip(*map(_given(found), _HAND_KEYS), strict=True)]
    kinds = list(zip(labels, taken, strict=True))
    number = {kind: at for at, kind in enumerate(dict.fromkeys(kinds))}
    if len(number) > _MOST_KINDS:
        what = f"more than {_MOST_KINDS} springs, each setting of its own counted"
        raise found.table.refuse(what, "Give the springs of one set")
    numbered = np.array([number[kind] for kind in kinds])
    for (label, hand), at in number.items():
        own = numbered == at
        down, up = own & loading, own & ~loading
        u_n = None
        if stated is not None:  # expanded, k = 2, in the file
            u_n = tuple((0.5 * stated[down]).tolist()), tuple((0.5 * stated[up]).tolist())
        known = hand if any(each is not None for each in hand) else None
        found_at = tuple(lines[down].tolist()), tuple(lines[up].tolist())
        yield SpringPoints(label, read.at(down), read.at(up), known, u_n, found_at)


def _given(found: Columns) -> Callable[[str], Sequence[float | str | None]]:
    """Return what gives a column's cells, or nothings where there is no such column."""

    def cells(key: str) -> Sequence[float | str | None]:
        if key in found.numbers:
            return list(found.numbers[key].tolist())
        return found.texts.get(key, (None,) * len(found.table.rows))

    return cells


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


class SolidHeight(msgspec.Struct, frozen=True):
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


def check_bounds(table: Table, height_mm: NDArray[np.float64], load_n: NDArray[np.float64]) -> None:
    """Refuse heights and loads that no bench has."""
    limit = "is beyond any bench; is the column's unit right?"
    refuse_rows(table, height_mm <= 0.0, "the height must be more than 0")
    refuse_rows(table, height_mm > MOST_LENGTH_MM, f"the height {limit}")
    refuse_rows(table, np.abs(load_n) > MOST_LOAD_N, f"the load {limit}")


def _is_wide(table: Table) -> bool:
    """Whether a row is a spring and some columns are heights, like `38.5 mm kg`."""
    return any(_AT_HEIGHT.fullmatch(name) for name in table.columns)


def _as_points(table: Table) -> Table:
    """Return a wide sheet as a table of points, a row a reading; empty cells were not read.

    Raises:
        CoilbenchError: a height's column doesn't say in which unit its loads are, or the columns
            differ in it.
    """
    heights = {i: m for i, name in enumerate(table.columns) if (m := _AT_HEIGHT.fullmatch(name))}
    units = {m[1] or m[4] for m in heights.values()}
    if len(units) > 1 or None in units:
        raise table.refuse_header(
            "the columns at heights don't all say the same unit of load",
            "Name each like '38.5 mm kg'",
        )
    (unit,) = units
    others = [i for i in range(len(table.columns)) if i not in heights]
    commas = table.delimiter != "," and any("," in row[i] for row in table.rows for i in heights)
    lines, rows = [], []
    for line, row in zip(table.lines, table.rows, strict=True):
        for i, match in heights.items():
            if row[i]:
                height_mm = parse_number(match[2]) * (INCH_MM if match[3] == "in" else 1.0)
                shown = f"{height_mm:.10g}".replace(".", "," if commas else ".")
                rows.append((*(row[other] for other in others), shown, row[i]))
                lines.append(line)
    if not rows:
        raise table.refuse("no cell of the sheet holds a load", "Fill in what was read")
    names = (*(table.columns[i] for i in others), "height_mm", f"load_{unit}")
    return replace(table, columns=names, lines=tuple(lines), rows=tuple(rows))
