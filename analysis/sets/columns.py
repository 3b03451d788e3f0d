"""One column of a set: its loads at a height, or its rates, read alike and compared.

Friction makes the way down read higher than the mean of both ways: where a spring has one way
alone, all are compared by that way. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress

import msgspec
import numpy as np
from msgspec.structs import replace

from coilbench.analysis.curves.curve import BranchChoice, SpringCurve
from coilbench.analysis.curves.sweep_fit import Side, Way
from coilbench.analysis.curves.uncertainty import Measured, common_u
from coilbench.analysis.sets.outliers import Esd
from coilbench.analysis.sets.rulings import (
    ROUNDING,
    Outcome,
    Ruling,
    Target,
)
from coilbench.capture.calibration.statistics import ROBUST_SD_PER_MAD, median
from coilbench.capture.errors import CoilbenchError

Sided = tuple[Measured, Side] | None  # what was read, and of which ways; None: not measured
Read = Callable[[SpringCurve], Sided]
WAYS: tuple[Way, ...] = ("loading", "unloading")  # of as many springs, the first is taken

# Of the tolerance: nearer to the middle, no outlier is a finding; ours, no source.
OUTLIER_LEAST_SHARE = 0.5


FEWEST_FOR_MIDDLE = 3  # below this a set has no middle to be away from; ours, no source


class Alike(msgspec.Struct, frozen=True):
    """All springs' loads at one height, or their rates; None where a spring was not measured.

    Attributes:
        measured: as read, of the mean of both ways where a spring has both.
        compared: of one way for all; where all have the same ways, as measured.
        way: that one; None where all have the same ways.
    """

    measured: tuple[Measured | None, ...]
    compared: tuple[Measured | None, ...]
    way: Way | None = None

    @classmethod
    def of(cls, curves: Sequence[SpringCurve], read: Read) -> Alike:
        """Read each curve, and where they were not pressed the same ways, all by one way again.

        That way is the one that most springs have.
        """
        each = [read(curve) for curve in curves]
        measured = tuple(None if one is None else one[0] for one in each)
        if len({one[1] for one in each if one is not None}) <= 1:
            return cls(measured, measured)
        by_way = {way: tuple(_by(curve, way, read) for curve in curves) for way in WAYS}
        way = max(WAYS, key=lambda one: sum(value is not None for value in by_way[one]))
        return cls(measured, by_way[way], way)


def _by(curve: SpringCurve, way: Way, read: Read) -> Measured | None:
    branch: BranchChoice = way
    with suppress(CoilbenchError):  # the whole curve has nothing of that way
        found = read(replace(curve, branch=branch))
        return None if found is None else found[0]
    return None


class Centre(msgspec.Struct, frozen=True):
    """Where the values of a set's measured springs lie; loads in N, rates in N/mm.

    Attributes:
        spread: sample standard deviation (n - 1); None for one spring.
        robust_spread: median absolute deviation from the median, as a normal distribution's
            standard deviation: a few tired springs don't move it; None for one spring.
        mean_u: expanded uncertainty (k = 2) of the mean of these springs: their own parts
            average out, the bench's common errors don't.
    """

    mean: float
    median: float
    spread: float | None
    robust_spread: float | None
    mean_u: float
    springs: int

    @classmethod
    def of(cls, known: Sequence[Measured]) -> Centre:
        """Where one or more values of one bench lie."""
        values = np.array([one.value for one in known])
        middle, several = median(values), len(known) > 1
        robust = ROBUST_SD_PER_MAD * median(np.abs(values - middle))
        own_u = math.hypot(*(one.own_u for one in known)) / len(known)
        shared_u = math.fsum(common_u(one) for one in known) / len(known)
        return cls(
            math.fsum(values) / len(known),
            middle,
            float(np.std(values, ddof=1)) if several else None,
            robust if several else None,
            math.hypot(own_u, shared_u),
            len(known),
        )


class Column(msgspec.Struct, frozen=True):
    """All springs' loads at one height, or their rates.

    Attributes:
        height_mm: where; None for the rate.
        read: one a spring, and what of it is compared.
        centre: where those lie that are compared; None where there is none.
        outliers: the outlier test on those that are compared; None where they are too few.
    """

    height_mm: float | None
    read: Alike
    centre: Centre | None
    outliers: Esd | None

    @classmethod
    def of(cls, height_mm: float | None, read: Alike, alpha: float) -> Column:
        """Find the centre, and which springs stand apart.

        Args:
            height_mm, read: as the column has them.
            alpha: how often a sound set's column may raise a false alarm.
        """
        known = [one for one in read.compared if one is not None]
        if not known:
            return cls(height_mm, read, None, None)
        least_sd = median(np.array([one.own_u for one in known])) / 2.0
        esd = Esd.of([one.value for one in known], alpha, least_sd)
        return cls(height_mm, read, Centre.of(known), esd)

    @property
    def measured(self) -> tuple[Measured | None, ...]:
        """One a spring; None where it was not measured."""
        return self.read.measured

    @property
    def middle(self) -> float | None:
        """The median; None where the springs are too few to have a middle."""
        if self.centre is None or self.centre.springs < FEWEST_FOR_MIDDLE:
            return None
        return self.centre.median

    def _away_u(self, measured: Measured) -> float:
        """Expanded uncertainty of a spring's distance from the middle.

        Both sides have the bench's common errors, so the springs' own parts are left: this one's,
        and the median's, whose variance is pi/(2n) times a value's (normal values, n large).
        """
        own = [one.own_u for one in self.read.compared if one is not None]
        middle_u = median(np.array(own)) * math.sqrt(0.5 * math.pi / len(own))
        return math.hypot(measured.own_u, middle_u)

    def _outlier_ruling(self, spring: str, at: int, away: float, tolerance: float) -> Ruling | None:
        """Judge whether a load or rate stands apart from the others, tolerance or not.

        One that does is weak or stiff if it is also at least OUTLIER_LEAST_SHARE of the tolerance
        away from the middle (else `near`): a set may be so close that a harmless difference stands
        out. None where the springs are too few.
        """
        if self.outliers is None:
            return None
        facts = self.outliers.distance(sum(one is not None for one in self.read.compared[:at]))
        near = abs(away) <= OUTLIER_LEAST_SHARE * tolerance * (1.0 + ROUNDING)
        outcome: Outcome = "weak" if away < 0.0 else "stiff"
        outcome = "pass" if near or not facts["apart"] else outcome
        times = facts["statistic"] / facts["limit"] if facts["apart"] else 0.0
        facts |= {"near": near, "apart_within": near and facts["apart"]}
        return Ruling("set_outlier", spring, self.height_mm, outcome, times, facts)

    def rulings(
        self, spring: str, at: int, tolerance: float, nominal: Target | None
    ) -> Iterator[Ruling]:
        """Judge spring number `at` against a nominal, the set's middle and the other springs.

        The tolerance is the allowed deviation as a fraction of the middle.
        """
        measured, compared, middle = self.measured[at], self.read.compared[at], self.middle
        if measured is None:
            return
        if nominal is not None:
            yield nominal.judge(spring, measured, self.height_mm, measured.u)
        if middle is None:
            return
        if compared is None:
            facts = {"way": self.read.way}
            flagged = self.height_mm is not None
            yield Ruling("one_way", spring, self.height_mm, "unsure", math.inf, facts, flagged)
            return
        target = Target("set_tolerance", middle, tolerance * abs(middle))
        judged = target.judge(spring, compared, self.height_mm, self._away_u(compared))
        way = {} if self.read.way is None else {"way": self.read.way}
        yield replace(judged, facts={**judged.facts, **way})
        away = compared.value - middle
        # one way of a fast stroke has the lag in its uncertainty, chosen heights have none
        if self.read.way is not None and abs(away) <= self._away_u(compared):
            return
        ruling = self._outlier_ruling(spring, at, away, target.tolerance)
        if ruling is not None:
            yield ruling
