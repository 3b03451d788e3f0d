"""Press flex: the deflection of the press under load, from pressing on a solid block. Pure.

The lag of the load behind the travel is found in samples and undone first.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import NamedTuple

import msgspec
import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from coilbench.capture.blocks import Finding
from coilbench.capture.calibration.checks import refuse_saturated
from coilbench.capture.calibration.course import Course
from coilbench.capture.calibration.known_points import FEWEST_SAMPLES, MOST_GIVE_MM_PER_N, FlexPoint
from coilbench.capture.calibration.model import NewPart, PointRow
from coilbench.capture.calibration.polynomial import PolynomialFit, evaluate, slope, value
from coilbench.capture.calibration.regression import (
    degree_demanded,
    fit_polynomial,
    fit_with_scatter,
)
from coilbench.capture.calibration.statistics import distinct
from coilbench.capture.errors import CoilbenchError

Array = NDArray[np.float64]

# Our choice, no source.
LONGEST_SAMPLES = 8.0  # twice the four conversions in which such a converter settles
STEP_SAMPLES = 0.25
GAIN = 0.7  # the loop must shrink below this fraction, else it is friction in the frame
LOADS = 12  # where up and down are compared


class Press(msgspec.Struct, frozen=True):
    """A solid block pressed, in the order of time.

    Attributes:
        load_n, height_mm: shape (n,), the height by the travel alone.
        rising: shape (n,), load going up.
    """

    load_n: Array
    height_mm: Array
    rising: NDArray[np.bool_]

    def at(self, rows: NDArray[np.bool_]) -> Press:
        """Return some of its samples."""
        return Press(self.load_n[rows], self.height_mm[rows], self.rising[rows])

    def branches(self, fewest: int) -> Branches | None:
        """Return up and down; None with fewer samples of one, or where their loads differ."""
        up, down = self.at(self.rising), self.at(~self.rising)
        if min(up.load_n.size, down.load_n.size) < fewest:
            return None
        low_n = max(up.load_n.min(), down.load_n.min())
        high_n = min(up.load_n.max(), down.load_n.max())
        return Branches(up, down, float(low_n), float(high_n)) if high_n > low_n else None

    def height_at(self, load_n: Array) -> Array:
        """Return the height at loads, interpolated; shape of load_n."""
        order = np.argsort(self.load_n, kind="stable")
        along = np.interp(load_n, self.load_n[order], self.height_mm[order])
        return np.asarray(along, dtype=np.float64)


class Branches(NamedTuple):
    """The two ways of a press, and the loads that both have."""

    up: Press
    down: Press
    low_n: float
    high_n: float

    def down_less_up_mm(self, load_n: Array) -> Array:
        """Return by how much the way down is higher at loads."""
        return self.down.height_at(load_n) - self.up.height_at(load_n)


def undo_sample_lag(press: Press, used: NDArray[np.bool_]) -> tuple[Press, NDArray[np.bool_]]:
    """Find the delay at which load and travel make the thinnest loop, and undo it.

    The points of a press are in the rig's sample order, so a delay is a number of samples. Friction
    in the frame makes a loop as well, which no delay removes.

    Args:
        used: shape (n,), samples on the block.

    Returns:
        The press with heights averaged as the load is, and the samples whose whole averaging window
        lies on the block; what was given where the delay is unknown.
    """
    rising = press.rising
    in_order = np.count_nonzero(np.diff(rising.astype(np.int8))) == 1 and rising[0]
    if press.load_n.size < FEWEST_SAMPLES or not in_order:
        return press, used
    lags = np.arange(0.0, LONGEST_SAMPLES + STEP_SAMPLES, STEP_SAMPLES)
    tries = [_delayed(press, used, float(lag)) for lag in lags]
    loops = np.array([_loop_mm(delayed.at(rows)) for delayed, rows in tries])
    if not math.isfinite(loops[0]) or not np.isfinite(loops).any():
        return press, used
    best = int(np.nanargmin(loops))
    return tries[best] if loops[best] < GAIN * loops[0] else (press, used)


def _delayed(press: Press, used: NDArray[np.bool_], lag: float) -> tuple[Press, NDArray[np.bool_]]:
    if lag == 0.0:
        return press, used
    number = np.arange(press.height_mm.size, dtype=np.float64)
    height_mm = Course(number, press.height_mm).averaged(lag, lag**2 / 3.0)
    reach = math.ceil(2.0 * lag)
    earlier = np.concatenate([np.zeros(reach, np.bool_), used[: used.size - reach]])
    return replace(press, height_mm=height_mm), used & earlier


def _loop_mm(press: Press) -> float:
    """Root mean square of up less down at equal loads; NaN where the ranges do not overlap."""
    both = press.branches(LOADS)
    if both is None:
        return math.nan
    at_n = both.low_n + (both.high_n - both.low_n) * np.linspace(0.1, 0.9, LOADS)
    return float(np.sqrt(np.mean(both.down_less_up_mm(at_n) ** 2)))


# Limits: common practice, no source, each with its reason.
LEAST_POINTS = 5  # a parabola and an offset take three; two are left to judge it by
LEAST_LOADS = 3  # two always lie on a line
ONE_SIDE_FRACTION = 0.5  # of the largest load: flex below the lightest load is not seen
LEAST_LOAD_N = 50.0  # a valve spring's seat load is several times this
CONTACT_FRACTION = 0.01  # of the largest load: below it the quill may still be in the air
STEPS = 24  # of load on a branch: many samples of one press are no independent evidence
MOST_DEGREE = 4  # enough for play taken up at light loads; more would follow the noise
RESIDUAL_LIMIT_FRACTION = 0.2  # of the whole flex, for its loop and unevenness
RESIDUAL_LIMIT_MM = 0.05  # stiff presses flex little, and a scale has its steps
MOVED_FRACTION = 0.2  # of the whole flex: what a loop may leave open at the low end
MOVED_MM = 0.05  # as much as a scale's steps and a quill's repeatability explain
MIDDLE_TRUST = 0.2  # of half the loop, k = 1: how far the true flex may lie from its middle
LOW_END_FRACTION = 0.25  # of the common loads: where the two branches must meet again
WRONG_WAY_SDS = 3.0  # beyond chance
LANDED_TIMES = 1.5  # the give a newton of the top third over the middle one; ours, no source


def flex_part(
    points: Sequence[FlexPoint], load_fit: PolynomialFit, travel_fit: PolynomialFit, origin: str
) -> NewPart:
    """Fit the deflection of the press in mm over N of load.

    Once the quill is on the block the faces cannot close, so any further travel is press flex:
    height_by_travel = block - flex(load). The block's height is fitted too and dropped. A straight
    line, or a curve where the points demand it. Both branches have equal weight, so that a loop
    between them gives its middle.

    Args:
        points: 5 or more on the block, better a slow press down and up again; points before
            contact are found and left out.
        load_fit: load_n over load_counts.
        travel_fit: height_mm over travel_counts.

    Raises:
        CoilbenchError: the points are inconsistent or too few.
    """
    press = _press(points, load_fit, travel_fit)
    used = press.load_n > CONTACT_FRACTION * press.load_n.max()
    if all(point.direction is None for point in points):
        press, used = undo_sample_lag(press, used)
    on_block = press.at(used)
    _refuse_few(on_block)
    _refuse_spring(on_block)
    steps = _in_steps(on_block)
    resolution_mm = float(np.abs(slope(travel_fit, travel_fit.x_min)))
    block, notes = _fit_block(steps, resolution_mm)
    flex_span_mm = float(np.ptp(value(block, steps.load_n)))
    notes += _judge_return(steps, flex_span_mm)
    _refuse_wrong_way(block, resolution_mm)
    residuals = on_block.height_mm - value(block, on_block.load_n)
    _refuse_uneven(steps, block, flex_span_mm)

    every: list[float | None] = [None] * len(points)
    for row, residual in zip(np.flatnonzero(used), residuals.tolist(), strict=True):
        every[row] = residual
    fit = _with_beginning(_through_origin(block, on_block.load_n), steps)
    rows = [
        PointRow(
            direction=point.direction,
            load_counts=point.load_counts,
            travel_counts=point.travel_counts,
            residual_mm=residual_mm,
        )
        for point, residual_mm in zip(points, every, strict=True)
    ]
    return NewPart("flex", origin, _with_loop(fit, steps), rows, notes)


def _press(
    points: Sequence[FlexPoint], load_fit: PolynomialFit, travel_fit: PolynomialFit
) -> Press:
    if len(points) < LEAST_POINTS:
        raise CoilbenchError(
            f"{len(points)} readings are too few to measure the press flex",
            hint=f"Press a solid block slowly and read at least {LEAST_POINTS} loads",
        )
    counts = np.array([(p.load_counts, p.travel_counts) for p in points], dtype=np.float64)
    bad = np.flatnonzero(~np.isfinite(counts).all(axis=1))
    if bad.size:
        raise CoilbenchError(f"point {bad[0] + 1} is not a number", hint="Read it again")
    refuse_saturated(counts[:, 0], lambda row: f"point {row + 1}")

    load_n = value(load_fit, counts[:, 0])
    if load_n.max() < LEAST_LOAD_N:
        raise CoilbenchError(
            "the block was pressed with at most {most_n}, too little to measure flex",
            most_n=float(load_n.max()),
            hint="Press as hard as your springs will, within the rating of the cell and the press",
        )
    by_order = np.arange(len(points)) <= int(np.argmax(load_n))
    rising = [
        bool(by_order[row]) if p.direction is None else p.direction == "up"
        for row, p in enumerate(points)
    ]
    return Press(load_n, value(travel_fit, counts[:, 1]), np.array(rising))


def _refuse_few(on_block: Press) -> None:
    if on_block.load_n.size < LEAST_POINTS:
        raise CoilbenchError(
            f"{on_block.load_n.size} readings on the block are too few to measure the press flex",
            hint=f"Press it slowly and read at least {LEAST_POINTS} different loads",
        )
    low_n, high_n = float(on_block.load_n.min()), float(on_block.load_n.max())
    if distinct(on_block.load_n).size < LEAST_LOADS or low_n > ONE_SIDE_FRACTION * high_n:
        raise CoilbenchError(
            "all readings on the block are high loads, from {low_n} to {high_n}",
            low_n=float(low_n),
            high_n=float(high_n),
            hint="Press it slowly from the first touch to the largest load, and back",
        )


def _refuse_spring(on_block: Press) -> None:
    """Refuse what gives way as no block in a press does."""
    low, high = int(np.argmin(on_block.load_n)), int(np.argmax(on_block.load_n))
    gave_mm = float(on_block.height_mm[low] - on_block.height_mm[high])
    over_n = float(on_block.load_n[high] - on_block.load_n[low])
    if gave_mm > MOST_GIVE_MM_PER_N * over_n:
        raise CoilbenchError(
            "that is a spring, not a block: the travel moved by {gave_mm} over {over_n}, and no "
            "press gives so much",
            gave_mm=gave_mm,
            over_n=over_n,
            hint="Take the spring out, put a solid block in and press that; or lower the stop "
            "nuts, if the crosshead met them",
        )


def _in_steps(press: Press) -> Press:
    """Average many samples into steps of load on each branch; leave few alone.

    The steps are finer at light loads, where a press takes up its play.
    """
    if press.load_n.size <= 2 * STEPS:
        return press
    low, high = press.load_n.min(), press.load_n.max()
    share = np.sqrt((press.load_n - low) / (high - low))
    step = np.minimum((share * STEPS).astype(np.intp), STEPS - 1) + STEPS * press.rising
    count = np.bincount(step, minlength=2 * STEPS)
    filled = count > 0

    def mean(column: Array) -> Array:
        return np.bincount(step, column, minlength=2 * STEPS)[filled] / count[filled]

    return Press(mean(press.load_n), mean(press.height_mm), np.flatnonzero(filled) >= STEPS)


def _middle(steps: Press) -> Press:
    """Return the middle of both branches, where both are steps and were both pressed."""
    both = steps.branches(STEPS // 2)
    if steps.load_n.size <= STEPS or both is None:
        return steps
    up = both.up.at((both.up.load_n >= both.low_n) & (both.up.load_n <= both.high_n))
    return replace(up, height_mm=0.5 * (up.height_mm + both.down.height_at(up.load_n)))


def _fit_block(steps: Press, resolution_mm: float) -> tuple[PolynomialFit, list[Finding]]:
    """Fit height by travel over load; a curve only where it is monotonic."""
    middle = _middle(steps)
    known = np.zeros_like(middle.load_n)
    most = min(MOST_DEGREE, max(middle.load_n.size - 3, 1))
    degree = degree_demanded(middle.load_n, middle.height_mm, resolution_mm, most)
    for tried in range(degree, 1, -1):
        block = fit_with_scatter(middle.load_n, middle.height_mm, tried, known, resolution_mm)
        slopes = slope(block, np.linspace(block.x_min, block.x_max, 50))
        if slopes.max() < 0.0 or slopes.min() > 0.0:
            return block, [Finding.of("flex_curved", degree=tried), *_landed(middle)]
    straight = fit_with_scatter(middle.load_n, middle.height_mm, 1, known, resolution_mm)
    if degree == 1:
        return straight, []
    off_mm = float(np.abs(middle.height_mm - value(straight, middle.load_n)).max())
    widened = _with_slope_u(straight, off_mm / float(middle.load_n.mean()))
    return widened, [Finding.of("flex_line"), *_landed(middle)]


def _landed(steps: Press) -> Iterator[Finding]:
    """Yield that the press gives more at the highest loads than before: force passes the cell.

    A press that takes up its play gives less and less; a crosshead on its stop nuts takes load
    away from the cell, so that the same load there takes more travel.
    """
    order = np.argsort(steps.load_n)
    load_n, height_mm = steps.load_n[order], steps.height_mm[order]
    thirds = [part for part in np.array_split(np.arange(load_n.size), 3) if part.size >= 2]
    if len(thirds) < 3:
        return
    _, before, last = (
        abs(float(np.polyfit(load_n[part], height_mm[part], 1)[0])) for part in thirds
    )
    if last > LANDED_TIMES * before:
        yield Finding.of("flex_landed", from_n=float(load_n[thirds[2][0]]))


def _with_slope_u(fit: PolynomialFit, u: float) -> PolynomialFit:
    """Widen a fit by a standard uncertainty of its slope, independent of what it has."""
    covariance = np.array(fit.covariance)
    covariance[1, 1] += u**2
    return replace(fit, covariance=tuple(tuple(row) for row in covariance.tolist()))


def _judge_return(steps: Press, flex_span_mm: float) -> list[Finding]:
    """Refuse a block that moved during the press; note it where that cannot be judged."""
    both = steps.branches(2)
    if both is None:
        return [Finding.of("block_one_way")]
    low, reach = both.low_n, LOW_END_FRACTION * (both.high_n - both.low_n)
    moved_mm = float(np.mean(both.down_less_up_mm(np.linspace(low, low + reach, 5))))
    if abs(moved_mm) > max(MOVED_MM, MOVED_FRACTION * flex_span_mm):
        raise CoilbenchError(
            "the block moved: on the way up the travel at {low_n} differs by {moved_mm} from that "
            "on the way down",
            low_n=float(low),
            moved_mm=float(abs(moved_mm)),
            hint="Seat the block square and clean, tighten the table, lower the stop nuts if the "
            "crosshead met them, then press it again, slowly",
        )
    return [Finding.of("travel_back", moved_mm=moved_mm)]


def _refuse_wrong_way(block: PolynomialFit, resolution_mm: float) -> None:
    drop, u = evaluate(block, block.x_max, minus_x=block.x_min)
    if drop > max(WRONG_WAY_SDS * float(u), resolution_mm):
        raise CoilbenchError(
            "the travel goes up by {drop_mm} as the load grows, which is impossible",
            drop_mm=float(drop),
            hint="Check that load and travel are not swapped and that the travel calibration is "
            "of this rig, then press the block again",
        )


def _refuse_uneven(steps: Press, block: PolynomialFit, flex_span_mm: float) -> None:
    off = np.abs(steps.height_mm - value(block, steps.load_n))
    worst = int(np.argmax(off))
    allowed = max(RESIDUAL_LIMIT_MM, RESIDUAL_LIMIT_FRACTION * flex_span_mm)
    if off[worst] > allowed:
        raise CoilbenchError(
            "the press flex is uneven: near {near_n} the travel is off by {off_mm}, more than the "
            "limit of {allowed_mm}",
            near_n=float(steps.load_n[worst]),
            off_mm=float(off[worst]),
            allowed_mm=float(allowed),
            hint="Tighten what is loose, lower the stop nuts if the crosshead met them, press more "
            "slowly, then try again",
        )


def _with_beginning(flex: PolynomialFit, steps: Press) -> PolynomialFit:
    """Add the flex below the lightest load that was read, as far as the points show it.

    For a press that is soft at first (joints that close) polynomials of rising degree converge
    about as 1/degree: what is missing at no load is then about degree times the change that one
    more degree makes there. The part of that change due to chance is left out; half of what is
    added is its standard uncertainty. Ours, no source; tried on F^0.7 to F^0.9.
    """
    middle, degree = _middle(steps), flex.degree
    if middle.load_n.size <= degree + 2:
        return flex
    chosen = fit_polynomial(middle.load_n, middle.height_mm, degree)
    richer = fit_polynomial(middle.load_n, middle.height_mm, degree + 1)
    change_mm = richer.coefficients[0] - chosen.coefficients[0]
    if chosen.residual_sd == 0.0 or change_mm == 0.0:
        return flex
    noise2 = (richer.residual_sd / chosen.residual_sd) ** 2
    chance2 = max(richer.covariance[0][0] - noise2 * chosen.covariance[0][0], 0.0)
    believed = degree * max(1.0 - chance2 / change_mm**2, 0.0)
    missing_mm = max(believed * change_mm, -max(float(value(flex, flex.x_min)), 0.0))
    covariance = np.array(flex.covariance)
    covariance[0, 0] = (0.5 * missing_mm) ** 2 + believed**2 * chance2
    return replace(
        flex,
        coefficients=(missing_mm, *flex.coefficients[1:]),
        covariance=tuple(tuple(row) for row in covariance.tolist()),
    )


def _with_loop(flex: PolynomialFit, steps: Press) -> PolynomialFit:
    """Widen the uncertainty by what the middle of the loop between up and down leaves open."""
    off = steps.height_mm + value(flex, steps.load_n)
    up, down = off[steps.rising], off[~steps.rising]
    if not (up.size and down.size):
        return flex
    half_mm = 0.5 * abs(float(up.mean() - down.mean()))
    return _with_slope_u(flex, MIDDLE_TRUST * half_mm / float(steps.load_n.mean()))


def _through_origin(block: PolynomialFit, load_n: Array) -> PolynomialFit:
    """Turn height by travel over load into flex over load: drop the block, change the sign.

    The range is that of the samples; the steps' means reach less far.
    """
    covariance = np.array(block.covariance)
    covariance[0, :] = covariance[:, 0] = 0.0
    return replace(
        block,
        coefficients=(0.0, *(-c for c in block.coefficients[1:])),
        covariance=tuple(tuple(row) for row in covariance.tolist()),
        x_min=float(load_n.min()),
        x_max=float(load_n.max()),
    )
