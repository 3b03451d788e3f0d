"""The curves that a build sheet draws: each spring's, and outer and inner together. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.curves.curve import HeightNotMeasured, SpringCurve
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.sheet.chosen import Chosen
from coilbench.analysis.sheet.sheet import Line, LineRole, ValveRow

Array = NDArray[np.float64]
POINTS = 60
LEAST_POINTS = 2


def lines_of(build: BuildFile, chosen: Chosen) -> tuple[Line, ...]:
    """Sample the springs that are used over the outer's height.

    Together are the springs of each valve where they are named, else the means of the sets.
    """
    offset_mm = build.head.inner_offset_mm
    curves = {
        (springs.name, curve.label): (curve, offset_mm if springs.role == "inner" else 0.0)
        for springs in chosen.sets
        for curve in springs.curves
    }
    grid_mm = _grid(curves.values(), chosen.rows, build.cam.valve_lift_mm)
    loads = {key: _sampled(curve, grid_mm - offset) for key, (curve, offset) in curves.items()}
    roles = {springs.name: springs.role for springs in chosen.sets}
    lines = [
        _line("inner" if roles[name] == "inner" else "outer", label, grid_mm, load_n)
        for (name, label), load_n in loads.items()
    ]
    if chosen.rows and chosen.rows[0].inner is not None:
        lines += _together(chosen, grid_mm, loads)
    return tuple(line for line in lines if len(line.heights_mm) >= LEAST_POINTS)


def _grid(
    curves: Iterable[tuple[SpringCurve, float]], rows: Sequence[ValveRow], lift_mm: float
) -> Array:
    """Heights of the outer to sample at: evenly over what was measured, and where valves stand."""
    low, high = [], []
    for curve, offset_mm in curves:
        low.append(curve.lowest_mm + offset_mm)
        high.append(curve.highest_mm + offset_mm)
    stand = [row.outer.height_mm for row in rows]
    at_mm = [*np.linspace(min(low), max(high), POINTS), *stand, *(mm - lift_mm for mm in stand)]
    return np.unique(np.round(at_mm, 6))


def _sampled(curve: SpringCurve, heights_mm: Array) -> Array:
    """Loads at some heights; NaN where they weren't measured."""
    loads_n = np.full(len(heights_mm), np.nan)
    for at, height_mm in enumerate(heights_mm):
        try:
            loads_n[at] = curve.load_at(float(height_mm)).load_n
        except HeightNotMeasured:
            continue
    return loads_n


def _together(
    chosen: Chosen, grid_mm: Array, loads: Mapping[tuple[str, str], Array]
) -> Iterable[Line]:
    if not chosen.named:
        sums = [
            np.mean([n for (name, _), n in loads.items() if name == springs.name], axis=0)
            for springs in chosen.sets
        ]
        yield _line("together", "mean", grid_mm, np.sum(sums, axis=0))
        return
    by_name = _by_name(chosen, loads)
    for row in chosen.rows:
        total_n = np.sum([by_name[each.spring] for each in row.places], axis=0)
        yield _line("together", row.valve, grid_mm, total_n)


def _by_name(chosen: Chosen, loads: Mapping[tuple[str, str], Array]) -> dict[str | None, Array]:
    """Loads by the name that the sheet calls a spring: its label, or set/label."""
    names = {place.spring for row in chosen.rows for place in row.places}
    found: dict[str | None, Array] = {}
    for (name, label), load_n in loads.items():
        long_name = f"{name}/{label}"
        found[long_name if long_name in names else label] = load_n
    return found


def _line(role: LineRole, name: str, heights_mm: Array, loads_n: Array) -> Line:
    known = np.isfinite(loads_n)
    return Line(role, name, tuple(heights_mm[known].tolist()), tuple(loads_n[known].tolist()))
