"""How far a calibration's gain may have gone by a stroke, by the checks that the book has."""

from __future__ import annotations

from datetime import datetime
from functools import cache

from sqlite_utils import Database

from coilbench.capture.book.calibrations import find_calibration, mass_checks
from coilbench.capture.calibration.polynomial import value
from coilbench.capture.calibration.wandering import GainCheck, gain_u_relative

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
