"""How near the sheet's springs come to coil bind. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.placed_sets import SetCurves, exceeds
from coilbench.analysis.sheet.chosen import Chosen
from coilbench.analysis.sheet.sheet import MarginRow, ValveRow


def margins_of(build: BuildFile, chosen: Chosen) -> tuple[MarginRow, ...]:
    """Return each used set's least margin over the valves, outers first."""
    limit_mm = build.limits.coil_bind_margin_mm
    return tuple(_margin(springs, chosen.rows, limit_mm) for springs in chosen.sets)


def _margin(springs: SetCurves, rows: Sequence[ValveRow], limit_mm: float) -> MarginRow:
    known = [
        (place.margin_mm, row.valve)
        for row in rows
        for place in row.places
        if place.set_name == springs.name and place.margin_mm is not None
    ]
    least_mm, valve = min(known, key=lambda one: one[0], default=(None, None))
    return MarginRow(
        springs.name,
        springs.role,
        least_mm,
        valve,
        springs.highest_solid_mm,
        springs.known_solid_mm is None and springs.highest_solid_mm is not None,
        limit_mm,
        None if springs.coil is None else springs.coil.smallest_gap_mm,
        None if least_mm is None else not exceeds(limit_mm, least_mm),
    )
