"""A check weight on the rig: pass or fail, the trend of such checks, overdue calibrations. Pure.

And how far the cell's zero went since the first look after a pause.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from itertools import pairwise

import msgspec
import numpy as np

from coilbench.capture.blocks import Finding
from coilbench.capture.calibration.checks import STANDARD_GRAVITY_M_S2
from coilbench.capture.calibration.known_points import ASSUMED_MASS_U_RELATIVE, Zero
from coilbench.capture.calibration.model import NewPart
from coilbench.capture.calibration.polynomial import (
    PolynomialFit,
    evaluate,
    hidden_departure,
    slope,
    value,
)
from coilbench.capture.calibration.regression import fit_polynomial
from coilbench.capture.calibration.statistics import student_factor
from coilbench.capture.errors import CoilbenchError

# Common practice, no source.
PAUSE_MIN = 120.0  # after a pause so long the rig is taken to have been off
APART_MIN = 2.0  # zeros nearer to each other show no pace
PACE_MIN = 10.0  # what a pace is told for
SETTLED_N = 0.2  # in PACE_MIN; less matters to no spring
_WRAP_MIN = 2**32 / 60e6  # of the rig's clock


class ZeroMove(msgspec.Struct, frozen=True):
    """A zero beside the first one.

    Attributes:
        minutes: since the first.
        moved_n: how much more load it is than the first.
    """

    minutes: float
    moved_n: float


class ZeroDrift(msgspec.Struct, frozen=True):
    """How the zero went since the first one after a pause.

    Attributes:
        minutes, moved_n: from the first zero to the last.
        u_n: expanded uncertainty (k = 2) of moved_n; 0 of a first look.
        pace_n: how far it goes in PACE_MIN, by the last two that are APART_MIN apart; None where
            there are none.
        pace_u_n: expanded uncertainty (k = 2) of that.
        running_min: since the rig's last start, by its own clock, as `running_min` reckons it; None
            where it does not tell.
    """

    minutes: float
    moved_n: float
    pace_n: float | None
    running_min: float | None = None
    u_n: float = 0.0
    pace_u_n: float = 0.0

    @property
    def settled(self) -> bool | None:
        """Whether it has come to rest; None where the looks cannot tell."""
        if self.pace_n is None or abs(abs(self.pace_n) - SETTLED_N) < self.pace_u_n:
            return None
        return abs(self.pace_n) <= SETTLED_N


def moves(zeros: Sequence[Zero], per_count_n: float) -> tuple[ZeroMove, ...]:
    """Return each zero beside the first one, oldest first."""
    return tuple(
        ZeroMove(
            days_between(zeros[0].read_utc, zero.read_utc) * 1440.0,
            (zero.counts - zeros[0].counts) * per_count_n,
        )
        for zero in zeros
    )


def running_min(clock_us: int, offered: int, rate_hz: float | None) -> float:
    """Return for how many minutes a rig has run since its last start, or fewer.

    Its 32-bit clock wraps each 71.6 min. How often it has is told by the samples offered since the
    start, so where the host had stopped them, wraps may be missed. What starts the board need not
    be its power-up: opening the port may, too, and the cell stays powered.

    Args:
        clock_us, offered: of the rig's newest tally.
        rate_hz: of its samples; None where it can't be told.
    """
    clock_min = clock_us % 2**32 / 60e6
    if rate_hz is None:
        return clock_min
    wraps = round((offered / rate_hz / 60.0 - clock_min) / _WRAP_MIN)
    return clock_min + max(wraps, 0) * _WRAP_MIN


def judge_zeros(
    zeros: Sequence[Zero],
    per_count_n: float,
    running_min: float | None = None,
    zero_u_n: float = 0.0,
) -> ZeroDrift | None:
    """Say how the zero goes; None where there is no zero.

    Args:
        zeros: of one rig at rest with the same things on it, oldest first, the last one just read.
        running_min: since the rig's last start. It was not off in that time, however long nobody
            looked.
        zero_u_n: standard uncertainty of one zero (k = 1), by noise; that of a difference of two
            is greater by the root of 2 (JCGM 100:2008, 5.1.2).
    """
    start = 0
    for at, (before, after) in enumerate(pairwise(zeros), 1):
        pause_min = days_between(before.read_utc, after.read_utc) * 1440.0
        age_min = days_between(before.read_utc, zeros[-1].read_utc) * 1440.0
        if pause_min > PAUSE_MIN and not age_min <= (running_min or 0.0):
            start = at
    run = moves(zeros[start:], per_count_n) if zeros else ()
    if not run:
        return None
    last = run[-1]
    earlier = [one for one in run if last.minutes - one.minutes >= APART_MIN]
    u_n = 2.0 * math.sqrt(2.0) * zero_u_n if len(run) > 1 else 0.0
    pace_n, pace_u_n = None, 0.0
    if earlier:
        since = earlier[-1]
        per_pace = PACE_MIN / (last.minutes - since.minutes)
        pace_n, pace_u_n = (last.moved_n - since.moved_n) * per_pace, u_n * per_pace
    return ZeroDrift(last.minutes, last.moved_n, pace_n, running_min, u_n, pace_u_n)


DEFAULT_TOLERANCE = 0.01  # common practice, no source: as ISO 7500-1's class 1 allows
LEAST_TREND_CHECKS = 3  # two always lie on a line
LEAST_TREND_DAYS = 1.0  # within a day it is scatter, not a trend
TREND_DAYS = 30.0  # what a trend is told for


class MassReading(msgspec.Struct, frozen=True):
    """What the cell said with nothing on it and with the check weight.

    Attributes:
        zero_counts, load_counts: means without and with it.
        load_sd_counts: standard deviation of one sample with it.
        samples: how many the mean was taken from.
    """

    mass_kg: float
    zero_counts: float
    load_counts: float
    load_sd_counts: float
    samples: int


class MassVerdict(msgspec.Struct, frozen=True):
    """A check weight judged.

    Attributes:
        expected_n: the weight's load by local gravity.
        error_n, error_u_n: the load read less that, and its expanded uncertainty, k = 2.
        tolerance_n: the largest error that passes.
    """

    mass_kg: float
    expected_n: float
    load_n: float
    error_n: float
    error_u_n: float
    tolerance_n: float

    @property
    def passed(self) -> bool:
        """Whether the error is within the tolerance."""
        return abs(self.error_n) <= self.tolerance_n

    @property
    def drifted(self) -> bool:
        """Whether the error exceeds the uncertainty of calibration and weight together."""
        return abs(self.error_n) > self.error_u_n


def gravity_of(load: NewPart) -> float:
    """Return the gravity, m/s2, a load was calibrated with: local, else standard."""
    return STANDARD_GRAVITY_M_S2 if load.gravity_m_s2 is None else load.gravity_m_s2


def judge_mass(
    fit: PolynomialFit,
    reading: MassReading,
    *,
    gravity_m_s2: float,
    mass_u_relative: float = ASSUMED_MASS_U_RELATIVE / 2.0,
    tolerance_n: float | None = None,
) -> MassVerdict:
    """Judge what a calibrated cell says of a check weight.

    The error's uncertainty: the curve between zero and reading with its coefficients correlated
    (JCGM 100:2008, 5.2.2) and a bend it may hide, the residuals' scatter, the mean's noise, and
    the weight.

    Args:
        mass_u_relative: the weight's standard uncertainty (k = 1), as a fraction.
        tolerance_n: the largest error that passes; None takes DEFAULT_TOLERANCE of the weight.

    Raises:
        CoilbenchError: a weight that is not above 0, one outside the calibrated range (which is
            never extended), or a cell that did not respond to it.
    """
    expected_n = reading.mass_kg * gravity_m_s2
    if not (math.isfinite(expected_n) and expected_n > 0.0):
        raise CoilbenchError(
            "a check weight of {mass_kg} checks nothing",
            hint="Use a heavier one",
            mass_kg=reading.mass_kg,
        )
    top_n = float(np.max(value(fit, [fit.x_min, fit.x_max])))
    if expected_n > 1.05 * top_n:
        raise CoilbenchError(
            "{mass_kg} is above what the cell was calibrated with, {top_n}",
            mass_kg=reading.mass_kg,
            top_n=top_n,
            hint="Check with a weight inside the range, or calibrate again with heavier masses",
        )
    moved = abs(reading.load_counts - reading.zero_counts)
    if moved < 10.0 * max(reading.load_sd_counts, 1.0):
        raise CoilbenchError(
            f"the cell did not respond to the weight: {moved:.0f} counts",
            hint="Check that it rests on the cell alone, and the cell's wires",
        )
    load_n, curve_u_n = evaluate(fit, reading.load_counts, minus_x=reading.zero_counts)
    per_count_n = abs(float(slope(fit, reading.load_counts)))
    u_n = math.hypot(
        float(curve_u_n),
        float(hidden_departure(fit, reading.load_counts, minus_x=reading.zero_counts)),
        fit.residual_sd,
        per_count_n * reading.load_sd_counts / math.sqrt(reading.samples),
        mass_u_relative * expected_n,
    )
    allowed_n = DEFAULT_TOLERANCE * expected_n if tolerance_n is None else tolerance_n
    read_n = float(load_n)
    error_n = read_n - expected_n
    return MassVerdict(reading.mass_kg, expected_n, read_n, error_n, 2.0 * u_n, allowed_n)


class PastCheck(msgspec.Struct, frozen=True):
    """A stored check, as the trend and the warnings see it; made_utc in ISO 8601."""

    made_utc: str
    mass_kg: float
    gravity_m_s2: float
    error_n: float
    error_u_n: float
    tolerance_n: float
    passed: bool

    @property
    def percent_per_n(self) -> float:
        """What a newton is of the weight's load, per cent."""
        return 100.0 / (self.mass_kg * self.gravity_m_s2)


