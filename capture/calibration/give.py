"""How far scale and press give under the load, from presses on a solid block. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from coilbench.capture.calibration.keyed_setup import Give

# k = 1, of the give, at any load: one press alone cannot show whether it is in proportion to the
# load. Our assumption, no source.
UNPROVEN_SHARE = 0.1


class GivePoint(NamedTuple):
    """How far the quill moved from the touch of a solid block to a load on it."""

    give_mm: float
    load_n: float


def fit_give(points: Sequence[GivePoint], step_mm: float) -> Give:
    """Fit a line through no load to presses on a solid block, by least squares.

    Each point is the difference of two readings of the quill, rectangular within its steps (GUM
    F.2.2.1). The largest departure from the line is taken as the limit of a rectangular one.

    Args:
        step_mm: the quill's smallest step.

    Raises:
        CoilbenchError: an impossible give, or at no load to speak of.
    """
    for point in points:
        Give(*point).refuse_impossible()
    squares_n2 = math.fsum(point.load_n**2 for point in points)
    mm_per_n = math.fsum(point.give_mm * point.load_n for point in points) / squares_n2
    most_n = max(point.load_n for point in points)
    read_u_mm = math.sqrt(2.0) * step_mm / math.sqrt(12.0)
    off_mm = max(abs(point.give_mm - mm_per_n * point.load_n) for point in points)
    one = len({point.load_n for point in points}) == 1
    bend_u_mm = max(off_mm / math.sqrt(3.0), UNPROVEN_SHARE * mm_per_n * most_n if one else 0.0)
    slope_u_mm = read_u_mm * most_n / math.sqrt(squares_n2)
    return Give(mm_per_n * most_n, most_n, slope_u_mm, bend_u_mm)
