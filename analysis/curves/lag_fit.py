"""The lag of load behind travel, found from the strokes themselves. Pure.

At one height of one spring, the load should be the same whatever the speed, but for friction, which
goes by direction and load. What goes by speed is lag. So in all strokes of a spring together, load
is fitted by a smooth curve of height, friction (a constant and a part in proportion to the load,
each turning its sign with the direction), an offset a stroke, and how the load would move if
the filter were slower or longer. Strokes of different speed, the course of the speed within each,
the slowing at the turn and a hand's tremor all tell of it; least squares weighs them. What remains
of the loop is friction.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.curves.branches import Array
from coilbench.capture.calibration.lag import SETTLING_CONVERSIONS, Lag, Press
from coilbench.capture.calibration.statistics import ROBUST_SD_PER_MAD

# All of these are our choice, no source.
LEAST_SHARE = 0.1  # of the largest load: below it end coils still close
TURN_MM = 1.5  # after so much straight way friction has turned round in full
STRAIGHT_SHARE = 0.99  # of that way, as the crow flies: even a short way back turns friction round
SLACK_MM = 0.02  # back by less is no way back
KNOTS = 8
ROUNDS = 6
DONE = 1e-3  # a step smaller than this share of the uncertainty is the last
PIECES = 3  # a branch falls into so many pieces whose errors are taken as independent
LONGEST_TYPICAL_S = (
    0.2  # at the slowest 10 conversions a second (HX711 datasheet: 400 ms to settle)
)
LEAST_WINDOWS = 1.25  # of the filter and a sample's interval, that a way down or up must last
LEAST_SAMPLES = 30
CONTACT_SHARES = (0.15, 0.5)  # of the largest load: where the course is straight and well seen
ROGUE_SDS = 6.0
KNOWN_SHARE = 0.5  # known is a delay whose uncertainty is below this share of what is typical
TRUST_STEPS = (
    0.02  # of a sample's interval: no delay is trusted finer, nor a spread than its square
)
FEW_STROKES = 4.0  # so many strokes tell as much of the spread's shape as is believed at all
SPREAD_TRUST = 0.1  # of the spread: a filter is no moving average, only much like one


class _Evidence(NamedTuple):
    """What one spring tells: residual load over the effects of delay and spread, friction out."""

    residual_n: Array  # (n,)
    by_lag: Array  # (n, 2)
    piece: NDArray[np.intp]  # (n,)


def estimate_lag(springs: Sequence[Sequence[Press]]) -> Lag:
    """Estimate the lag that all strokes of one rig share.

    Gauss-Newton's steps over all springs together. What is typical of such converters (four
    conversions, HX711 datasheet) comes in as weak prior knowledge, so that strokes that tell
    nothing leave it with its large uncertainty. The covariance is the sandwich over pieces of
    strokes (White, Econometrica 48, 1980; by clusters, from memory), since errors in one piece
    hang together.

    Args:
        springs: the strokes of each spring; at least one with two samples.
    """
    intervals = [np.diff(press.t_s) for one in springs for press in one if press.t_s.size > 1]
    step_s = float(np.median(np.concatenate(intervals))) if intervals else math.inf
    if not math.isfinite(step_s):
        return Lag(0.0, 0.0, ((0.0, 0.0), (0.0, 0.0)))
    typical_s = typical_delay_s(step_s)
    loose_s = max(typical_s, 0.02)
    at = np.array([typical_s, typical_s**2 / 3.0])
    for _ in range(ROUNDS):
        found = [_evidence(_slow_enough(one, *at), *at) for one in springs]
        evidence = [one for one in found if one is not None]
        spread_sd = at[0] ** 2 / 3.0 + (step_s / 4.0) ** 2
        prior = np.diag([loose_s**-2.0, spread_sd**-2.0])
        wanted = prior @ (np.array([typical_s, at[0] ** 2 / 3.0]) - at)
        move, covariance, pieces = _step(evidence, prior, wanted)
        at = np.array([at[0] + move[0], max(at[1] + move[1], 0.0)])
        if np.all(np.abs(move) < DONE * np.sqrt(np.diag(covariance))):
            break
    delay_u_s = math.sqrt(covariance[0, 0])
    known = delay_u_s < KNOWN_SHARE * loose_s
    strokes = sum(len(one) for one in springs)
    spread_trust = SPREAD_TRUST * math.sqrt(1.0 + FEW_STROKES / strokes)
    spread_floor_s2 = spread_trust * max(float(at[1]), at[0] ** 2 / 3.0)
    floor = [TRUST_STEPS * step_s, (TRUST_STEPS * step_s) ** 2 + spread_floor_s2]
    covariance = covariance + np.diag(np.square(floor))
    rows = covariance.tolist()
    return Lag(
        delay_s=float(at[0]),
        spread_s2=float(at[1]),
        covariance=((rows[0][0], rows[0][1]), (rows[1][0], rows[1][1])),
        degrees_of_freedom=float(max(pieces - 2, 1)),
        known=known,
    )


def typical_delay_s(step_s: float) -> float:
    """The delay that is typical of a converter that gives a sample each step_s."""
    return min(0.5 * SETTLING_CONVERSIONS * step_s, LONGEST_TYPICAL_S)


def _step(evidence: Sequence[_Evidence], prior: Array, wanted: Array) -> tuple[Array, Array, int]:
    """One Gauss-Newton step, its covariance, and the number of pieces behind it."""
    information, pull = prior.copy(), wanted.copy()
    weights = [1.0 / max(float(np.mean(one.residual_n**2)), 1e-12) for one in evidence]
    for one, weight in zip(evidence, weights, strict=True):
        information += weight * one.by_lag.T @ one.by_lag
        pull += weight * one.by_lag.T @ one.residual_n
    inverse = np.linalg.inv(information)
    move = inverse @ pull
    meat, pieces = np.zeros((2, 2)), 0
    for one, weight in zip(evidence, weights, strict=True):
        left = one.residual_n - one.by_lag @ move
        score = np.column_stack([np.bincount(one.piece, one.by_lag[:, at] * left) for at in (0, 1)])
        meat += weight**2 * score.T @ score
        pieces += int(np.unique(one.piece).size)
    meat *= pieces / max(pieces - 2, 1)
    return move, inverse @ (meat + prior) @ inverse, pieces


def _evidence(presses: Sequence[Press], delay_s: float, spread_s2: float) -> _Evidence | None:
    """Take all that is not lag out of one spring's strokes; None where they hold too little."""
    parts = [usable_samples(press, delay_s, spread_s2) for press in presses]
    at_mm = no_load_mm(np.concatenate(parts))
    presses = [replace(press, contact_mm=at_mm) for press in presses]
    parts = [usable_samples(press, delay_s, spread_s2) for press in presses]
    number = np.repeat(np.arange(len(parts)), [part.shape[0] for part in parts])
    height, load, way, *by_lag = np.concatenate(parts).T[:5]
    if height.size < LEAST_SAMPLES:
        return None
    span = float(height.min()), float(height.max())
    basis = _basis(height, span)
    offsets = (number[:, None] == np.unique(number)[1:]).astype(np.float64)
    others, _ = np.linalg.qr(np.column_stack([basis, way, way * load, offsets]))
    smooth = np.linalg.lstsq(basis, load)[0]
    edge = 0.01 * (span[1] - span[0])
    n_per_mm = (_basis(height + edge, span) - _basis(height - edge, span)) @ smooth / (2.0 * edge)
    columns = np.column_stack([load, *(n_per_mm * column for column in by_lag)])
    left = columns - others @ (others.T @ columns)
    scale = ROBUST_SD_PER_MAD * float(np.median(np.abs(left[:, 0])))
    fair = np.abs(left[:, 0]) <= max(ROGUE_SDS * scale, 1e-9)
    piece = _pieces(number, way)
    return _Evidence(left[fair, 0], left[fair, 1:], piece[fair])


