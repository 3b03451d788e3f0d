"""The set's table for the dashboard, out of the book."""

from __future__ import annotations

from collections.abc import Sequence

from sqlite_utils import Database

from coilbench.analysis.curves.curve import HeightNotMeasured, SpringCurve
from coilbench.analysis.measured import measured_curves
from coilbench.analysis.screens.dashboard import SetTable, SpringRow
from coilbench.analysis.sets.check import check_set
from coilbench.capture.book.sets import find_set, turn_order
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.turns import Done

EDGE_SHARE = 0.15  # the default heights keep this far from the ends of what was measured


def read_set_table(db: Database, set_name: str, heights_mm: Sequence[float]) -> SetTable:
    """Return the set as far as it is measured; flags as soon as there are springs to compare."""
    record = find_set(db, set_name)
    done = turn_order(db, record).done
    try:
        curves, _ = measured_curves(db, record)
    except CoilbenchError:
        curves = ()
    heights = tuple(heights_mm) if heights_mm else default_heights_mm(curves)
    by_label = {curve.label: curve for curve in curves}
    flags = _flags(set_name, curves, heights)
    rows = tuple(
        SpringRow(
            label=label,
            strokes=done.get(label, Done()).measured,
            loads_n=tuple(_load_n(by_label.get(label), height) for height in heights),
            flags=flags.get(label, ()),
        )
        for label in record.labels
    )
    return SetTable(heights, record.measured_strokes, rows)


def default_heights_mm(curves: Sequence[SpringCurve]) -> tuple[float, ...]:
    """Return two heights inside what every spring was measured over, the higher one first."""
    if not curves:
        return ()
    low = max(curve.lowest_mm for curve in curves)
    tops = [curve.highest_mm for curve in curves]
    tops += [c.free_length_mm for c in curves if c.free_length_mm is not None]
    high = min(tops)
    margin = EDGE_SHARE * (high - low)
    if margin <= 0:
        return ()
    return (round(high - margin, 1), round(low + margin, 1))


def _load_n(curve: SpringCurve | None, height_mm: float) -> float | None:
    if curve is None:
        return None
    try:
        return curve.load_at(height_mm).load_n
    except HeightNotMeasured:
        return None


def _flags(
    set_name: str, curves: Sequence[SpringCurve], heights_mm: Sequence[float]
) -> dict[str, tuple[str, ...]]:
    if not curves or not heights_mm:
        return {}
    try:
        check = check_set(set_name, curves, heights_mm)
    except CoilbenchError:
        return {}  # a height that not every spring reaches yet
    return {spring.label: tuple(flag.kind for flag in spring.flags) for spring in check.springs}
