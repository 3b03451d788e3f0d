"""What a spring's wire and coils say about its solid height and the gaps it needs. Pure."""

from __future__ import annotations

from dataclasses import dataclass

DEAD_COILS = 2.0  # squared and ground ends: Shigley, table 10-1
DYNAMIC = 1.5  # EN 13906-1: on the smallest sum of gaps of a spring that works fast


@dataclass(frozen=True)
class Coil:
    """Dimensions of a spring of round wire.

    Attributes:
        wire_mm: diameter of the wire.
        active_coils: coils that work.
        coil_diameter_mm: mean diameter of the coils; None where it isn't known.
    """

    wire_mm: float
    active_coils: float
    coil_diameter_mm: float | None = None

    @property
    def solid_height_mm(self) -> float:
        """Solid height with squared and ground ends, d (Na + 2): Shigley, table 10-1.

        That a valve spring's ends are squared and ground is common practice, no source.
        """
        return self.wire_mm * (self.active_coils + DEAD_COILS)

    @property
    def smallest_gap_mm(self) -> float | None:
        """Smallest sum of gaps between the coils, cold formed, dynamic load: EN 13906-1.

        1.5 n (0.0015 D^2/d + 0.1 d); None where the coil diameter isn't known.
        """
        if self.coil_diameter_mm is None:
            return None
        one_mm = 0.0015 * self.coil_diameter_mm**2 / self.wire_mm + 0.1 * self.wire_mm
        return DYNAMIC * self.active_coils * one_mm
