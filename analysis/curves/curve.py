"""A spring's curve: the load at any measured height, and the rate, each with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np

from coilbench.analysis.curves.branches import Array, BranchFit
from coilbench.analysis.curves.ends import FreeLength, find_free_length, find_solid_height_mm
from coilbench.analysis.curves.sweep_fit import Look, Side, SweepFit, fit_sweep, join_points
from coilbench.analysis.curves.uncertainty import expanded, type_a
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sweep import Sweep

BranchChoice = Literal["mean", "loading", "unloading"]
SIDES: dict[BranchChoice, tuple[Side, ...]] = {
    "mean": ("both", "loading", "unloading"),
    "loading": ("loading",),
    "unloading": ("unloading",),
}

RATE_WINDOW = (0.3, 0.7)  # share of the deflection; EN 13906-1's window, from memory
LEAST_SPAN_MM = 1e-3  # heights nearer than this are the same height
GIVEN_LENGTH_U_MM = 0.1  # k = 2, a caliper over ground ends; common practice, no source
COMMON_SHARE = 0.5  # of the variance of a dense sweep's instrument errors that is one offset
#   for the whole sweep (zero, datum) and leaves a difference; the rest (nonlinearity, steps)
#   stays. Our convention, no source. Points read one by one have no common share.


class HeightNotMeasured(CoilbenchError):
    """The height lies outside what was measured; a curve is never extended."""


@dataclass(frozen=True)
class Reading:
    """The load at a height.

    Attributes:
        load_u_n: expanded uncertainty, k = 2 (more where the scatter of few strokes rules).
        notes: what the reader should know, in words without a full stop.
    """

    height_mm: float
    load_n: float
    load_u_n: float
    notes: tuple[str, ...] = ()


class Rate(NamedTuple):
    """A rate and its expanded uncertainty, k = 2."""

    rate_n_per_mm: float
    rate_u_n_per_mm: float


@dataclass(frozen=True)
class SpringCurve:
    """What one spring pushes at any height that was measured.

    Attributes:
        label: the spring's name inside its set.
        branch: which branch a load is read from; `mean` is the mean of both where both were
            measured at that height, else the one there is.
        sweeps: one entry a sweep that was measured, at least one.
        joined: all sweeps of chosen points as one, where there are several: a spring whose
            readings were noted one at a time is read between them.
        free_length_mm: from first contact of the dense sweeps, else as given, else None.
        free_length_u_mm: its expanded uncertainty, k = 2; None where the length is None.
        solid_height_mm: as given, else from coil bind in the dense sweeps, else None.
    """

    label: str
    branch: BranchChoice
    sweeps: tuple[SweepFit, ...]
    joined: SweepFit | None
    free_length_mm: float | None
    free_length_u_mm: float | None
    solid_height_mm: float | None

    @property
    def lowest_mm(self) -> float:
        """Lowest height measured."""
        return min(fit.lowest_mm for fit in _fits(self.sweeps, self.branch))

    @property
    def highest_mm(self) -> float:
        """Highest height measured."""
        return max(fit.highest_mm for fit in _fits(self.sweeps, self.branch))

    def load_at(self, height_mm: float) -> Reading:
        """Read the load at a height.

        Combines, by the law of propagation (JCGM 100:2008, 5.1.2): the scatter of the sweeps
        (s/sqrt(n), with Student's t where they are few) or one sweep's own noise, the
        instrument's load_u_n, load_u_relative times the load, height_u_mm times the local rate,
        and what friction leaves open just above the turn. Several sweeps on one bench share the
        instrument's errors, which no mean lessens.

        Raises:
            HeightNotMeasured: the height is outside the measured range.
        """
        side, looks = self._best_looks(height_mm)
        load = _mean(look.load_n for look in looks)
        slope = self._slope_at(side, looks, height_mm, load)
        notes = []
        if self.branch == "mean" and side != "both":
            notes.append(f"only the {side} branch was measured there")
        if slope is None:
            notes.append("one height alone shows no rate: the height's uncertainty is left out")
            slope = 0.0
        instrument = math.hypot(
            _mean(look.sweep.load_u_n for look in looks),
            _mean(look.sweep.load_u_relative for look in looks) * load,
            _mean(look.sweep.height_u_mm for look in looks) * slope,
            _mean(look.turn_u_n for look in looks),
        )
        scatter = type_a([look.load_n for look in looks], [look.se_n for look in looks])
        return Reading(height_mm, load, expanded(scatter, len(looks), instrument), tuple(notes))

    def rate_between(self, height_a_mm: float, height_b_mm: float) -> Rate:
        """Rate from the loads at two heights, in either order, of the same branch at both.

        What is common to both loads (a zero, a datum) leaves their difference: of a dense
        sweep's instrument variance COMMON_SHARE is taken as common, of points' none.

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
        rises = [low.load_n - high.load_n for low, high in pairs]
        noises = [math.hypot(low.se_n, high.se_n) for low, high in pairs]
        instrument = _mean(_difference_u_n(low, high) for low, high in pairs)
        u_n = expanded(type_a(rises, noises), len(pairs), instrument)
        return Rate(_mean(rises) / span, u_n / span)

    @property
    def rate(self) -> Rate | None:
        """Rate over RATE_WINDOW of the deflection from free length to solid (else to the lowest).

        Between the highest and the lowest height measured where the window is not known or was
        not measured whole; None where only one height was measured.
        """
        high, low = self.highest_mm, self.lowest_mm
        if self.free_length_mm is not None:
            bottom = low if self.solid_height_mm is None else self.solid_height_mm
            deflection = self.free_length_mm - bottom
            top, end = (self.free_length_mm - share * deflection for share in RATE_WINDOW)
            if low <= end < top <= high:
                high, low = top, end
        return self.rate_between(low, high) if high - low >= LEAST_SPAN_MM else None

    @property
    def rate_n_per_mm(self) -> float | None:
        """The value of `rate`."""
        rate = self.rate
        return None if rate is None else rate.rate_n_per_mm

    @property
    def rate_u_n_per_mm(self) -> float | None:
        """The expanded uncertainty of `rate`, k = 2."""
        rate = self.rate
        return None if rate is None else rate.rate_u_n_per_mm

    def hysteresis_n(self, height_mm: float) -> float | None:
        """Loading less unloading load at a height; None where not both were measured there."""
        looks = self._looks("both", height_mm)
        return _mean(look.loop_n for look in looks) if looks else None

    def sampled(self, n: int) -> tuple[Array, Array]:
        """Heights and loads for a plot, ascending, shape (m,) each; m < n where there are gaps."""
        heights, loads = [], []
        for height in np.linspace(self.lowest_mm, self.highest_mm, n):
            try:
                loads.append(self.load_at(float(height)).load_n)
            except HeightNotMeasured:
                continue
            heights.append(float(height))
        return np.array(heights), np.array(loads)

    def _looks(self, side: Side, height_mm: float) -> list[Look]:
        """What the sweeps say there; the joined points only where no sweep alone says anything."""
        for group in self._groups():
            looks = [look for sweep in group if (look := sweep.look(side, height_mm)) is not None]
            if looks:
                return looks
        return []

    def _groups(self) -> tuple[tuple[SweepFit, ...], ...]:
        return (self.sweeps,) if self.joined is None else (self.sweeps, (self.joined,))

    def _best_looks(self, height_mm: float) -> tuple[Side, list[Look]]:
        for side in SIDES[self.branch]:
            if looks := self._looks(side, height_mm):
                return side, looks
        raise HeightNotMeasured(
            f"spring {self.label} was measured from {self.lowest_mm:.2f} mm to "
            f"{self.highest_mm:.2f} mm, not at {height_mm:.2f} mm",
            mend="Ask for a height that was measured, or measure the spring there",
        )

    def _paired_looks(self, low_mm: float, high_mm: float) -> list[tuple[Look, Look]]:
        """Looks at both heights: of one side and one sweep where there are any, else the best."""
        for side in SIDES[self.branch]:
            for group in self._groups():
                pairs = [
                    (low, high)
                    for sweep in group
                    if (low := sweep.look(side, low_mm)) is not None
                    and (high := sweep.look(side, high_mm)) is not None
                ]
                if pairs:
                    return pairs
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


def fit_curve(
    label: str,
    sweeps: Sequence[Sweep],
    branch: BranchChoice = "mean",
    free_length_mm: float | None = None,
    solid_height_mm: float | None = None,
) -> SpringCurve:
    """Make a spring's curve of its sweeps.

    Args:
        label: the spring's name inside its set.
        sweeps: its sweeps; those without a usable sample are passed over.
        branch: which branch loads are read from.
        free_length_mm: as measured by other means; used where no sweep shows first contact.
        solid_height_mm: as known by other means; comes before what the sweeps show.

    Raises:
        CoilbenchError: there is no usable sample of that branch.
    """
    fits = tuple(fit for sweep in sweeps if (fit := fit_sweep(sweep)) is not None)
    if not _fits(fits, branch):
        what = "has no reading" if branch == "mean" else f"has no reading of its {branch} branch"
        raise CoilbenchError(f"spring {label} {what}", mend="Measure the spring, then ask again")
    found = find_free_length(sweeps)
    if found is None and free_length_mm is not None:
        found = FreeLength(free_length_mm, GIVEN_LENGTH_U_MM)
    return SpringCurve(
        label,
        branch,
        fits,
        join_points(sweeps),
        None if found is None else found.length_mm,
        None if found is None else found.length_u_mm,
        find_solid_height_mm(sweeps) if solid_height_mm is None else solid_height_mm,
    )


def _fits(sweeps: Sequence[SweepFit], branch: BranchChoice) -> list[BranchFit]:
    """Every fitted branch that a choice may read from."""
    fits: list[BranchFit | None] = []
    for sweep in sweeps:
        fits += [sweep.loading] if branch != "unloading" else []
        fits += [sweep.unloading] if branch != "loading" else []
    return [fit for fit in fits if fit is not None]


def _difference_u_n(low: Look, high: Look) -> float:
    """Instrument's standard uncertainty of the difference of two loads of one sweep."""
    sweep = low.sweep
    common = COMMON_SHARE if sweep.dense else 0.0
    load_var = 2.0 * (1.0 - common) * sweep.load_u_n**2
    slopes = low.slope_n_per_mm, high.slope_n_per_mm
    slope_var = slopes[0] ** 2 + slopes[1] ** 2 - 2.0 * common * slopes[0] * slopes[1]
    load_var += (sweep.load_u_relative * (low.load_n - high.load_n)) ** 2
    load_var += low.turn_u_n**2 + high.turn_u_n**2
    return math.sqrt(load_var + sweep.height_u_mm**2 * slope_var)


def _mean(values: Iterable[float]) -> float:
    return float(np.mean(list(values)))
