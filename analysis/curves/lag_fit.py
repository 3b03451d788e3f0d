"""The lag of load behind travel, found from the strokes themselves. Pure.

At one height of one spring, the load depends on the speed only through the lag; friction depends
on direction and load. So in all strokes of a spring together, least squares fits the load by a
smooth curve of height, friction (a constant and a part in proportion to the load, both changing
sign with the direction), an offset for each stroke, and the derivatives of the load with respect to
the delay and spread of the lag. Strokes of different speed, the change of speed within each, the
slowing at the turn and a hand's tremor all contain information on the lag. What remains of the
loop is friction. All strokes are worked on at once, in arrays behind each other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.curves.sweep_fit import TURN_MM
from coilbench.capture.calibration.course import Rows
from coilbench.capture.calibration.lag import (
    LEAST_SHARE,
    Lag,
    Press,
    Presses,
    typical_delay_s,
)
from coilbench.capture.calibration.statistics import ROBUST_SD_PER_MAD, median
from coilbench.capture.strokes.bins import Array

# All of these are our choice, no source.
STRAIGHT_SHARE = 0.99  # of that way, net over total: even a short way back reverses friction
SLACK_MM = 0.02  # a smaller step back is ignored
KNOTS = 8
ROUNDS = 6
DONE = 1e-3  # a step smaller than this share of the uncertainty is the last
PIECES = 3  # pieces of a branch whose errors are taken as independent
LEAST_SAMPLES = 30
CONTACT_SHARES = (0.15, 0.5)  # of the largest load: where the course is straight and well seen
ROGUE_SDS = 6.0
KNOWN_SHARE = 0.5  # known is a delay whose uncertainty is below this share of what is typical
TRUST_STEPS = 0.02  # of a sample's interval: no delay is trusted finer, a spread than its square
LEAST_PLAIN = 1e-3  # of a column: with less of its own than that it needs more digits
FEW_STROKES = 4.0  # strokes that determine the spread as well as SPREAD_TRUST
SPREAD_TRUST = 0.1  # of the spread: a filter is no moving average, only much like one


class _Evidence(NamedTuple):
    """What springs tell: residual load over the effects of delay and spread, friction out."""

    residual_n: Array  # (n,)
    by_lag: Array  # (n, 2)
    piece: NDArray[np.intp]  # (n,)
    weight: Array  # (n,)


def estimate_lag(springs: Sequence[Sequence[Press]]) -> Lag:
    """Estimate the lag that all strokes of one rig share.

    Gauss-Newton's steps over all springs together. What is typical of such converters (four
    conversions, HX711 datasheet) comes in as weak prior knowledge, so that strokes without
    information leave it with its large uncertainty. The covariance is the sandwich over pieces of
    strokes (White, Econometrica 48, 1980; by clusters, from memory), since errors within a piece
    are correlated.
    """
    intervals = [np.diff(press.t_s) for one in springs for press in one if press.t_s.size > 1]
    step_s = median(np.concatenate(intervals)) if intervals else math.inf
    if not math.isfinite(step_s):
        return Lag(0.0, 0.0, ((0.0, 0.0), (0.0, 0.0)))
    # one way alone can't tell lag from stiffness
    springs = [[press for press in one if not press.down_alone] for one in springs]
    typical_s = typical_delay_s(step_s)
    loose_s = max(typical_s, 0.02)
    at = np.array([typical_s, typical_s**2 / 3.0])
    looked: Looked | None = None
    for _ in range(ROUNDS):
        looked = Looked.at(springs, looked, *at)
        evidence = None if looked is None else _evidence(looked, *at)
        spread_sd = at[0] ** 2 / 3.0 + (step_s / 4.0) ** 2
        prior = np.diag([loose_s**-2.0, spread_sd**-2.0])
        wanted = prior @ (np.array([typical_s, at[0] ** 2 / 3.0]) - at)
        move, covariance, pieces = _step(evidence, prior, wanted)
        at = np.array([at[0] + move[0], max(at[1] + move[1], 0.0)])
        if np.all(np.abs(move) < DONE * np.sqrt(np.diag(covariance))):
            break
    delay_u_s = math.sqrt(covariance[0, 0])
    known = delay_u_s < KNOWN_SHARE * loose_s
    strokes = max(sum(len(one) for one in springs), 1)
    spread_trust = SPREAD_TRUST * math.sqrt(1.0 + FEW_STROKES / strokes)
    spread_floor_s2 = spread_trust * max(float(at[1]), at[0] ** 2 / 3.0)
    floor = [TRUST_STEPS * step_s, (TRUST_STEPS * step_s) ** 2 + spread_floor_s2]
    (a, b), (c, d) = (covariance + np.diag(np.square(floor))).tolist()
    return Lag(
        delay_s=float(at[0]),
        spread_s2=float(at[1]),
        covariance=((a, b), (c, d)),
        degrees_of_freedom=float(max(pieces - 2, 1)),
        known=known,
    )


def _step(evidence: _Evidence | None, prior: Array, wanted: Array) -> tuple[Array, Array, int]:
    """One Gauss-Newton step, its covariance, and the number of pieces behind it."""
    if evidence is None:
        known: Array = np.asarray(np.linalg.inv(prior), dtype=np.float64)
        return known @ wanted, known, 0
    residual, by_lag, piece, weight = evidence
    weighed = by_lag * weight[:, None]
    inverse = np.linalg.inv(prior + weighed.T @ by_lag)
    move = inverse @ (wanted + weighed.T @ residual)
    left = residual - by_lag @ move
    score = np.column_stack([np.bincount(piece, column * left) for column in weighed.T])
    pieces = int(np.count_nonzero(np.bincount(piece)))
    meat = score.T @ score * (pieces / max(pieces - 2, 1))
    return move, inverse @ (meat + prior) @ inverse, pieces


class Looked(NamedTuple):
    """The strokes that some filter could follow, spring by spring.

    Attributes:
        chosen: which of all strokes they are.
        spring: which spring each is of, shape (strokes,), ascending from 0.
        touching_mm: below which height coils touch, likewise.
        gone_down: of the travel, shape (n,); see _gone_down.
    """

    chosen: list[int]
    presses: Presses
    spring: NDArray[np.intp]
    touching_mm: Array
    gone_down: Array

    @classmethod
    def at(
        cls,
        springs: Sequence[Sequence[Press]],
        before: Looked | None,
        delay_s: float,
        spread_s2: float,
    ) -> Looked | None:
        """Return them at a lag, as before if they are the same; None where there is no stroke.

        All of a spring's strokes where it has none that is slow enough.
        """
        chosen: list[int] = []
        number = 0
        for one in springs:
            fast = [press.too_fast(delay_s, spread_s2) for press in one]
            chosen += [number + at for at, each in enumerate(fast) if not each or all(fast)]
            number += len(one)
        if not chosen or (before is not None and before.chosen == chosen):
            return before
        every = [press for one in springs for press in one]
        of = np.repeat(np.arange(len(springs)), [len(one) for one in springs])[chosen].tolist()
        return cls.of([every[at] for at in chosen], of)._replace(chosen=chosen)

    @classmethod
    def of(cls, presses: Sequence[Press], spring: Sequence[int]) -> Looked:
        """Look at strokes, each of a spring of this number, ascending."""
        number = np.unique(np.array(spring), return_inverse=True)[1]
        touching_mm = np.array([press.touching_mm for press in presses])
        every = Presses.of(presses)
        gone_down = _gone_down(every.rows, every.travel_mm)
        return cls([], every, number, touching_mm, gone_down)

    def from_contact(self, contact_mm: Array) -> Looked:
        """Return the same, the springs pushing from these heights on, one a stroke."""
        return self._replace(presses=self.presses.with_contact(contact_mm))

    def begun_down(self, delay_s: float, spread_s2: float) -> Array:
        """Return gone_down as it was where each load's window begins."""
        return self.presses.earlier(self.gone_down, delay_s, spread_s2)

    def contacts_mm(self, lag: Lag) -> Array:
        """Return where each spring's straight course comes to no load, one a stroke."""
        at = lag.delay_s, lag.spread_s2
        begun = self.begun_down(*at)
        at_mm = _seen_contact_mm(self, begun, *at)
        return _seen_contact_mm(self.from_contact(at_mm), begun, *at)


