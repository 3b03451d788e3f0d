"""A spring's curve: the load at any measured height, and the rate, each with its uncertainty. Pure.

Each load carries notes on how it was measured.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from contextlib import suppress
from functools import cached_property
from typing import Literal

import msgspec
import numpy as np

from coilbench.analysis.curves.lengths import LEAST_SPAN_MM, FoundHeight, LengthFrom, SoftStart
from coilbench.analysis.curves.load_budget import budget_lines, budgets_at
from coilbench.analysis.curves.not_measured import HeightNotMeasured, NotMeasured
from coilbench.analysis.curves.points import EDGE_MM
from coilbench.analysis.curves.readings import CurveNote, Rate, Reading
from coilbench.analysis.curves.sweep_fit import WAYS, HeightReading, Side, SweepFit
from coilbench.analysis.curves.uncertainty import Budget, BudgetLine, scatter_lines
from coilbench.analysis.curves.wall import CoilBind
from coilbench.capture.calibration.statistics import distinct
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.bins import Array
from coilbench.capture.strokes.sweep import RATE_WINDOW
from coilbench.capture.tables.keyed import SOLID_KEPT_MM

BranchChoice = Literal["mean", "loading", "unloading"]
SIDES: dict[BranchChoice, tuple[Side, ...]] = {
    "mean": ("both", "loading", "unloading"),
    "loading": ("loading",),
    "unloading": ("unloading",),
}
BOTH_SHARE = 0.5  # of what was measured: where both branches have less, one tells the rate; ours
LOOP_HEIGHTS = 25  # where the friction loop is looked at
SURE_LENGTH_U_MM = 0.4  # k = 2: a depth from a first contact less sure than this means little; ours


def _knots(sweep: SweepFit, side: Side) -> Array:
    """Heights between which load_n is straight, ascending; none of a side not measured."""
    fits = [fit for fit in sweep.fits(side) if fit is not None]
    if len(fits) < len(WAYS[side]):
        return np.empty(0)
    full_mm, share = sweep.full_loop
    at = distinct(np.concatenate([[full_mm], *(fit.height_mm for fit in fits)]))
    low_mm, high_mm = max(f.lowest_mm for f in fits), min(f.highest_mm for f in fits)
    at = at[(at >= low_mm) & (at <= high_mm)]
    down, up = (np.interp(at, fit.height_mm, fit.load_n) for fit in (fits[0], fits[-1]))
    # as SweepFit.read has it: taken off where it is above 0
    missing_n = 0.5 * share * (down + up) - (down - up)
    begins = np.flatnonzero(missing_n[1:] * missing_n[:-1] < 0.0)
    part = missing_n[begins] / (missing_n[begins] - missing_n[begins + 1])
    return np.sort(np.append(at, at[begins] + part * np.diff(at)[begins]))


def shared_knots(each: Sequence[Array]) -> Array:
    """Return the heights between which the mean of some courses is straight, each by its own."""
    if not each or not all(own.size for own in each):
        return np.empty(0)
    every = distinct(np.concatenate(each))
    low_mm, high_mm = max(own[0] for own in each), min(own[-1] for own in each)
    return np.asarray(every[(every >= low_mm) & (every <= high_mm)])


class SpringCurve(msgspec.Struct, frozen=True, dict=True):
    """What one spring pushes at any height that was measured.

    Attributes:
        branch: which branch a load is read from; `mean` is the mean of both where both were
            measured at that height, else the one there is.
        sweeps: one entry a sampled sweep, and one for all readings at chosen heights together; at
            least one.
        free_length_mm: for computing: from first contact of the dense sweeps, else as measured
            by hand, else the set's, else None.
        free_length_u_mm: its expanded uncertainty, k = 2.
        solid_height_mm: as given, else from coil bind in the dense sweeps, else the set's, else
            None.
        coils: whether they touched, as the sweeps show it.
        contact, bind: first contact and coil bind as the dense sweeps show them; None where they
            do not.
        soft: that the first turns close softly; None where they do not, or it does not show.
        by_hand: this spring's own free length by caliper; None where it was not measured.
        solid_u_mm: expanded uncertainty of the solid height, k = 2; None where none is stated.
        notes: what holds for every load read from it.
        solid_registered: whether the solid height is the set's, not measured on this spring.
    """

    label: str
    branch: BranchChoice
    sweeps: tuple[SweepFit, ...]
    free_length_mm: float | None
    free_length_u_mm: float | None
    solid_height_mm: float | None
    coils: CoilBind
    notes: tuple[CurveNote, ...] = ()
    contact: FoundHeight | None = None
    bind: FoundHeight | None = None
    soft: SoftStart | None = None
    by_hand: FoundHeight | None = None
    solid_u_mm: float | None = None
    solid_registered: bool = False

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

    @property
    def own_solid_mm(self) -> float | None:
        """Its solid height as measured or shown by itself; None where it is not."""
        return None if self.solid_registered else self.solid_height_mm

    @property
    def own_length(self) -> FoundHeight | None:
        """This spring's free length as measured: by hand, else by first contact; else None.

        What the set was registered with is nobody's measurement of this spring.
        """
        return self.contact if self.by_hand is None else self.by_hand

    @property
    def length_from(self) -> LengthFrom | None:
        """Where own_length comes from."""
        if self.own_length is None:
            return None
        return "first_contact" if self.by_hand is None else "by_hand"

    @property
    def length_sure(self) -> bool:
        """Whether the free length, where it is first contact, serves to count depths from."""
        if self.contact is None:
            return self.free_length_mm is not None
        return self.soft is None and self.contact.height_u_mm <= SURE_LENGTH_U_MM

    def load_at(self, height_mm: float) -> Reading:
        """Read the load at a height; asked again, it is the same reading.

        Combines, by the law of propagation, what budget_lines gives for the rig with the
        scatter of the strokes (s/sqrt(n), with Student's t where they are few) or one stroke's
        own noise. Several strokes on one bench share its errors, which averaging does not reduce.

        Raises:
            HeightNotMeasured: the height is outside the measured range, or the load there is
                beyond that to which the press's flex was measured.
        """
        if height_mm not in self._read:
            self.read((height_mm,))
        if height_mm not in self._read:
            self._read[height_mm] = self._load_at(height_mm)
        return self._read[height_mm]

    @cached_property
    def _read(self) -> dict[float, Reading]:
        return {}

    def read(self, heights_mm: Iterable[float]) -> None:
        """Read load_at at many heights at once, for it to return: those that all sweeps sampled.

        To the last digit as if each were read alone: what is kept must say the same as what is not.
        """
        side = SIDES[self.branch][0]
        new = [mm for mm in dict.fromkeys(heights_mm) if mm not in self._read]
        at = np.array([mm for mm in new if mm < self._sampled_to_mm])
        whole = all(fit is not None for sweep in self.sweeps for fit in sweep.fits(side))
        if not at.size or not whole:
            return
        reads = [sweep.reads(side, at) for sweep in self.sweeps]
        loads, slopes = (np.array([one[i] for one in reads]) for i in (1, 2))
        noises = [np.hypot(one.se_n, one.sweep.zero_u_n) for one in reads]
        budgets = budgets_at([(1.0 / len(reads), one) for one in reads], at.size)
        columns = (x.tolist() for x in (loads.T, slopes.T, np.transpose(noises)))
        for mm, own, slope, noise, lines in zip(at.tolist(), *columns, budgets, strict=True):
            if all(slope) and not math.isnan(sum(own)):  # a slope of 0 is of a lone point
                budget = Budget((*lines, *scatter_lines(own, noise)))
                self._read[mm] = Reading(mm, _mean(own), budget, self.notes, _mean(slope))

    def _load_at(self, height_mm: float) -> Reading:
        side, readings = self._best_readings(height_mm)
        load = _mean(reading.load_n for reading in readings)
        slope = self._slope_at(readings, height_mm, load)
        notes = list(self.notes)
        if self.branch == "mean" and side != "both":
            notes.append(CurveNote("one_branch", side=side))
        if slope is None:
            notes.append(CurveNote("no_rate"))
            slope = 0.0
        if (outside_mm := max(reading.outside_mm for reading in readings)) > 0.0:
            notes.append(CurveNote("outside_read", height_mm=outside_mm))
        if any(reading.slope_n_per_mm == 0.0 for reading in readings):
            readings = [reading._replace(slope_n_per_mm=slope) for reading in readings]
        lines = budget_lines((1.0 / len(readings), reading) for reading in readings)
        noises = [math.hypot(reading.se_n, reading.sweep.zero_u_n) for reading in readings]
        lines += scatter_lines([reading.load_n for reading in readings], noises)
        return Reading(height_mm, load, Budget(tuple(lines)), tuple(notes), slope)

    def load_n_at(self, height_mm: float) -> float:
        """Read the load alone, as load_at does, for plots and shapes.

        Raises:
            HeightNotMeasured: as load_at.
        """
        for side in SIDES[self.branch] if height_mm < self._sampled_to_mm else ():
            each = [sweep.load_n(side, height_mm) for sweep in self.sweeps]
            if read := [load_n for load_n in each if not math.isnan(load_n)]:
                return _mean(read)
        return _mean(reading.load_n for reading in self._best_readings(height_mm)[1])

    def loads_n_at(self, heights_mm: Array) -> Array:
        """Read load_n_at at many heights, shape (m,); NaN where it was not measured."""
        loads = np.full_like(heights_mm, np.nan)
        sampled = heights_mm < self._sampled_to_mm
        if sampled.any():
            loads[sampled] = self._loads_n(heights_mm[sampled])
        for at in np.flatnonzero(~sampled).tolist():
            with suppress(HeightNotMeasured):
                loads[at] = self.load_n_at(float(heights_mm[at]))
        return loads

    @cached_property
    def _sampled_to_mm(self) -> float:
        """Below which height every sweep was sampled: no reading comes before another."""
        return min(sweep.gap_mm for sweep in self.sweeps)

    @property
    def knots_mm(self) -> Array:
        """Heights between which load_n_at is straight, ascending; none where it nowhere is so."""
        side = SIDES[self.branch][0]
        at = shared_knots([_knots(sweep, side) for sweep in self.sweeps])
        return at[at < self._sampled_to_mm]

    def _loads_n(self, heights_mm: Array) -> Array:
        loads = np.full_like(heights_mm, np.nan)
        for side in SIDES[self.branch]:
            if not (open_at := np.isnan(loads)).any():
                break
            each = np.array([sweep.loads_n(side, heights_mm) for sweep in self.sweeps])
            count = np.count_nonzero(~np.isnan(each), axis=0)
            found = np.nansum(each, axis=0) / np.where(count, count, np.nan)
            loads = np.where(open_at, found, loads)
        return loads

    def rate_between(self, height_a_mm: float, height_b_mm: float) -> Rate:
        """Rate from the loads at two heights, in either order, of the same branch at both.

        What is common to both loads (a zero, a datum, a part of every coefficient) leaves their
        difference. Where one branch stands for the mean, since the other was not measured at both
        heights, the friction loop seen elsewhere is in the uncertainty.

        Raises:
            HeightNotMeasured: a height is outside the measured range, or no branch was measured at
                both.
            CoilbenchError: both heights are the same.
        """
        span = abs(height_a_mm - height_b_mm)
        if span < LEAST_SPAN_MM:
            raise CoilbenchError(
                f"spring {self.label}: a rate needs two heights, not {height_a_mm:.2f} mm twice"
            )
        side, pairs = self._paired_readings(*sorted((height_a_mm, height_b_mm)))
        weight = 1.0 / (len(pairs) * span)
        weighted = [(weight, low) for low, _ in pairs] + [(-weight, high) for _, high in pairs]
        rates = [(low.load_n - high.load_n) / span for low, high in pairs]
        noises = [math.hypot(low.se_n, high.se_n) / span for low, high in pairs]
        lines = [*budget_lines(weighted), *scatter_lines(rates, noises)]
        if self.branch == "mean" and side != "both" and (loop_n := self._largest_loop_n()) > 0.0:
            u = 0.5 * loop_n / span / math.sqrt(3.0)
            lines.append(BudgetLine("branch_not_measured", "B", u, "N", 1.0))
        budget = Budget(tuple(lines))
        return Rate(_mean(rates), budget.expanded_u_n, budget, side)

    def _largest_loop_n(self) -> float:
        """The widest friction loop seen at any of some heights; 0 where none is."""
        heights = np.linspace(self.lowest_mm, self.highest_mm, LOOP_HEIGHTS).tolist()
        readings = [sweep.read("both", height) for sweep in self.sweeps for height in heights]
        return max(
            (abs(reading.loop_n) for reading in readings if reading is not None), default=0.0
        )

    @property
    def rated_mm(self) -> tuple[float, float]:
        """Between which heights a rate is read, the higher one first: of one branch throughout.

        Of the mean of both where a stroke has both over at least BOTH_SHARE of what was measured.
        """
        best: tuple[float, float, float] = (0.0, self.highest_mm, self.lowest_mm)
        for side in SIDES[self.branch]:
            for sweep in self.sweeps:
                fits = [fit for fit in sweep.fits(side) if fit is not None]
                if len(fits) == len(WAYS[side]):
                    top, low = min(f.highest_mm for f in fits), max(f.lowest_mm for f in fits)
                    best = max(best, (top - low, top, low))
            if side == "both" and best[0] >= BOTH_SHARE * (self.highest_mm - self.lowest_mm):
                break
        return best[1:]

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
        highest, lowest = self.rated_mm
        return (top, end) if lowest <= end < top <= highest else None

    @property
    def rate(self) -> Rate | None:
        """Rate between the ends of RATE_WINDOW.

        Between those of rated_mm where that is not known; None where only one height was measured.
        """
        high, low = self.window_mm() or self.rated_mm
        return self.rate_between(low, high) if high - low >= LEAST_SPAN_MM else None

    def sampled(self, n: int) -> tuple[Array, Array]:
        """Heights and loads for a plot, ascending, shape (m,) each; m < n where there are gaps."""
        heights_mm = np.linspace(self.lowest_mm, self.highest_mm, n)
        loads_n = self.loads_n_at(heights_mm)
        measured = ~np.isnan(loads_n)
        return heights_mm[measured], loads_n[measured]

    def _seen(self, side: Side, *heights_mm: float) -> list[tuple[HeightReading, ...]]:
        """What one side shows at some heights, stroke by stroke, of those that show them all.

        What was read there comes before what lies between two heights read, or outside them.
        """
        if any(map(self._out_of_reach, heights_mm)):
            return []
        rows = [tuple(sweep.read(side, mm) for mm in heights_mm) for sweep in self.sweeps]
        seen = [tuple(reading for reading in row if reading is not None) for row in rows]
        whole = [row for row in seen if len(row) == len(heights_mm)]
        return [row for row in whole if all(reading.between.u_n == 0.0 for reading in row)] or whole

    def _out_of_reach(self, height_mm: float) -> bool:
        """Whether a height outside what was read is one at which the line can't go on."""
        solid_mm, free_mm = self.solid_height_mm, self.free_length_mm
        if height_mm < self.lowest_mm - EDGE_MM:
            return solid_mm is not None and height_mm < solid_mm + SOLID_KEPT_MM
        return height_mm > self.highest_mm + EDGE_MM and free_mm is not None and height_mm > free_mm

    def _best_readings(self, height_mm: float) -> tuple[Side, list[HeightReading]]:
        for side in SIDES[self.branch]:
            if seen := self._seen(side, height_mm):
                return side, [reading for (reading,) in seen]
        reach_n = min(sweep.reach_n for sweep in self.sweeps)
        beyond = height_mm < self.lowest_mm and math.isfinite(reach_n)
        ends_mm = self.lowest_mm, self.highest_mm
        finding = NotMeasured(self.label, height_mm, *ends_mm, reach_n if beyond else None)
        raise HeightNotMeasured(finding)

    def _paired_readings(
        self, low_mm: float, high_mm: float
    ) -> tuple[Side, list[tuple[HeightReading, ...]]]:
        """Looks at both heights, always of one side; of one sweep where there are any."""
        for side in SIDES[self.branch]:
            if seen := self._seen(side, low_mm, high_mm):
                return side, seen
            lows, highs = self._seen(side, low_mm), self._seen(side, high_mm)
            if lows and highs:
                return side, [low + high for low, high in zip(lows, highs, strict=False)]
        self._best_readings(high_mm)
        self._best_readings(low_mm)
        ends_mm = self.lowest_mm, self.highest_mm
        raise HeightNotMeasured(NotMeasured(self.label, low_mm, *ends_mm, None, high_mm))

    def _slope_at(
        self, readings: Sequence[HeightReading], height_mm: float, load_n: float
    ) -> float | None:
        """Local rate; of a lone point from the free length, else None."""
        slope = _mean(reading.slope_n_per_mm for reading in readings)
        if slope != 0.0:
            return slope
        if self.free_length_mm is not None and self.free_length_mm > height_mm:
            return load_n / (self.free_length_mm - height_mm)
        return None


def _mean(values: Iterable[float]) -> float:
    every = list(values)
    return math.fsum(every) / len(every)
