"""Where a set's numbers came from. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from coilbench.capture.strokes.sweep import Origin


@dataclass(frozen=True)
class Provenance:
    """Counted measured sweeps of one set that came the same way.

    Attributes:
        origin: the way.
        calibration_id: what raw counts were captured with; None where there are none.
        scale: name of the calibrated scale that showed keyed readings; None without one.
        sweeps, springs: how many, and of how many springs.
        first_utc, last_utc: when the first and the last one were stored.
    """

    origin: Origin
    calibration_id: str | None
    scale: str | None
    sweeps: int
    springs: int
    first_utc: str
    last_utc: str
