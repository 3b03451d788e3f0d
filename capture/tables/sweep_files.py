"""CSV files of `import`: a raw sweep, a converted sweep, or points of several springs. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

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
from coilbench.capture.tables.presses import Press, find_presses

_SATURATED_COUNTS = (-8388608, 8388607)  # ends of a 24-bit converter's range (HX711 datasheet)
_T, _LOAD_COUNTS, _TRAVEL_COUNTS = map(Quantity.plain, ("t_s", "load_counts", "travel_counts"))


@dataclass(frozen=True)
class SweepFile:
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
        return find_presses(closed, load)
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