def _evidence(looked: Looked, delay_s: float, spread_s2: float) -> _Evidence | None:
    """Take all that is not lag out of the strokes; None where no spring's hold enough."""
    begun = looked.begun_down(delay_s, spread_s2)
    looked = looked.from_contact(_seen_contact_mm(looked, begun, delay_s, spread_s2))
    presses, samples = looked.presses, _usable_samples(looked, begun, delay_s, spread_s2)
    by_lag = presses.by_lag(delay_s, spread_s2, samples.height_mm, samples.at)
    load, way = presses.load_n[samples.at], samples.way
    stroke = presses.rows.stroke[samples.at]
    piece = _pieces(stroke, way)
    begins = np.searchsorted(looked.spring[stroke], np.arange(looked.spring[-1] + 2))
    splines, rising = _courses(samples.height_mm, begins)
    found = []
    for begin, end in pairwise(begins.tolist()):
        if end - begin >= LEAST_SAMPLES:
            own = slice(begin, end)
            first = np.flatnonzero(np.diff(stroke[own]))  # the strokes' but the first
            strokes = stroke[own, None] == stroke[own][first + 1]
            course = splines[own], rising[own]
            left = _friction_out(*course, load[own], way[own], by_lag[own], strokes)
            size = np.abs(left[:, 0])
            fair = size <= max(ROGUE_SDS * ROBUST_SD_PER_MAD * median(size), 1e-9)
            residual = left[fair, 0]
            weight = np.full(residual.size, 1.0 / max(float(np.mean(residual**2)), 1e-12))
            found.append(_Evidence(residual, left[fair, 1:], piece[own][fair], weight))
    return _Evidence(*map(np.concatenate, zip(*found, strict=True))) if found else None


