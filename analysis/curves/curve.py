"""A spring's curve: the load at any measured height, and the rate, each with its uncertainty. Pure.

Each load carries notes on how it was measured.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np

from coilbench.analysis.curves.load_budget import budget_lines
from coilbench.analysis.curves.sweep_fit import Array, Look, Side, SweepFit
from coilbench.analysis.curves.uncertainty import Budget, BudgetLine, scatter_lines
from coilbench.capture.errors import CoilbenchError

NoteKind = Literal[
    "fast strokes left out",
    "all strokes too fast",
    "lag unknown",
    "flex unknown",
    "beyond masses",
    "beyond gauges",
    "zero unknown",
    "one branch",
    "no rate",
]


@dataclass(frozen=True)
class CurveNote:
    """What the reader of a load should know because of how it was measured.

    Attributes:
        strokes: left out, being too fast.
        side: the one branch that was measured.
        load_n, height_mm: the calibration's largest load or lowest height.
        u: expanded uncertainty (k = 2) of what is unknown: lag s, flex mm/N, zero N.
        delay_s: the typical delay that was undone.
    """

    kind: NoteKind
    strokes: int | None = None
    side: Side | None = None
    load_n: float | None = None
    height_mm: float | None = None
    u: float | None = None
    delay_s: float | None = None


BranchChoice = Literal["mean", "loading", "unloading"]
SIDES: dict[BranchChoice, tuple[Side, ...]] = {
    "mean": ("both", "loading", "unloading"),
    "loading": ("loading",),
    "unloading": ("unloading",),
}

RATE_WINDOW = (0.3, 0.7)  # share of the deflection; EN 13906-1's window, from memory
LEAST_SPAN_MM = 1e-3  # heights nearer than this are the same height


@dataclass(frozen=True)
class NotMeasured:
    """A height outside what was measured; with the load to which the flex is known, if that is why.

    Attributes:
        lowest_mm, highest_mm: between which the spring was measured.
    """

    spring: str
    height_mm: float
    lowest_mm: float
    highest_mm: float
    reach_n: float | None


class HeightNotMeasured(CoilbenchError):
    """The height lies outside what was measured; a curve is never extended."""

    def __init__(self, finding: NotMeasured) -> None:
        self.finding = finding
        if finding.reach_n is not None:
            super().__init__(
                "spring {spring} at {height_mm} pushes more than the {reach_n} to which the "
                "press's flex is known",
                hint="Press a solid block as hard as the springs: coilbench rig flex",
                **vars(finding),
            )
            return
        super().__init__(
            "spring {spring} was measured from {lowest_mm} to {highest_mm}, not at {height_mm}",
            hint="Ask for a height that was measured, or measure the spring there",
            **vars(finding),
        )


@dataclass(frozen=True)
class Reading:
    """The load at a height, what its uncertainty is made of, and what the reader should know.

    The slope is the rate there, N/mm; 0 where none is known, and a note says so.
    """

    height_mm: float
    load_n: float
    budget: Budget
    notes: tuple[CurveNote, ...] = ()
    slope_n_per_mm: float = 0.0

    def at_unsure_height(self, errors: Iterable[tuple[str, float]]) -> Reading:
        """Return it for a height that is itself unsure: more lines in its budget, rate x u.

        Args:
            errors: of each its source and its expanded uncertainty, k = 2, mm. All springs on
                one bench are taken to share them: what stands on one seat errs together.
        """
        lines = (
            BudgetLine(source, "B", u_mm / 2.0, "mm", self.slope_n_per_mm)
            for source, u_mm in errors
        )
        return replace(self, budget=Budget((*self.budget.lines, *lines)))

    @property
    def load_u_n(self) -> float:
        """Expanded uncertainty, 95 %: k = 2, more where the scatter of few strokes rules."""
        return self.budget.expanded_u_n


class Rate(NamedTuple):
    """A rate and its expanded uncertainty, 95 %.

    The budget's loads are those of the difference over the span: N/mm where it says N.
    """

    rate_n_per_mm: float
    rate_u_n_per_mm: float
    budget: Budget = Budget(())


class FoundHeight(NamedTuple):
    """A height and its expanded uncertainty, 95 %."""

    height_mm: float
    height_u_mm: float


@dataclass(frozen=True)
class SpringCurve:
    """What one spring pushes at any height that was measured.

    Attributes:
        branch: which branch a load is read from; `mean` is the mean of both where both were
            measured at that height, else the one there is.
        sweeps: one entry a sweep that was measured, at least one.
        joined: all sweeps of chosen points as one, where there are several: a spring whose
            readings were noted one at a time is read between them.
        free_length_mm: from first contact of the dense sweeps, else as given, else None.
        free_length_u_mm: its expanded uncertainty, k = 2.
        solid_height_mm: as given, else from coil bind in the dense sweeps, else None.
        contact, bind: first contact and coil bind as the dense sweeps show them; None where they
            do not.
        notes: what holds for every load read from it.
    """

    label: str
    branch: BranchChoice
    sweeps: tuple[SweepFit, ...]
    joined: SweepFit | None
    free_length_mm: float | None
    free_length_u_mm: float | None
    solid_height_mm: float | None
    notes: tuple[CurveNote, ...] = ()
    contact: FoundHeight | None = None
    bind: FoundHeight | None = None

    def __post_init__(self) -> None:
        if not self._ends_mm:
            side = "" if self.branch == "mean" else f" of its {self.branch} branch"
            raise CoilbenchError(
                f"spring {self.label} has no reading{side}",
                hint="Measure the spring, then ask again",
            )

    @property
    def lowest_mm(self) -> float:
        """Lowest height measured."""
        return min(lowest_mm for lowest_mm, _ in self._ends_mm)

    @property
    def highest_mm(self) -> float:
        """Highest height measured."""
        return max(highest_mm for _, highest_mm in self._ends_mm)

    @property
    def _ends_mm(self) -> list[tuple[float, float]]:
        """Between which heights every branch was measured that a load may be read from."""
        side = SIDES[self.branch][0]
        fits = [fit for sweep in self.sweeps for fit in sweep.fits(side) if fit is not None]
        return [(fit.lowest_mm, fit.highest_mm) for fit in fits]

    def load_at(self, height_mm: float) -> Reading:
        """Read the load at a height.

        Combines, by the law of propagation, what budget_lines gives for the rig with the
        scatter of the strokes (s/sqrt(n), with Student's t where they are few) or one stroke's
        own noise. Several strokes on one bench share its errors, which averaging does not reduce.

        Raises:
            HeightNotMeasured: the height is outside the measured range, or the load there is
                beyond that to which the press's flex was measured.
        """
        side, looks = self._best_looks(height_mm)
        load = _mean(look.load_n for look in looks)
        slope = self._slope_at(side, looks, height_mm, load)
        notes = list(self.notes)
        if self.branch == "mean" and side != "both":
            notes.append(CurveNote("one branch", side=side))
        if slope is None:
            notes.append(CurveNote("no rate"))
            slope = 0.0
        if any(look.slope_n_per_mm == 0.0 for look in looks):
            looks = [look._replace(slope_n_per_mm=slope) for look in looks]
        lines = budget_lines((1.0 / len(looks), look) for look in looks)
        noises = [math.hypot(look.se_n, look.sweep.zero_u_n) for look in looks]
        lines += scatter_lines([look.load_n for look in looks], noises)
        return Reading(height_mm, load, Budget(tuple(lines)), tuple(notes), slope)

    def load_n_at(self, height_mm: float) -> float:
        """Read the load alone, as load_at does, for plots and shapes.

        Raises:
            HeightNotMeasured: as load_at.
        """
        return _mean(look.load_n for look in self._best_looks(height_mm)[1])

    def rate_between(self, height_a_mm: float, height_b_mm: float) -> Rate:
        """Rate from the loads at two heights, in either order, of the same branch at both.

        What is common to both loads (a zero, a datum, a part of every coefficient) leaves their
        difference.

        Raises:
            HeightNotMeasured: a height is outside the measured range.
            CoilbenchError: both heights are the same.
        """
        span = abs(height_a_mm - height_b_mm)
        if span < LEAST_SPAN_MM:
            raise CoilbenchError(
                f"spring {self.label}: a rate needs two heights, not {height_a_mm:.2f} mm twice"
            )
        pairs = self._paired_looks(*sorted((height_a_mm, height_b_mm)))
        weight = 1.0 / (len(pairs) * span)
        weighted = [(weight, low) for low, _ in pairs] + [(-weight, high) for _, high in pairs]
        rates = [(low.load_n - high.load_n) / span for low, high in pairs]
        noises = [math.hypot(low.se_n, high.se_n) / span for low, high in pairs]
        budget = Budget((*budget_lines(weighted), *scatter_lines(rates, noises)))
        return Rate(_mean(rates), budget.expanded_u_n, budget)

    def window_mm(self, shares: tuple[float, float] = RATE_WINDOW) -> tuple[float, float] | None:
        """Heights between two shares of the deflection, the higher one first.

        From free length to solid, else to the lowest height measured; None where the free length
        is not known or the window was not measured whole.
        """
        if self.free_length_mm is None:
            return None
        low = self.lowest_mm
        bottom = low if self.solid_height_mm is None else self.solid_height_mm
        deflection = self.free_length_mm - bottom
        top, end = (self.free_length_mm - share * deflection for share in shares)
        return (top, end) if low <= end < top <= self.highest_mm else None

    @property
    def rate(self) -> Rate | None:
        """Rate between the ends of RATE_WINDOW.

        Between the highest and the lowest height measured where that is not known; None where
        only one height was measured.
        """
        high, low = self.window_mm() or (self.highest_mm, self.lowest_mm)
        return self.rate_between(low, high) if high - low >= LEAST_SPAN_MM else None

    def sampled(self, n: int) -> tuple[Array, Array]:
        """Heights and loads for a plot, ascending, shape (m,) each; m < n where there are gaps."""
        heights, loads = [], []
        for height in np.linspace(self.lowest_mm, self.highest_mm, n):
            try:
                loads.append(self.load_n_at(float(height)))
            except HeightNotMeasured:
                continue
            heights.append(float(height))
        return np.array(heights), np.array(loads)

    def _seen(self, *heights_mm: float) -> tuple[Side, list[tuple[Look, ...]]] | None:
        """What one side shows at some heights, stroke by stroke, of those that show them all.

        The joined points count only where no stroke alone shows them.
        """
        groups = (self.sweeps,) if self.joined is None else (self.sweeps, (self.joined,))
        for side in SIDES[self.branch]:
            for group in groups:
                rows = [tuple(sweep.look(side, mm) for mm in heights_mm) for sweep in group]
                seen = [tuple(look for look in row if look is not None) for row in rows]
                if whole := [row for row in seen if len(row) == len(heights_mm)]:
                    return side, whole
        return None

    def _best_looks(self, height_mm: float) -> tuple[Side, list[Look]]:
        if (seen := self._seen(height_mm)) is not None:
            return seen[0], [look for (look,) in seen[1]]
        reach_n = min(sweep.reach_n for sweep in self.sweeps)
        beyond = height_mm < self.lowest_mm and math.isfinite(reach_n)
        ends_mm = self.lowest_mm, self.highest_mm
        finding = NotMeasured(self.label, height_mm, *ends_mm, reach_n if beyond else None)
        raise HeightNotMeasured(finding)

    def _paired_looks(self, low_mm: float, high_mm: float) -> list[tuple[Look, ...]]:
        """Looks at both heights: of one side and one sweep where there are any, else the best."""
        if (seen := self._seen(low_mm, high_mm)) is not None:
            return seen[1]
        (_, lows), (_, highs) = self._best_looks(low_mm), self._best_looks(high_mm)
        return list(zip(lows, highs, strict=False))

    def _slope_at(
        self, side: Side, looks: Sequence[Look], height_mm: float, load_n: float
    ) -> float | None:
        """Local rate; of a lone point from the joined points, else the free length, else None."""
        slope = _mean(look.slope_n_per_mm for look in looks)
        if slope != 0.0:
            return slope
        joined = None if self.joined is None else self.joined.look(side, height_mm)
        if joined is not None and joined.slope_n_per_mm != 0.0:
            return joined.slope_n_per_mm
        if self.free_length_mm is not None and self.free_length_mm > height_mm:
            return load_n / (self.free_length_mm - height_mm)
        return None


def _mean(values: Iterable[float]) -> float:
    return float(np.mean(list(values)))
