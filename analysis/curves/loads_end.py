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
    if not contradicts(length, ends, carried_mm):
        return None
    beyond_mm = length.height_mm - ends.height_mm
    known = shape_known(beyond_mm, carried_mm, ends.height_mm - curve.lowest_mm)
    return LengthContradicted(length, ends, known)


def shape_known(beyond_mm: float, carried_mm: float, way_mm: float) -> bool:
    """Tell whether no softer first part can be why loads run out below the free length.

    Args:
        beyond_mm: how far the free length lies above where the loads run out.
        carried_mm: how far above the highest reading the loads were carried on.
        way_mm: from the lowest reading to where they run out.
    """
    return beyond_mm < 0.0 or carried_mm <= NEAR_FREE_SHARE * way_mm


def contradicts(length: FoundHeight, ends: FoundHeight, carried_mm: float) -> bool:
    """Tell whether a free length and where loads run out can't both be right.

    Args:
        carried_mm: how far above the highest reading the loads were carried on.
    """
    beyond_mm = length.height_mm - ends.height_mm
    share = SOFT_SHARE if beyond_mm > 0.0 else HARD_SHARE
    allowed_mm = share * carried_mm + math.hypot(length.height_u_mm, ends.height_u_mm)
    return abs(beyond_mm) > max(allowed_mm, LEAST_SHARE * length.height_mm)


def line_ends(
    high: tuple[float, float, float], low: tuple[float, float, float]
) -> FoundHeight | None:
    """Return where the line through two readings has no load; None where they show none.

    Args:
        high, low: height, load, and its standard uncertainty (k = 1).
    """
    (high_mm, high_n, high_u_n), (low_mm, low_n, low_u_n) = high, low
    if high_mm - low_mm < LEAST_SPAN_MM or not 0.0 < high_n < low_n:
        return None
    rate = (low_n - high_n) / (high_mm - low_mm)
    left_mm = high_n / rate
    # left = high_n span / (low_n - high_n), and its derivatives (JCGM 100:2008, 5.1.2)
    by_high, by_low = (1.0 + left_mm / (high_mm - low_mm)) / rate, left_mm / (low_n - high_n)
    return FoundHeight(high_mm + left_mm, 2.0 * math.hypot(by_high * high_u_n, by_low * low_u_n))


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
