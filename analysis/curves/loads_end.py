"""Where a spring's own loads run out, and whether a free length by caliper contradicts it. Pure."""

from __future__ import annotations

import math
from contextlib import suppress
from typing import TYPE_CHECKING, NamedTuple

from coilbench.analysis.curves.lengths import LEAST_SPAN_MM, FoundHeight
from coilbench.capture.errors import CoilbenchError

if TYPE_CHECKING:
    from coilbench.analysis.curves.curve import SpringCurve


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


def length_contradicted(curve: SpringCurve) -> LengthContradicted | None:
    """Return a free length that the spring's own loads contradict by more than both may be off."""
    length, ends = curve.by_hand, loads_end(curve)
    if length is None or ends is None:
        return None
    carried_mm = 0.0 if curve.contact is not None else ends.height_mm - curve.highest_mm
    return contradicted(length, ends, carried_mm, curve.lowest_mm)


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


def loads_end(curve: SpringCurve) -> FoundHeight | None:
    """Return first contact, else where the line through the loads comes to none.

    The line goes through the ends of what was read of one branch; its uncertainty is that of both
    loads. None where that is one height alone, or its loads don't fall.
    """
    if curve.contact is not None:
        return curve.contact
    high_mm, low_mm = curve.rated_mm
    if high_mm - low_mm < LEAST_SPAN_MM:
        return None
    with suppress(CoilbenchError):
        rate, high = curve.rate_between(low_mm, high_mm), curve.load_at(high_mm)
        if rate.rate_n_per_mm <= 0.0 or high.load_n <= 0.0:
            return None
        left_mm = high.load_n / rate.rate_n_per_mm
        u_mm = math.hypot(high.load_u_n, left_mm * rate.rate_u_n_per_mm) / rate.rate_n_per_mm
        return FoundHeight(high_mm + left_mm, u_mm)
    return None
