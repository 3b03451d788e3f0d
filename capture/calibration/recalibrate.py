"""Read old counts with another calibration, the datum they were captured at kept. Pure."""

from __future__ import annotations

from dataclasses import replace

from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.parts import datum_part
from coilbench.capture.calibration.points import GaugePoint
from coilbench.capture.calibration.regression import PolynomialFit, evaluate


def recalibrated(own: Calibration, other: Calibration, *, same_start: bool) -> Calibration:
    """Return the other calibration, made fit for counts that were captured under their own.

    An incremental scale counts from where the rig was switched on: a datum found at another start
    of the rig is of no use for them. The other's scale factor is taken then, and the place of the
    faces from their own calibration.

    Args:
        own: what the counts were captured with.
        other: what they are to be read with.
        same_start: both travel calibrations are of the same start of the rig.
    """
    if same_start:
        return other
    return replace(other, travel=_at_datum_of(own.travel, other.travel))


def _at_datum_of(own: PolynomialFit, other: PolynomialFit) -> PolynomialFit:
    """Pin the other's slope where the own calibration is surest: the middle of its range."""
    counts = 0.5 * (own.x_min + own.x_max)
    length_mm, u_mm = evaluate(own, counts)
    pinned = GaugePoint(float(length_mm), counts, 2.0 * float(u_mm))
    return datum_part(other, pinned).fit
