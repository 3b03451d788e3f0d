"""How a cell's zero and gain wander: its zeros, and its checks with a weight. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

LEAST_CHECKS = 3  # fewer show no size
# Common practice, no source: cups, spring and yoke weigh less; farther off, the cell has changed.
NEAR_ZERO_N = 20.0


class Zero(NamedTuple):
    """Load counts with nothing pressed; read_utc in ISO 8601."""

    read_utc: str
    counts: float


class GainCheck(NamedTuple):
    """A check weight on one calibration.

    Attributes:
        age_days: of the calibration then.
        zero_n: the zero's distance from the calibration's, as a load.
        error, u: relative error and its standard uncertainty, k = 1.
    """

    age_days: float
    zero_n: float
    error: float
    u: float


def gain_u_relative(checks: Sequence[GainCheck], age_days: float, zero_n: float) -> float:
    """Return the standard uncertainty (k = 1) of the gain at a stroke, as a fraction.

    The checks' errors beyond what calibration and weight leave uncertain, root mean square: what
    the gain wanders. For a stroke older than every check it grows as a random walk, with the root
    of the age; for one whose zero went farther, in proportion to that. 0 with fewer than
    LEAST_CHECKS, or where the checks show no more than their own uncertainty.

    Args:
        age_days, zero_n: of the calibration at the stroke, and of the stroke's zero, as in
            GainCheck.
    """
    if len(checks) < LEAST_CHECKS:
        return 0.0
    seen = sum(check.error**2 - check.u**2 for check in checks) / len(checks)
    if seen <= 0.0:
        return 0.0
    oldest_days = max(check.age_days for check in checks)
    farthest_n = max(NEAR_ZERO_N, *(abs(check.zero_n) for check in checks))
    older = age_days / oldest_days if oldest_days > 0.0 else 1.0
    return math.sqrt(seen * max(older, 1.0)) * max(abs(zero_n) / farthest_n, 1.0)
