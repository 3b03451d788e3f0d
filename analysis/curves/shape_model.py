"""One rate, two rates with a knee, or a rate that changes smoothly; and the free length. Pure.

First contact is compared with a free length by caliper: has the spring sagged, is the datum off?
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal, NamedTuple

import msgspec
import numpy as np

from coilbench.analysis.curves.curve import SIDES, SpringCurve
from coilbench.analysis.curves.curve_fit import Spot
from coilbench.analysis.curves.fits import effective_count
from coilbench.analysis.curves.lengths import FoundHeight
from coilbench.analysis.curves.rates import Span
from coilbench.analysis.curves.readings import Rate
from coilbench.analysis.curves.sweep_fit import SweepFit
from coilbench.capture.calibration.statistics import f_tail, median, student_factor
from coilbench.capture.strokes.bins import Array, Bins

# All of these are our choice, no source.
CELLS = 80
LEAST_RANGE_MM = 6.0
FEWEST = 24  # bins and filled cells of a branch
SHORT_MM = 1.0  # a stroke that ends so much above the deepest one is left out
TOP_SHARE = 0.15  # of the deflection, where end coils are still closing
BIND_MM = 1.0  # heights nearer to solid than this are coil bind's
BENT_CHANCE = 0.01  # a straight spring is called bent at most so often
LEAST_CHANGE = 0.03  # a rate that changes by less, as a share, is one rate at a bench
CLEARLY = 4.0  # how much better one model must fit to be named: see _Models.knee_over_smooth

Kind = Literal["one_rate", "two_rates", "smooth", "bent", "cannot_tell"]
Why = Literal["chosen_heights", "too_little_range", "too_few_samples", "too_uncertain"]


class Shape(msgspec.Struct, frozen=True):
    """What a spring's course between closing end coils and coil bind is like.

    Attributes:
        kind: `bent` where the rate surely changes, but knee or smooth can't be told.
        why: for `can't tell`, the reason.
        top_mm, bottom_mm: the heights looked at; None where there are none.
        bent_chance: how likely a straight course would seem bent so much; None where not tested.
        change: the rate of the lowest third less that of the highest; None where not tested.
        knee: where, for `two rates`.
        upper, lower: rates of the highest and the lowest third, or above and below the knee.
    """

    kind: Kind
    why: Why | None = None
    top_mm: float | None = None
    bottom_mm: float | None = None
    bent_chance: float | None = None
    change: Rate | None = None
    knee: FoundHeight | None = None
    upper: Rate | None = None
    lower: Rate | None = None

    @classmethod
    def of(cls, curve: SpringCurve) -> Shape:
        """Tell one rate from two and from a smooth change.

        One rate: it surely changes by less than LEAST_CHANGE. Changing: the course's bend is larger
        than noise would make it (_compare_models), and the lowest third's rate differs from the
        highest third's by more than its expanded uncertainty, with all that the rig may bend, and
        by more than LEAST_CHANGE. All else can't be told.
        """
        strokes = _sampled(curve)
        if not strokes:
            return cls("cannot_tell", "chosen_heights")
        top, bottom = _range_mm(curve, [bins for _, ways in strokes for bins in ways])
        if top - bottom < LEAST_RANGE_MM:
            return cls("cannot_tell", "too_little_range")
        course = _pooled_course([ways for _, ways in strokes], top, bottom)
        models = None if course is None else _compare_models(course)
        third = (top - bottom) / 3.0
        upper, lower = Span(top, top - third), Span(bottom + third, bottom)
        change = Span.line_rate(curve, [lower, upper._replace(sign=-1.0)], "least_squares")
        whole = Span.line_rate(curve, [Span(top, bottom)], "least_squares")
        if models is None or change is None or whole is None:
            return cls("cannot_tell", "too_few_samples", top, bottom)
        kind = _kind_of(models, change, whole.rate_n_per_mm)
        knee = None
        if kind == "two_rates":
            knee = _knee(strokes, models)
            upper, lower = Span(top, knee.height_mm), Span(knee.height_mm, bottom)
        return cls(
            kind=kind,
            why="too_uncertain" if kind == "cannot_tell" else None,
            top_mm=top,
            bottom_mm=bottom,
            bent_chance=models.bent_chance,
            change=change,
            knee=knee,
            upper=Span.line_rate(curve, [upper], "least_squares"),
            lower=Span.line_rate(curve, [lower], "least_squares"),
        )


def _kind_of(models: _Models, change: Rate, rate_n_per_mm: float) -> Kind:
    """Name a course by how its models suit, and by how its rate changes on the way down."""
    least, u = LEAST_CHANGE * abs(rate_n_per_mm), change.rate_u_n_per_mm
    if abs(change.rate_n_per_mm) <= max(u, least):
        return "one_rate" if u <= least else "cannot_tell"
    if models.bent_chance > BENT_CHANCE:
        return "cannot_tell"
    if abs(models.knee_over_smooth) < CLEARLY:
        return "bent"
    return "two_rates" if models.knee_over_smooth > 0.0 else "smooth"


def _pooled_course(
    strokes: Sequence[Sequence[Bins]], top_mm: float, bottom_mm: float
) -> _Course | None:
    """Average the branches of all strokes in even cells of height.

    What is averaged is the distance from one straight line through all, so that where in its cell
    a sample lies does not matter; friction leaves the mean of as many ways down as up. Across
    cells that a stroke left empty its branch is taken as straight. Strokes that fill too few
    cells, being fast, are passed over; None where no stroke fills enough.

    Args:
        strokes: the branches of each, of every stroke the same ones.
    """
    inside = [[bins.between(bottom_mm, top_mm) for bins in ways] for ways in strokes]
    every = [bins for ways in inside for bins in ways]
    edges = np.linspace(bottom_mm, top_mm, CELLS + 1)
    heights, loads = (
        np.concatenate([getattr(bins, name) for bins in every]) for name in ("height_mm", "load_n")
    )
    if heights.size < FEWEST:
        return None
    line = np.polyfit(heights, loads, 1)
    means: list[Array] = []
    for ways in inside:
        found = [_cell_means(bins, line, edges) for bins in ways]
        filled = [one for one in found if one is not None]
        means += filled if len(filled) == len(found) else []
    if not means:
        return None
    middle = 0.5 * (edges[1:] + edges[:-1])
    return _Course(middle, np.mean(means, axis=0) + np.polyval(line, middle))


def _cell_means(bins: Bins, line: Array, edges: Array) -> Array | None:
    """Mean distance from the line in each cell; None where too few are filled."""
    cell = np.clip(np.searchsorted(edges, bins.height_mm) - 1, 0, CELLS - 1)
    away = bins.load_n - np.polyval(line, bins.height_mm)
    weight = np.bincount(cell, bins.weight, CELLS)
    filled = np.flatnonzero(weight)
    if filled.size < FEWEST:
        return None
    means = np.bincount(cell, bins.weight * away, CELLS)[filled] / weight[filled]
    return np.interp(np.arange(CELLS), filled, means)


def _sampled(curve: SpringCurve) -> list[tuple[SweepFit, list[Bins]]]:
    """Return the dense strokes and their branches: both of each, or the same one of each."""
    for side in SIDES[curve.branch]:
        strokes = []
        for sweep in curve.sweeps:
            wanted = sweep.bins(side)
            ways = [bins for bins in wanted if bins is not None and bins.height_mm.size >= FEWEST]
            if len(ways) == len(wanted):
                strokes.append((sweep, ways))
        if strokes:
            deepest = min(ways[0].height_mm[0] for _, ways in strokes)
            return [each for each in strokes if each[1][0].height_mm[0] <= deepest + SHORT_MM]
    return []


def _range_mm(curve: SpringCurve, branches: Sequence[Bins]) -> tuple[float, float]:
    """Heights that every branch has, between closing end coils and coil bind."""
    bottom = max(float(bins.height_mm[0]) for bins in branches)
    top = min(float(bins.height_mm[-1]) for bins in branches)
    if curve.solid_height_mm is not None:
        bottom = max(bottom, curve.solid_height_mm + BIND_MM)
    if curve.free_length_mm is not None:
        top = min(top, curve.free_length_mm - TOP_SHARE * (curve.free_length_mm - bottom))
    return top, bottom


def _knee(strokes: Sequence[tuple[SweepFit, list[Bins]]], models: _Models) -> FoundHeight:
    """The knee, with the uncertainty of the rig's heights."""
    spots = []
    for sweep, _ in strokes:
        slope = 1.0 if sweep.loading is None else sweep.loading.slope_at(models.knee_mm)
        spots.append((Spot(models.knee_mm, 0.0, slope, 0.5 * models.knee_u_mm), sweep))
    found = Spot.combined(spots, 0.0)
    return FoundHeight(models.knee_mm, models.knee_u_mm) if found is None else found


