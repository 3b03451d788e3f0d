"""Where the coils touched in a press that went too far: a height between two others. Pure.

Loads of such a press do not count; the height at which the spring became many times as stiff is
known all the same, as far as the lag, which nobody knows yet, lets tell. Thresholds are ours, no
source.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from coilbench.capture.calibration.lag import Press, typical_delay_s
from coilbench.capture.calibration.statistics import median

LAGS = (0.0, 1.0, 2.0)  # of the typical one
TREND = (0.15, 0.6)  # share of the pressed way, from the bottom, that shows the spring's own course
TOUCH_N = 8.0
LEAVES_N, LEAVES_SHARE = 10.0, 0.03  # so far above its own course the coils begin to touch
BOUND_N, BOUND_SHARE = 40.0, 0.1  # and so far they surely do
FEWEST = 12  # points of the way down that show the course
BEYOND_MM = 0.1  # a wall may not be reached at the lowest height: coils close one by one


class SeenSolid(NamedTuple):
    """A solid height, and its standard uncertainty (k = 1), mm."""

    height_mm: float
    u_mm: float


def solid_seen(press: Press, height_u_mm: float) -> SeenSolid | None:
    """Return the solid height that a press into bind shows; None where it shows none.

    It lies between where the load leaves the spring's own course and the lowest height, anywhere
    there as likely as elsewhere (JCGM 100:2008, 4.3.7), whatever the lag.

    Args:
        height_u_mm: standard uncertainty (k = 1) of a height.
    """
    bounds = [_between(press, times) for times in LAGS]
    found = [one for one in bounds if one is not None]
    if len(found) < len(LAGS):
        return None
    low_mm = min(low for low, _ in found) - BEYOND_MM
    high_mm = max(high for _, high in found)
    u_mm = math.hypot((high_mm - low_mm) / math.sqrt(12.0), height_u_mm)
    return SeenSolid(0.5 * (low_mm + high_mm), u_mm)


def _between(press: Press, times: float) -> tuple[float, float] | None:
    """Return the lowest height, and that where the load leaves its course, with so much lag."""
    t_s, read_mm = press.t_s, press.travel_mm + press.flex_mm
    if t_s.size < FEWEST:
        return None
    late_s = times * typical_delay_s(median(t_s[1:] - t_s[:-1]))
    height_mm = np.interp(t_s - late_s, t_s, read_mm)
    end = int(np.argmax(press.load_n)) + 1
    load_n = press.load_n[:end][::-1]
    height_mm = np.minimum.accumulate(height_mm[:end])[::-1]  # ascending
    touched = height_mm[load_n > TOUCH_N]
    if not touched.size:
        return None
    low_mm, way_mm = float(height_mm[0]), float(touched.max() - height_mm[0])
    share = (height_mm - low_mm) / max(way_mm, 1e-9)
    course = (share > TREND[0]) & (share < TREND[1])
    if np.count_nonzero(course) < FEWEST or np.ptp(height_mm[course]) <= 0.0:
        return None
    middle_mm = float(height_mm[course].mean())
    trend = np.polyfit(height_mm[course] - middle_mm, load_n[course], 2)
    own_n = np.polyval(trend, height_mm - middle_mm)
    over_n = load_n - own_n
    if over_n[0] < max(BOUND_N, BOUND_SHARE * float(own_n[0])):
        return None
    own = np.flatnonzero(
        (over_n <= np.maximum(LEAVES_N, LEAVES_SHARE * own_n)) & (share < TREND[1])
    )
    return None if not own.size else (low_mm, float(height_mm[own[0]]))