class Trend(msgspec.Struct, frozen=True):
    """How the relative error goes with time.

    Attributes:
        percent_per_30_days: a straight line's slope.
        u_percent_per_30_days: its expanded uncertainty, 95 % (Student's t).
        checks: how many it is drawn through.
    """

    percent_per_30_days: float
    u_percent_per_30_days: float
    checks: int

    @property
    def drifts(self) -> bool:
        """Whether the trend is more than its uncertainty."""
        return abs(self.percent_per_30_days) > self.u_percent_per_30_days

    @classmethod
    def of(cls, checks: Sequence[PastCheck]) -> Trend | None:
        """Return the trend of checks of one calibration; None where they are too few or too near.

        An unweighted straight line of the relative error over time.
        """
        if len(checks) < LEAST_TREND_CHECKS:
            return None
        days = [days_between(checks[0].made_utc, check.made_utc) for check in checks]
        if np.ptp(days) < LEAST_TREND_DAYS:
            return None
        fit = fit_polynomial(days, [check.error_n * check.percent_per_n for check in checks], 1)
        u = math.sqrt(fit.covariance[1][1]) * student_factor(len(checks) - 2)
        return cls(fit.coefficients[1] * TREND_DAYS, u * TREND_DAYS, len(checks))


def days_between(earlier_utc: str, later_utc: str) -> float:
    """Return the days from one moment to another, ISO 8601 each."""
    step = datetime.fromisoformat(later_utc) - datetime.fromisoformat(earlier_utc)
    return step.total_seconds() / 86400.0


def warnings(
    load_made_utc: str,
    checks: Sequence[PastCheck],
    now_utc: str,
    good_for_days: float,
) -> tuple[Finding, ...]:
    """Return the warnings on a calibration: a failed check, an old one, its age.

    Args:
        checks: those made with that calibration, oldest first.
        good_for_days: how long a calibration or a check is valid.
    """
    found = []
    check_age_days, last = None, "never"
    if checks:
        newest = checks[-1]
        check_age_days = days_between(newest.made_utc, now_utc)
        last = "old" if check_age_days > good_for_days else "passed"
        if not newest.passed:
            last = "failed"
            facts = {
                "made_utc": newest.made_utc,
                "mass_kg": newest.mass_kg,
                "error_percent": newest.error_n * newest.percent_per_n,
                "allowed_percent": newest.tolerance_n * newest.percent_per_n,
            }
            found.append(Finding("check_failed", facts))
    age_days = days_between(load_made_utc, now_utc)
    if age_days > good_for_days:
        facts = {
            "age_days": age_days,
            "limit_days": good_for_days,
            "last_check": last,
            "check_age_days": check_age_days,
        }
        found.append(Finding("calibration_old", facts))
    return tuple(found)
