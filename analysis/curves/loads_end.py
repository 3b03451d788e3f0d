"""Whether a free length by caliper contradicts where the same spring's loads run out. Pure."""

from __future__ import annotations

import math
from typing import NamedTuple

from coilbench.analysis.curves.lengths import FoundHeight

# Of the height above the highest reading: by so much the free length may lie above where the line
# runs out, since first turns close softly, and below it, by friction. Ours, no source.
SOFT_SHARE, HARD_SHARE = 0.2, 0.1
LEAST_SHARE = 0.02  # of the length: two that are nearer are one. Ours, no source
# Of the way from first load to the lowest reading: with none in it the shape there isn't known.
# Progressive and two-rate springs are softer there. Ours, no source
NEAR_FREE_SHARE = 0.25


class LengthContradicted(NamedTuple):
    """A free length by caliper, and where the same spring's loads run out, both with k = 2.

    Attributes:
        shape_known: whether it was read near there; else a softer first part may be the reason.
    """

    length: FoundHeight
    ends: FoundHeight
    shape_known: bool


def contradicted(
    length: FoundHeight, ends: FoundHeight, carried_mm: float, lowest_mm: float
) -> LengthContradicted | None:
    """Return a free length and where loads run out if they can't both be right, else None.

    No softer first part can be the reason where the length is below, or the spring was read near.

    Args:
        carried_mm: how far above the highest reading the loads were carried on.
        lowest_mm: the lowest reading.
    """
    beyond_mm = length.height_mm - ends.height_mm
    share = SOFT_SHARE if beyond_mm > 0.0 else HARD_SHARE
    allowed_mm = share * carried_mm + math.hypot(length.height_u_mm, ends.height_u_mm)
    if abs(beyond_mm) <= max(allowed_mm, LEAST_SHARE * length.height_mm):
        return None
    near = carried_mm <= NEAR_FREE_SHARE * (ends.height_mm - lowest_mm)
    return LengthContradicted(length, ends, beyond_mm < 0.0 or near)