def _courses(height: Array, begins: NDArray[np.intp]) -> tuple[Array, Array]:
    """Lay splines over each spring's heights, which begin so; and how they rise, per mm."""
    count = np.diff(begins)
    some = begins[:-1][count > 0]
    low = np.repeat(np.minimum.reduceat(height, some), count[count > 0])
    high = np.repeat(np.maximum.reduceat(height, some), count[count > 0])
    span, edge = np.maximum(high - low, 1e-9), 0.01
    share = (height - low) / span
    here, above, below = np.split(_basis(np.concatenate([share, share + edge, share - edge])), 3)
    above -= below
    above /= (2.0 * edge * span)[:, None]
    return here, above


def _friction_out(
    splines: Array,
    rising: Array,
    load: Array,
    way: Array,
    by_lag: Array,
    strokes: NDArray[np.bool_],
) -> Array:
    """Take the spring's course, its friction and the strokes' offsets out, shape (n, 3).

    Of the load, and of the effects of delay and spread on it. By the normal equations, which are
    quick; where a column has little of its own, and so loses digits in them, by QR.
    """
    others = np.column_stack([splines, way, way * load, strokes])
    size = np.sqrt(np.add.reduce(others * others))
    others /= np.where(size > 0.0, size, 1.0)
    own, products = splines.shape[1], others.T @ others
    try:
        plain = np.linalg.cholesky(products).diagonal().min() > LEAST_PLAIN
    except np.linalg.LinAlgError:
        plain = False
    if plain:
        smooth = np.linalg.solve(products[:own, :own], load @ others[:, :own]) / size[:own]
    else:
        smooth = np.linalg.lstsq(splines, load)[0]  # the smallest of those that fit alike
        others = np.linalg.qr(others)[0]
    columns = np.column_stack([load, (rising @ smooth)[:, None] * by_lag])
    taken = others.T @ columns
    return np.asarray(columns - others @ (np.linalg.solve(products, taken) if plain else taken))


