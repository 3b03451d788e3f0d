"""What rows of the book's tables are called where they are counted.

Light to import: nothing heavy is loaded here.
"""

from __future__ import annotations

from collections.abc import Mapping

from coilbench.capture.units import counted

_CALLED = {  # points and curves belong to these; entries, swaps and captures are named together
    "sets": "set",
    "springs": "spring",
    "sweeps": "stroke",
    "calibration_parts": "calibrated part",
    "calibrations": "calibration",
    "mass_checks": "check",
    "scales": "scale",
}


def counted_rows(rows: Mapping[str, int]) -> list[str]:
    """Say how many rows there are of each table that a person knows, where there are any."""
    return [counted(rows[table], one) for table, one in _CALLED.items() if rows.get(table)]


def other_rows(rows: Mapping[str, int]) -> int:
    """Return how many rows there are of the other tables."""
    return sum(many for table, many in rows.items() if table not in _CALLED)
