"""How far the cell's zero went since the first look after a pause, and how it goes. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from coilbench.analysis.rig.check import days_between
from coilbench.capture.calibration.known_points import Zero

# Common practice, no source.
PAUSE_MIN = 120.0  # after a pause so long the rig is taken to have been off
APART_MIN = 2.0  # zeros nearer to each other show no pace
PACE_MIN = 10.0  # what a pace is told for
SETTLED_N = 0.2  # in PACE_MIN; less matters to no spring
_WRAP_MIN = 2**32 / 60e6  # of the rig's clock


@dataclass(frozen=True)
class ZeroMove:
    """A zero beside the first one.

    Attributes:
        minutes: since the first.
        moved_n: how much more load it is than the first.
    """

    minutes: float
    moved_n: float


@dataclass(frozen=True)
class ZeroDrift:
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