def _pieces(stroke: NDArray[np.intp], way: Array) -> NDArray[np.intp]:
    """Number each stroke's branches, each cut into PIECES of equally many samples."""
    branch = 2 * stroke + (way > 0.0)
    first = np.flatnonzero(np.diff(branch, prepend=-1))
    count = np.diff(first, append=branch.size)
    inside = np.arange(branch.size) - np.repeat(first, count)
    return np.asarray(branch * PIECES + inside * PIECES // np.repeat(count, count), dtype=np.intp)


class _Usable(NamedTuple):
    """The samples that have their friction fully reversed, shape (m,) each."""

    at: NDArray[np.intp]
    height_mm: Array
    way: Array  # 1 going down, -1 going up


def _seen_contact_mm(looked: Looked, begun: Array, delay_s: float, spread_s2: float) -> Array:
    """Extend the line through each spring's lighter loads down to none, one a stroke.

    Infinite where they are too few.
    """
    at, height, _ = _usable_samples(looked, begun, delay_s, spread_s2)
    load, spring = looked.presses.load_n[at], looked.spring[looked.presses.rows.stroke[at]]
    springs = int(looked.spring[-1]) + 1
    largest_n = np.zeros(springs)
    np.maximum.at(largest_n, spring, load)
    low, high = (share * largest_n[spring] for share in CONTACT_SHARES)
    light = np.flatnonzero((load >= low) & (load <= high))
    enough = np.bincount(spring, minlength=springs) >= LEAST_SAMPLES
    height, load, spring = height[light], load[light], spring[light]

    def sums(x: Array | None = None) -> Array:
        return np.bincount(spring, x, springs).astype(np.float64, copy=False)

    count = sums()
    enough &= count >= LEAST_SAMPLES // PIECES
    count = np.maximum(count, 1.0)
    middle_n, middle_mm = sums(load) / count, sums(height) / count
    away = load - middle_n[spring]
    spread = sums(away * away)
    enough &= spread > (1e-9 * largest_n) ** 2  # not all alike
    mm_per_n = sums(away * (height - middle_mm[spring])) / np.where(enough, spread, 1.0)
    return np.where(enough, middle_mm - middle_n * mm_per_n, np.inf)[looked.spring]


def _usable_samples(looked: Looked, begun: Array, delay_s: float, spread_s2: float) -> _Usable:
    """Find the samples whose friction has fully reversed; none of a press of a few."""
    presses, rows, load = looked.presses, looked.presses.rows, looked.presses.load_n
    height = presses.heights_mm((delay_s,), (spread_s2,))[0]
    down = np.arange(height.size) <= rows.lowest(height)[rows.stroke]
    # strokes far apart, so that no stroke's lowest height is another's
    away = (np.ptp(height) + 1.0) * rows.stroke
    first = np.minimum.accumulate(height - away) + away
    last = np.minimum.accumulate((height + away)[::-1])[::-1] - away
    way = np.where(down, 1.0, -1.0)
    use = height <= np.where(down, first, last) + SLACK_MM
    use &= way * _gone_down(rows, height) > STRAIGHT_SHARE * TURN_MM
    use &= way * begun > STRAIGHT_SHARE * TURN_MM
    free = height > looked.touching_mm[rows.stroke]
    largest_n = np.maximum.reduceat(np.where(free, load, 0.0), rows.first)
    use &= free & (load > (LEAST_SHARE * np.maximum(largest_n, 0.0))[rows.stroke])
    use &= (rows.last - rows.first >= LEAST_SAMPLES // PIECES - 1)[rows.stroke]
    at = np.flatnonzero(use)
    return _Usable(at, height[at], way[at])


def _gone_down(rows: Rows, height: Array) -> Array:
    """How far the last TURN_MM of each stroke's way led down; as far up is negative."""
    path = np.cumsum(np.abs(np.diff(height, prepend=height[0])) + 1e-9)
    return rows.interpolated(path - TURN_MM, path, height) - height


def _basis(share: Array) -> Array:
    """Return cubic B-splines over KNOTS even knots at shares from 0 to 1, shape (n, KNOTS + 2).

    By the recurrence of de Boor and Cox (J. Approx. Theory 6, 1972, from memory); our own since
    scipy.interpolate takes long to load.
    """
    knots = np.concatenate([[0.0] * 3, np.linspace(0.0, 1.0, KNOTS), [1.0] * 3])
    inside = np.clip(share, 0.0, 1.0)
    piece = np.clip(knots.searchsorted(inside, side="right") - 1, 3, KNOTS + 1)
    near = np.ones((1, inside.size))  # those four that are not zero there, degree by degree
    for degree in (1, 2, 3):
        before = np.arange(degree)[:, None]
        left, right = knots[piece - before[::-1]], knots[piece + 1 + before]
        part = near / (right - left)
        near = np.zeros((degree + 1, inside.size))
        near[:-1] = (right - inside) * part
        near[1:] += (inside - left) * part
    found = np.zeros((inside.size, KNOTS + 2))
    place = np.arange(0, found.size, KNOTS + 2) + (piece - 3)
    for more, each in enumerate(near):
        found.reshape(-1)[place + more] = each
    return found