CUBIC = 4  # parameters of a cubic; a line with a knee has as many
RICHEST = 6  # of a cubic with a knee: what it leaves is noise
KNEES_A_CELL = 4  # knees tried between two readings
EDGE_SHARE = 0.1  # nearer to an end of the course no knee is looked for; ours
FEWEST_READINGS = 60  # below it nothing is told: they would not show their correlation; ours
FEWEST_EFFECTIVE = 2.0  # independent readings beyond the richest model's; ours


class _Course(NamedTuple):
    """Loads over heights that run evenly upwards, shape (n,) each."""

    height_mm: Array
    load_n: Array


class _Models(NamedTuple):
    """How well a line, a line with a knee and a cubic suit a course.

    Attributes:
        bent_chance: how likely a straight course with such noise would seem bent at least so much.
        knee_over_smooth: Akaike's criterion of the cubic less that of the knee, the noise taken
            as known; they have equally many parameters. Above 0 the knee suits better; from 4 on
            considerably (Burnham and Anderson, Model Selection and Multimodel Inference, 2002,
            from memory).
        knee_mm, knee_u_mm: where the best knee lies; its expanded uncertainty, 95 %, by the
            heights at which the fit is hardly worse.
    """

    bent_chance: float
    knee_over_smooth: float
    knee_mm: float
    knee_u_mm: float


