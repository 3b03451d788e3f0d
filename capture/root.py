"""Where a function crosses zero between two places. Pure.

Our own since scipy.optimize takes longer to load than the whole answer takes to work out; the tests
hold it to SciPy's.
"""

from __future__ import annotations

from collections.abc import Callable


def root_between(
    function: Callable[[float], float], low: float, high: float, tolerance: float
) -> float:
    """Return a root, to the tolerance, of a function of different signs at both ends, or 0 at one.

    By the Illinois method: secants, of which the end that stays counts for half of its height each
    time (Dowell and Jarratt, BIT 11, 1971, from memory).
    """
    other, latest = low, high
    at_other, at_latest = function(low), function(high)
    while at_latest != 0.0 and abs(latest - other) > tolerance:
        between = latest - at_latest * (latest - other) / (at_latest - at_other)
        at_between = function(between)
        if at_between * at_latest < 0.0:
            other, at_other = latest, at_latest
        else:
            at_other *= 0.5
        latest, at_latest = between, at_between
    return latest
