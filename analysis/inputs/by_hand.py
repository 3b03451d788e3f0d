"""What of a set was measured by hand, with expanded uncertainties (k = 2); the curves for use."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.lengths import FoundHeight
from coilbench.capture.book.sets import SetRecord, SpringRecord

if TYPE_CHECKING:
    from coilbench.analysis.engine.placed import SetCurves


def free_by_hand(spring: SpringRecord) -> FoundHeight | None:
    """Return a spring's free length as measured by hand; None where it was not."""
    if spring.free_length_mm is None:
        return None
    return FoundHeight(spring.free_length_mm, 2.0 * (spring.free_length_u_mm or 0.0))


def solid_by_hand(spring: SpringRecord) -> FoundHeight | None:
    """Return a spring's solid height as measured by hand; None where it was not."""
    if spring.solid_by_hand_u_mm is None or spring.solid_height_mm is None:
        return None
    return FoundHeight(spring.solid_height_mm, 2.0 * spring.solid_by_hand_u_mm)


def set_solid_u_mm(record: SetRecord) -> float | None:
    """Return the expanded uncertainty of a set's registered solid height; None: not stated."""
    u_mm = record.solid_height_u_mm
    return None if u_mm is None else 2.0 * u_mm


def usable(record: SetRecord, curves: Sequence[SpringCurve], missing: Sequence[str]) -> SetCurves:
    """Return a set with the curves that are to be used; missing are labels not measured."""
    from coilbench.analysis.engine.coil import Coil  # imported late: slow to load
    from coilbench.analysis.engine.placed import SetCurves

    coil = None
    if record.wire_mm is not None and record.active_coils is not None:
        coil = Coil(record.wire_mm, record.active_coils, record.coil_diameter_mm)
    return SetCurves(
        record.name,
        record.role,
        tuple(curves),
        record.solid_height_mm,
        coil,
        record.free_length_mm,
        tuple(missing),
        {one.label: free for one in record.springs if (free := free_by_hand(one)) is not None},
        {one.label: solid for one in record.springs if (solid := solid_by_hand(one)) is not None},
        solid_height_u_mm=set_solid_u_mm(record),
    )