def _pieces(number: NDArray[np.intp], way: Array) -> NDArray[np.intp]:
    """Number each stroke's branches, each cut into PIECES of equally many samples."""
    branch = 2 * number + (way > 0.0)
    _, first, count = np.unique(branch, return_index=True, return_counts=True)
    order = np.argsort(first)
    inside = np.concatenate([np.arange(n) * PIECES // n for n in count[order]])
    return np.asarray(branch * PIECES + inside, dtype=np.intp)


def usable_samples(press: Press, delay_s: float, spread_s2: float) -> Array:
    """Samples whose friction has turned round in full: height, load, way, effects of the lag.

    Returns:
        shape (m, 5); the way is 1 going down and -1 going up.
    """
    height = press.height_mm(delay_s, spread_s2)
    if height.size < LEAST_SAMPLES // PIECES:
        return np.empty((0, 5))
    deepest = int(np.argmin(height))
    down = np.arange(height.size) <= deepest
    first = height <= np.minimum.accumulate(height) + SLACK_MM
    last = height <= np.minimum.accumulate(height[::-1])[::-1] + SLACK_MM
    way = np.where(down, 1.0, -1.0)
    use = np.where(down, first, last) & (way * _gone_down(height) > STRAIGHT_SHARE * TURN_MM)
    at_begin = press.earlier(_gone_down(press.travel_mm), delay_s, spread_s2)
    use &= way * at_begin > STRAIGHT_SHARE * TURN_MM
    free = height > press.touching_mm
    use &= free & (press.load_n > LEAST_SHARE * press.load_n[free].max(initial=0.0))
    by_lag = height_by_lag(press, delay_s, spread_s2)
    return np.column_stack([height, press.load_n, way, by_lag])[use]


def is_too_fast(press: Press, delay_s: float, spread_s2: float) -> bool:
    """Whether the way down or up took so little time that the filter saw hardly anything of it."""
    pressed = np.flatnonzero(press.load_n > LEAST_SHARE * press.load_n.max(initial=0.0))
    if pressed.size < 2:
        return True
    begin_s, turn_s, end_s = press.t_s[[pressed[0], np.argmin(press.travel_mm), pressed[-1]]]
    interval_s = float(np.median(np.diff(press.t_s)))
    window_s = 2.0 * max(math.sqrt(3.0 * spread_s2), abs(delay_s)) + interval_s
    return bool(min(turn_s - begin_s, end_s - turn_s) < LEAST_WINDOWS * window_s)


def _slow_enough(presses: Sequence[Press], delay_s: float, spread_s2: float) -> Sequence[Press]:
    slow = [press for press in presses if not is_too_fast(press, delay_s, spread_s2)]
    return slow if slow else presses


def no_load_mm(usable: Array) -> float:
    """Extend the line through the lighter loads down to none; infinite where they are too few."""
    height, load = usable[:, 0], usable[:, 1]
    if load.size < LEAST_SAMPLES:
        return math.inf
    low, high = (share * float(load.max()) for share in CONTACT_SHARES)
    light = (load >= low) & (load <= high)
    if np.count_nonzero(light) < LEAST_SAMPLES // PIECES or np.ptp(load[light]) <= 0.0:
        return math.inf
    return float(np.polynomial.Polynomial.fit(load[light], height[light], 1)(0.0))


def _gone_down(height: Array) -> Array:
    """How far the last TURN_MM of the way led down; as far up is negative."""
    path = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(height)) + 1e-9)])
    return np.interp(path - TURN_MM, path, height) - height


def height_by_lag(press: Press, delay_s: float, spread_s2: float) -> Array:
    """How the height moves with delay and spread, shape (n, 2), mm/s and mm/s^2."""
    step_s = 1e-4
    step_s2 = max(0.1 * spread_s2, 1e-6)
    ahead, behind = (press.height_mm(delay_s + way * step_s, spread_s2) for way in (1.0, -1.0))
    wider = press.height_mm(delay_s, spread_s2 + step_s2)
    here = press.height_mm(delay_s, spread_s2)
    return np.column_stack([(ahead - behind) / (2.0 * step_s), (wider - here) / step_s2])


def _basis(height: Array, span: tuple[float, float]) -> Array:
    """Cubic B-splines over KNOTS even knots, shape (n, KNOTS + 2)."""
    from scipy.interpolate import BSpline  # here: it takes longest to load of all

    low, high = span
    knots = np.concatenate([[low] * 3, np.linspace(low, high, KNOTS), [high] * 3])
    inside = np.clip(height, low, high)
    return np.asarray(BSpline.design_matrix(inside, knots, 3).toarray(), dtype=np.float64)
