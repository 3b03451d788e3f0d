"""By how much heights moved meanwhile, by a spring that is pressed again. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import msgspec

from coilbench.capture.strokes.alike import LEAST_SD_MM, Measured, PressedPath, differ

CLOSED_MM = 0.05  # a spring put in again comes back so near; ours, no source


class Moved(msgspec.Struct, frozen=True):
    """By how much a spring is pressed higher than it was at first.

    Attributes:
        moved_mm: at equal loads, with its standard uncertainty.
        rate_n_per_mm: what a millimetre is worth where it is pressed deepest.
    """

    moved_mm: Measured
    rate_n_per_mm: float

    @property
    def differs(self) -> bool:
        """Whether that is more than one spring repeats by."""
        return self.moved_mm.surely_over(CLOSED_MM)

    @property
    def facts(self) -> dict[str, float]:
        """It as facts of a finding; expanded uncertainties, k = 2."""
        moved_mm, u_mm = self.moved_mm.value, 2.0 * self.moved_mm.u
        rate = self.rate_n_per_mm
        loads = {"load_n": moved_mm * rate, "load_u_n": u_mm * rate}
        return {"moved_mm": moved_mm, "u_mm": u_mm} | loads


def moved_since(
    new: PressedPath,
    own: Iterable[PressedPath],
    repeats: Iterable[tuple[PressedPath, PressedPath]],
) -> Moved | None:
    """Compare a press with the first ones of its spring; None where they can't be compared.

    Args:
        own: the first ones.
        repeats: pairs of presses of one spring running: they show how well springs repeat.
    """
    found = [alike.moved_mm for one in own if (alike := differ(new, one)) is not None]
    if not found:
        return None
    repeated = [alike.moved_mm.value for two in repeats if (alike := differ(*two)) is not None]
    u_mm = max(
        _repeat_sd(repeated) * math.sqrt(1.0 + 1.0 / len(found)),
        math.sqrt(math.fsum(one.u**2 for one in found) / len(found)),
    )
    moved_mm = math.fsum(one.value for one in found) / len(found)
    return Moved(Measured(moved_mm, u_mm), new.deep_rate_n_per_mm)


def _repeat_sd(apart_mm: Sequence[float]) -> float:
    """Return the standard deviation of a height, by how far pairs lie apart."""
    if not apart_mm:
        return LEAST_SD_MM
    return max(LEAST_SD_MM, math.sqrt(math.fsum(mm**2 for mm in apart_mm) / (2 * len(apart_mm))))
