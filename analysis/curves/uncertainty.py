"""An uncertainty budget: what adds to the uncertainty of one load, and how much. Pure.

By the law of propagation (JCGM 100:2008, 5.1.2). One part is common to all springs of a bench,
the other is each spring's own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import fmean
from typing import Literal, NamedTuple

import msgspec

from coilbench.capture.calibration.statistics import coverage_factor

SHAPE_SOURCE: SourceKind = "shape_between"

# What an uncertainty comes from; the report has the words.
SourceKind = Literal[
    "load", "load_there", "height", "height_there", "load_in_proportion",  # as it came converted
    "load_stated", "reading_repeat",  # of points, too
    "scale_steps", "scale_repeat", "tare", "lever",  # a load read by hand
    "scale_assumed", "scale_masses", "scale_curve", "scale_bend",  # the scale's calibration
    "height_each_press", "height_of_stop", "give", "give_bend",  # a height read by hand
    "load_curve", "hidden_bend", "masses", "zero_not_read",  # the rig's load
    "gain_since", "resting_weight",  # its cell since it was calibrated, its cup
    "travel_curve", "travel_steps", "press_flex", "flex_not_measured",  # the rig's height
    "heights_moved",  # since its first spring was read
    "lag", "lag_not_known", "turn_friction", "shape_between", "branch_not_measured",
    "stroke_scatter", "stroke_noise", "stroke_repeat", "stroke_repeat_assumed",
    "installed_height", "shim_thickness",  # the height in the engine
    "rig_and_shape",  # of a spot where the curve bends
]  # fmt: skip


# It is not known whether springs have it in common: in a mean it counts as common, in a difference
# as each spring's own.
UNTOLD: tuple[SourceKind, ...] = ("load_stated", "heights_moved")
# Of points each reading has its own, so that more presses lessen it.
EACH_PRESS: tuple[SourceKind, ...] = ("scale_steps", "scale_repeat", "height_each_press")


class BudgetLine(msgspec.Struct, frozen=True):
    """One source of uncertainty; correlated inputs (a fit's coefficients) are one line together.

    Attributes:
        kind: A from repeats, B otherwise (JCGM 100:2008, 4.2 and 4.3).
        value: the input's standard uncertainty, k = 1, in `unit`: N, mm, s or 1 (a fraction).
        sensitivity: how the load moves with the input, N per unit; signed.
        degrees_of_freedom: infinite where the value is taken as known.
        shared: whether all springs of the rig have this error in common, so that a set's mean
            does not lessen it.
    """

    source: SourceKind
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


class Budget(msgspec.Struct, frozen=True):
    """All sources of one load; the lines are independent of each other."""

    lines: tuple[BudgetLine, ...]

    @property
    def combined_u_n(self) -> float:
        """Combined standard uncertainty, k = 1, N."""
        return math.hypot(*[line.sensitivity * line.value for line in self.lines])

    @property
    def effective_dof(self) -> float:
        """Effective degrees of freedom by Welch and Satterthwaite (JCGM 100:2008, G.4.1)."""
        return self._freedom(self.combined_u_n)

    def _freedom(self, total_n: float) -> float:
        if total_n == 0.0:
            return math.inf
        scarcity = math.fsum(
            (line.sensitivity * line.value / total_n) ** 4 / line.degrees_of_freedom
            for line in self.lines
            if line.degrees_of_freedom != math.inf
        )
        return math.inf if scarcity == 0.0 else 1.0 / scarcity

    @property
    def k(self) -> float:
        """Coverage factor for 95 %: 2, or Student's where the degrees of freedom are few."""
        return coverage_factor(self.effective_dof)

    @property
    def expanded_u_n(self) -> float:
        """Expanded uncertainty, 95 %, N."""
        total_n = self.combined_u_n
        return coverage_factor(self._freedom(total_n)) * total_n


def _type_a(values: Sequence[float], noises: Sequence[float]) -> float:
    """Standard uncertainty of a mean from the scatter of the values (JCGM 100:2008, 4.2.3).

    Never below what each value's own noise leaves in the mean: two repeats may agree by luck.

    Args:
        values: n repeats.
        noises: standard error of each, known from inside the repeat; zero where it is not.
    """
    count = len(values)
    inside = math.hypot(*noises) / count
    if count < 2:
        return inside
    mean = fmean(values)
    variance = math.fsum((value - mean) ** 2 for value in values) / (count - 1)
    return max(math.sqrt(variance / count), inside)


def scatter_lines(
    values: Sequence[float], noises: Sequence[float], noise_freedom: float = math.inf
) -> list[BudgetLine]:
    """Budget the strokes' own scatter, or where there is one alone, its noise.

    Args:
        values, noises: as in _type_a.
        noise_freedom: degrees of freedom behind one stroke's noise.
    """
    count, u = len(values), _type_a(values, noises)
    source: SourceKind = "stroke_scatter"
    freedom = count - 1.0
    if count < 2:
        source, freedom = "stroke_noise", noise_freedom
    return [BudgetLine(source, "A", u, "N", 1.0, freedom, shared=False)] if u > 0.0 else []


class Measured(NamedTuple):
    """One spring's load (N) or rate (N/mm), with expanded uncertainties, k = 2.

    Attributes:
        u: of the value.
        own_u: what remains of it when two springs of the same bench are compared: the scatter of
            its strokes and what else its budget does not call shared.
        untold_u: of own_u what may be common to all springs too.
        strokes_rule: whether what differs from press to press is most of it, so that more help.
    """

    value: float
    u: float
    own_u: float
    strokes_rule: bool
    untold_u: float = 0.0


def split(value: float, budget: Budget) -> Measured:
    """Split a load's or rate's expanded uncertainty into the spring's own part and the bench's."""
    own = Budget(tuple([line for line in budget.lines if not line.shared]))
    lessened = [line for line in own.lines if line.kind == "A" or line.source in EACH_PRESS]
    scatter = Budget(tuple(lessened)).combined_u_n
    u = budget.expanded_u_n
    strokes_rule = scatter > math.sqrt(0.5) * budget.combined_u_n
    untold = tuple([line for line in own.lines if line.source in UNTOLD])
    untold_u = min(Budget(untold).expanded_u_n, u) if untold else 0.0
    return Measured(value, u, min(own.expanded_u_n, u), strokes_rule, untold_u)


def common_u(measured: Measured) -> float:
    """The part of an expanded uncertainty that all springs of a bench share, or may."""
    return math.sqrt(max(measured.u**2 - measured.own_u**2, 0.0) + measured.untold_u**2)
