"""How far a calibration's gain may have gone by a stroke, by the checks that the book has."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from functools import cache
from typing import NamedTuple

from coilbench.capture.book.calibrations import find_calibration, mass_checks
from coilbench.capture.book.connection import Database
from coilbench.capture.calibration.polynomial import value

LEAST_CHECKS = 3  # fewer show no size
# Common practice, no source: cups, spring and yoke weigh less; farther off, the cell has changed.
NEAR_ZERO_N = 20.0

DAY_S = 86400.0


class Gains:
    """What the checks of each calibration show, worked out once."""

    def __init__(self, db: Database) -> None:
        @cache
        def of(calibration_id: str) -> tuple[str, tuple[GainCheck, ...]]:
            load = find_calibration(db, calibration_id).load
            checks = []
            for record in mass_checks(db, load.part_id):
                one = record.check
                expected_n = one.mass_kg * one.gravity_m_s2
                checks.append(
                    GainCheck(
                        _days(load.made_utc, record.made_utc),
                        float(value(load.fit, one.zero_counts)),
                        one.error_n / expected_n,
                        0.5 * one.error_u_n / expected_n,
                    )
                )
            return load.made_utc, tuple(checks)

        self._of = of

    def u_relative(self, calibration_id: str, stroke_utc: str, zero_n: float) -> float:
        """Return the gain's standard uncertainty (k = 1) at a stroke, as a fraction."""
        made_utc, checks = self._of(calibration_id)
        return gain_u_relative(checks, _days(made_utc, stroke_utc), zero_n)


def _days(earlier_utc: str, later_utc: str) -> float:
    step = datetime.fromisoformat(later_utc) - datetime.fromisoformat(earlier_utc)
    return step.total_seconds() / DAY_S


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