def _compare_models(course: _Course) -> _Models | None:
    """Test a line against bent courses.

    The line is tested against the cubic it is part of, by an F-test with the number of readings
    that the noise's correlation leaves: a knee's own test would have no F law, for a line has no
    place for a knee (Davies, Biometrika 64, 1977, from memory), and a cubic follows a knee well
    enough to find it. Which of both it is, is told afterwards by how well they fit. None where the
    readings are too few to tell.
    """
    n = course.height_mm.size
    if n < FEWEST_READINGS:
        return None
    middle, half = np.mean(course.height_mm), 0.5 * float(np.ptp(course.height_mm))
    x = (course.height_mm - middle) / half
    line, cubic = (np.linalg.qr(np.vander(x, count))[0] for count in (2, CUBIC))
    off_line, off_cubic = _off(course.load_n, line), _off(course.load_n, cubic)
    at, rss, bend = _try_knees(x, off_line, line)
    own = _off(bend, cubic)
    off_both = off_cubic - own * float(own @ off_cubic) / float(own @ own)
    freedom = max(effective_count(off_both, RICHEST) - RICHEST, FEWEST_EFFECTIVE)
    rounding = 1e-20 * float(course.load_n @ course.load_n)  # all that exact courses leave
    noise = max(float(off_both @ off_both), rounding) / freedom
    line_rss, cubic_rss = float(off_line @ off_line), float(off_cubic @ off_cubic)
    knee_rss = float(rss.min())
    f = max(line_rss - cubic_rss, 0.0) / 2.0 / noise
    slack = noise * student_factor(freedom) ** 2
    near, best = at[rss <= knee_rss + slack], float(at[np.argmin(rss)])
    u = max(float(near.max()) - best, best - float(near.min())) + 0.5 * float(at[1] - at[0])
    return _Models(
        bent_chance=f_tail(2.0, freedom, f),
        knee_over_smooth=(cubic_rss - knee_rss) / noise,
        knee_mm=float(middle + half * best),
        knee_u_mm=half * u,
    )


def _off(y: Array, basis: Array) -> Array:
    return np.asarray(y - basis @ (basis.T @ y), dtype=np.float64)


def _try_knees(x: Array, off_line: Array, line: Array) -> tuple[Array, Array, Array]:
    """Try every knee.

    Returns the knees, shape (k,), the sum of squares that each leaves, and the best one's column,
    less what is a line of it, shape (n,).
    """
    inside = 1.0 - 2.0 * EDGE_SHARE
    at = np.linspace(-inside, inside, KNEES_A_CELL * x.size)
    bends = np.maximum(x[:, None] - at, 0.0)
    bends -= line @ (line.T @ bends)
    size = np.einsum("nk,nk->k", bends, bends)
    rss = np.maximum(float(off_line @ off_line) - (off_line @ bends) ** 2 / size, 0.0)
    return at, rss, bends[:, int(np.argmin(rss))]


FEWEST_OTHERS = 2  # other springs of the set, for them to tell whether the datum is off; ours


class LengthCheck(msgspec.Struct, frozen=True):
    """A contact height beside a free length by other means, expanded uncertainties, k = 2.

    Attributes:
        others_mm: by how much the set's other springs differ from what is given, their median;
            None where they are too few.
    """

    contact: FoundHeight
    given_mm: float
    given_u_mm: float
    others_mm: float | None

    @property
    def difference_mm(self) -> float:
        """Contact less given."""
        return self.contact.height_mm - self.given_mm

    @property
    def difference_u_mm(self) -> float:
        """Its expanded uncertainty."""
        return math.hypot(self.contact.height_u_mm, self.given_u_mm)

    @property
    def differs(self) -> bool:
        """Whether the difference is larger than its uncertainty."""
        return abs(self.difference_mm) > self.difference_u_mm

    @classmethod
    def of(
        cls, curve: SpringCurve, given_mm: float, given_u_mm: float, others: Sequence[SpringCurve]
    ) -> LengthCheck | None:
        """Compare a spring's first contact with its free length by caliper.

        Args:
            given_mm, given_u_mm: free length by other means; expanded, k = 2.
            others: the set's other springs, measured on the same rig.

        None where no stroke shows first contact.
        """
        if curve.contact is None:
            return None
        away = [each.contact.height_mm - given_mm for each in others if each.contact is not None]
        others_mm = median(np.array(away)) if len(away) >= FEWEST_OTHERS else None
        return cls(curve.contact, given_mm, given_u_mm, others_mm)
