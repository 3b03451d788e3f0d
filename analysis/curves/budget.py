"""An uncertainty budget: what adds to the uncertainty of one load, and how much. Pure.

By the law of propagation (JCGM 100:2008, 5.1.2), with effective degrees of freedom by Welch and
Satterthwaite (G.4) and Student's factor for 95 % (G.3).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from scipy.special import stdtrit

COVERAGE_K = 2.0  # where the degrees of freedom are many: 95.45 % of a normal law, rounded
UPPER = 0.975  # a two-sided 95 % interval
MANY = 60.0  # degrees of freedom from which Student's factor is below 2.0; k stays 2 from there


@dataclass(frozen=True)
class BudgetLine:
    """One source of uncertainty; correlated inputs (a fit's coefficients) are one line together.

    Attributes:
        source: what it is, in words.
        kind: A from repeats, B otherwise (JCGM 100:2008, 4.2 and 4.3).
        value: the input's standard uncertainty, k = 1, in `unit`.
        unit: of the value: N, mm, s or 1 (a fraction).
        sensitivity: how the load moves with the input, N per unit; signed.
        degrees_of_freedom: infinite where the value is taken as known.
        shared: whether all springs of the rig have this error in common, so that a set's mean
            does not lessen it.
    """

    source: str
    kind: Literal["A", "B"]
    value: float
    unit: str
    sensitivity: float
    degrees_of_freedom: float = math.inf
    shared: bool = True

    @property
    def signed_n(self) -> float:
        """How the load moves as the input moves by its standard uncertainty, N."""
        return self.sensitivity * self.value

    @property
    def contribution_n(self) -> float:
        """Its part in the load's standard uncertainty, k = 1, N."""
        return abs(self.signed_n)


@dataclass(frozen=True)
class Budget:
    """All sources of one load; the lines are independent of each other."""

    lines: tuple[BudgetLine, ...]

    @property
    def combined_u_n(self) -> float:
        """Combined standard uncertainty, k = 1, N."""
        return root_sum_squares(self.lines)

    @property
    def own_u_n(self) -> float:
        """The part that springs of one rig do not share, k = 1, N."""
        return root_sum_squares([line for line in self.lines if not line.shared])

    @property
    def effective_dof(self) -> float:
        """Effective degrees of freedom by Welch and Satterthwaite (JCGM 100:2008, G.4.1)."""
        total = self.combined_u_n
        if total == 0.0:
            return math.inf
        parts = (
            (line.contribution_n / total) ** 4 / line.degrees_of_freedom for line in self.lines
        )
        scarcity = math.fsum(parts)
        return math.inf if scarcity == 0.0 else 1.0 / scarcity

    @property
    def k(self) -> float:
        """Coverage factor for 95 %: 2, or Student's where the degrees of freedom are few."""
        return coverage_factor(self.effective_dof)

    @property
    def expanded_u_n(self) -> float:
        """Expanded uncertainty, 95 %, N."""
        return self.k * self.combined_u_n


def root_sum_squares(lines: Sequence[BudgetLine]) -> float:
    """Add the lines' contributions as squares."""
    return math.hypot(*(line.contribution_n for line in lines))


def coverage_factor(degrees_of_freedom: float) -> float:
    """Return Student's factor for 95 %, at least 2 (JCGM 100:2008, G.3.2 and table G.2)."""
    if degrees_of_freedom >= MANY:
        return COVERAGE_K
    return max(COVERAGE_K, float(stdtrit(degrees_of_freedom, UPPER)))
