"""The lag of load behind travel, found from the strokes themselves and undone. Pure.

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
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from coilbench.analysis.curves.branches import Array
from coilbench.capture.lag import SETTLING_CONVERSIONS, Lag, Press
from coilbench.capture.sweep import Branch, Sweep

# All of these are our choice, no source.
LEAST_SHARE = 0.1  # of the largest load: below it end coils still close
TURN_MM = 1.5  # after so much straight way friction has turned round in full
STRAIGHT_SHARE = 0.9  # of that way, as the crow flies
SLACK_MM = 0.02  # back by less is no way back
KNOTS = 8
ROUNDS = 6
DONE = 1e-3  # a step smaller than this share of the uncertainty is the last
PIECES = 3  # a branch falls into so many pieces whose errors are taken as independent
LEAST_SAMPLES = 30
ROGUE_SDS = 6.0
KNOWN_SHARE = 0.5  # known is a delay whose uncertainty is below this share of what is typical
TRUST_STEPS = (
    0.02  # of a sample's interval: no delay is trusted finer, nor a spread than its square
)
SPREAD_TRUST = 0.15  # of the spread: a filter is no moving average, only much like one


class _Evidence(NamedTuple):
    """What one spring tells: residual load over the effects of delay and spread, friction out."""

    residual_n: Array  # (n,)
    by_lag: Array  # (n, 2)
    piece: NDArray[np.intp]  # (n,)


def undo_lag(sweeps: Mapping[str, Sequence[Sweep]]) -> dict[str, list[Sweep]]:
    """Find the lag of each rig in a set, and undo it in all its sweeps.

    Args:
        sweeps: a set's, by label; those without a press stay as they are.
    """
    groups: dict[str, dict[str, list[Press]]] = {}
    for label, own in sweeps.items():
        for sweep in own:
            if sweep.press is not None:
                groups.setdefault(_rig_of(sweep), {}).setdefault(label, []).append(sweep.press)
    lags = {rig: estimate_lag(list(presses.values())) for rig, presses in groups.items()}
    return {
        label: [
            sweep if sweep.press is None else corrected(sweep, sweep.press, lags[_rig_of(sweep)])
            for sweep in own
        ]
        for label, own in sweeps.items()
    }


def _rig_of(sweep: Sweep) -> str:
    return "" if sweep.rig is None else sweep.rig.calibration_id


def corrected(sweep: Sweep, press: Press, lag: Lag) -> Sweep:
    """Return the sweep with its branches at the heights that belong to the loads."""
    height = press.height_mm(lag.delay_s, lag.spread_s2)
    by_lag = _height_by_lag(press, lag.delay_s, lag.spread_s2)
    loading, unloading = Branch(height, press.load_n, by_lag).split()
    return replace(sweep, loading=loading, unloading=unloading, lag=lag)


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
    typical_s = 0.5 * SETTLING_CONVERSIONS * step_s
    loose_s = max(typical_s, 0.02)
    at = np.array([typical_s, typical_s**2 / 3.0])
    for _ in range(ROUNDS):
        found = [_evidence(one, *at) for one in springs]
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
    floor = [TRUST_STEPS * step_s, (TRUST_STEPS * step_s) ** 2 + SPREAD_TRUST * at[1]]
    covariance = covariance + np.diag(np.square(floor))
    rows = covariance.tolist()
    return Lag(
        delay_s=float(at[0]),
        spread_s2=float(at[1]),
        covariance=((rows[0][0], rows[0][1]), (rows[1][0], rows[1][1])),
        degrees_of_freedom=float(max(pieces - 2, 1)),
        known=known,
        note=_note(float(at[0]), math.sqrt(covariance[0, 0]), known=known),
    )


def _note(delay_s: float, u_s: float, *, known: bool) -> str:
    told = f"{1e3 * delay_s:.1f} ms, good to {2e3 * u_s:.1f} ms (k = 2)"
    if known:
        return f"the load's lag behind the travel was found from the strokes and undone: {told}"
    return (
        f"lag unknown: too few strokes, or all too slow, to tell it; what is typical was undone, "
        f"{told}. Press some strokes faster and some slower"
    )


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
    parts = [_usable(press, delay_s, spread_s2) for press in presses]
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
    scale = 1.4826 * float(np.median(np.abs(left[:, 0])))
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


def _usable(press: Press, delay_s: float, spread_s2: float) -> Array:
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
    path = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(height)) + 1e-9)])
    earlier = np.interp(path - TURN_MM, path, height)
    gone = np.where(down, earlier - height, height - earlier)
    use = np.where(down, first, last) & (gone > STRAIGHT_SHARE * TURN_MM)
    use &= press.load_n > LEAST_SHARE * press.load_n.max()
    way = np.where(down, 1.0, -1.0)
    by_lag = _height_by_lag(press, delay_s, spread_s2)
    return np.column_stack([height, press.load_n, way, by_lag])[use]


def _height_by_lag(press: Press, delay_s: float, spread_s2: float) -> Array:
    """How the height moves with delay and spread, shape (n, 2), mm/s and mm/s^2."""
    step_s = 1e-4
    step_s2 = max(0.1 * spread_s2, 1e-6)
    ahead, behind = (press.height_mm(delay_s + way * step_s, spread_s2) for way in (1.0, -1.0))
    wider = press.height_mm(delay_s, spread_s2 + step_s2)
    here = press.height_mm(delay_s, spread_s2)
    return np.column_stack([(ahead - behind) / (2.0 * step_s), (wider - here) / step_s2])


def _basis(height: Array, span: tuple[float, float]) -> Array:
    """Cubic B-splines over KNOTS even knots, shape (n, KNOTS + 2)."""
    low, high = span
    knots = np.concatenate([[low] * 3, np.linspace(low, high, KNOTS), [high] * 3])
    inside = np.clip(height, low, high)
    return np.asarray(BSpline.design_matrix(inside, knots, 3).toarray(), dtype=np.float64)
