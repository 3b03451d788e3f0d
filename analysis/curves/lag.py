"""The lag of load behind travel, found from the strokes themselves and removed from them. Pure.

At one height of one spring, the load depends on the speed only through the lag; friction depends
on direction and load. So in all strokes of a spring together, least squares fits the load by a
smooth curve of height, friction (a constant and a part in proportion to the load, both changing
sign with the direction), an offset for each stroke, and the derivatives of the load with respect to
the delay and spread of the lag. Strokes of different speed, the change of speed within each, the
slowing at the turn and a hand's tremor all contain information on the lag. What remains of the
loop is friction.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.curves.passes import fit_sweep
from coilbench.analysis.curves.sweep_fit import TURN_MM
from coilbench.analysis.curves.wall import touching_mm
from coilbench.capture.calibration.lag import LEAST_SHARE, Lag, Press, typical_delay_s
from coilbench.capture.calibration.statistics import ROBUST_SD_PER_MAD, median
from coilbench.capture.strokes.bins import Array
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import StrokeRepeat, Sweep

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
FEW_STROKES = 4.0  # strokes that determine the spread as well as SPREAD_TRUST
SPREAD_TRUST = 0.1  # of the spread: a filter is no moving average, only much like one


class _Evidence(NamedTuple):
    """What one spring tells: residual load over the effects of delay and spread, friction out."""

    residual_n: Array  # (n,)
    by_lag: Array  # (n, 2)
    piece: NDArray[np.intp]  # (n,)


def _estimate_lag(springs: Sequence[Sequence[Press]]) -> Lag:
    """Estimate the lag that all strokes of one rig share.

    Gauss-Newton's steps over all springs together. What is typical of such converters (four
    conversions, HX711 datasheet) comes in as weak prior knowledge, so that strokes without
    information leave it with its large uncertainty. The covariance is the sandwich over pieces of
    strokes (White, Econometrica 48, 1980; by clusters, from memory), since errors within a piece
    are correlated.
    """
    intervals = [np.diff(press.t_s) for one in springs for press in one if press.t_s.size > 1]
    step_s = float(np.median(np.concatenate(intervals))) if intervals else math.inf
    if not math.isfinite(step_s):
        return Lag(0.0, 0.0, ((0.0, 0.0), (0.0, 0.0)))
    # one way alone can't tell lag from stiffness
    springs = [[press for press in one if not press.down_alone] for one in springs]
    typical_s = typical_delay_s(step_s)
    loose_s = max(typical_s, 0.02)
    at = np.array([typical_s, typical_s**2 / 3.0])
    for _ in range(ROUNDS):
        found = [_evidence(_slow_enough(one, *at), *at) for one in springs if one]
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
    strokes = max(sum(len(one) for one in springs), 1)
    spread_trust = SPREAD_TRUST * math.sqrt(1.0 + FEW_STROKES / strokes)
    spread_floor_s2 = spread_trust * max(float(at[1]), at[0] ** 2 / 3.0)
    floor = [TRUST_STEPS * step_s, (TRUST_STEPS * step_s) ** 2 + spread_floor_s2]
    covariance = covariance + np.diag(np.square(floor))
    return Lag(
        delay_s=float(at[0]),
        spread_s2=float(at[1]),
        covariance=_rows(covariance),
        degrees_of_freedom=float(max(pieces - 2, 1)),
        known=known,
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
    at_mm = _seen_contact_mm(presses, delay_s, spread_s2)
    presses = [press.with_contact(at_mm) for press in presses]
    parts = [_usable_with_effects(press, delay_s, spread_s2) for press in presses]
    number = np.repeat(np.arange(len(parts)), [part.shape[0] for part in parts])
    height, load, way, *by_lag = np.concatenate(parts).T[:5]
    if height.size < LEAST_SAMPLES:
        return None
    span = float(height.min()), float(height.max())
    edge = 0.01 * (span[1] - span[0])
    basis, above, below = _basis(np.stack([height, height + edge, height - edge]), span)
    offsets = (number[:, None] == np.unique(number)[1:]).astype(np.float64)
    others, _ = np.linalg.qr(np.column_stack([basis, way, way * load, offsets]))
    smooth = np.linalg.lstsq(basis, load)[0]
    n_per_mm = (above - below) @ smooth / (2.0 * edge)
    columns = np.column_stack([load, *(n_per_mm * column for column in by_lag)])
    left = columns - others @ (others.T @ columns)
    scale = ROBUST_SD_PER_MAD * median(np.abs(left[:, 0]))
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


class _Usable(NamedTuple):
    """A press's samples, shape (n,) each, and which have their friction fully reversed."""

    height_mm: Array
    load_n: Array
    way: Array  # 1 going down, -1 going up
    use: NDArray[np.bool_]


def _seen_contact_mm(presses: Sequence[Press], delay_s: float, spread_s2: float) -> float:
    """Extend a spring's usable samples to no load; see _no_load_mm."""
    lag = delay_s, spread_s2
    parts = [_usable_samples(press, press.height_mm(*lag), *lag) for press in presses]
    height = np.concatenate([part.height_mm[part.use] for part in parts])
    load = np.concatenate([part.load_n[part.use] for part in parts])
    return _no_load_mm(height, load)


def _usable_with_effects(press: Press, delay_s: float, spread_s2: float) -> Array:
    """Usable samples, shape (m, 5): height, load, way, effects of delay and spread."""
    height, by_lag = _height_by_lag(press, delay_s, spread_s2)
    height, load, way, use = _usable_samples(press, height, delay_s, spread_s2)
    return np.column_stack([height, load, way, by_lag])[use]


def _usable_samples(press: Press, height: Array, delay_s: float, spread_s2: float) -> _Usable:
    """Find the samples whose friction has fully reversed; none of a press of a few."""
    if height.size < LEAST_SAMPLES // PIECES:
        nothing = np.zeros(height.size, dtype=np.bool_)
        return _Usable(height, press.load_n, np.zeros_like(height), nothing)
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
    return _Usable(height, press.load_n, way, use)


def _slow_enough(presses: Sequence[Press], delay_s: float, spread_s2: float) -> Sequence[Press]:
    slow = [press for press in presses if not press.too_fast(delay_s, spread_s2)]
    return slow if slow else presses


def _no_load_mm(height: Array, load: Array) -> float:
    """Extend the line through the lighter loads down to none; infinite where they are too few."""
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


def _height_by_lag(press: Press, delay_s: float, spread_s2: float) -> tuple[Array, Array]:
    """The height, shape (n,), and how it moves with delay and spread, (n, 2), mm/s and mm/s^2."""
    step_s = 1e-4
    step_s2 = max(0.1 * spread_s2, 1e-6)
    here, ahead, behind, wider = press.heights_mm(
        (delay_s, delay_s + step_s, delay_s - step_s, delay_s),
        (spread_s2, spread_s2, spread_s2, spread_s2 + step_s2),
    )
    by_lag = np.column_stack([(ahead - behind) / (2.0 * step_s), (wider - here) / step_s2])
    return here, by_lag


def _basis(height: Array, span: tuple[float, float]) -> Array:
    """Cubic B-splines over KNOTS even knots, shape (..., n, KNOTS + 2) of heights (..., n).

    By the recurrence of de Boor and Cox (J. Approx. Theory 6, 1972, from memory); our own since
    scipy.interpolate takes long to load.
    """
    low, high = span
    knots = np.concatenate([[low] * 3, np.linspace(low, high, KNOTS), [high] * 3])
    inside = np.clip(height.ravel(), low, high)
    piece = np.clip(np.searchsorted(knots, inside, side="right") - 1, 3, KNOTS + 1)
    near = np.ones((1, inside.size))  # the splines that are not zero there, degree by degree
    for degree in (1, 2, 3):
        before = np.arange(degree)[:, None]
        left, right = knots[piece - before[::-1]], knots[piece + 1 + before]
        part = near / (right - left)
        near = np.zeros((degree + 1, inside.size))
        near[:-1] = (right - inside) * part
        near[1:] += (inside - left) * part
    found = np.zeros((inside.size, KNOTS + 2))
    np.put_along_axis(found, piece[:, None] + np.arange(-3, 1), near.T, axis=1)
    return found.reshape(*height.shape, KNOTS + 2)


LOOKS = 12  # heights between both ends of what was measured: a shift shows at all of them
PRESSED_SHARE = 0.2  # of the largest load there: below it the end coils close, above it is air


def _seen_repeat(springs: Sequence[Sequence[Sweep]]) -> StrokeRepeat | None:
    """Pool how far the strokes of each spring stand apart, as a shift in height.

    That is the standard deviation of one stroke, each spring about its own mean; None where no
    spring was pressed twice.
    """
    squares, freedom = 0.0, 0
    for sweeps in springs:
        shifts = _shifts_mm(sweeps) if len(sweeps) > 1 else np.empty(0)
        if shifts.size > 1:
            squares += float(np.sum((shifts - shifts.mean()) ** 2))
            freedom += shifts.size - 1
    if not freedom:
        return None
    return StrokeRepeat(math.sqrt(squares / freedom), float(freedom), seen=True)


def _shifts_mm(sweeps: Sequence[Sweep]) -> Array:
    """How much higher each stroke pushes than the mean of all, shape (n,) or empty."""
    fits = [fit for sweep in sweeps if (fit := fit_sweep(sweep)) is not None]
    ways = [way for fit in fits for way in fit.fits("both") if way is not None]
    if len(ways) < 2 * max(len(fits), 2):
        return np.empty(0)
    low, high = max(way.lowest_mm for way in ways), min(way.highest_mm for way in ways)
    heights = low + (high - low) * np.linspace(0.05, 0.95, LOOKS)
    readings = [[fit.read("both", float(height)) for height in heights] for fit in fits]
    loads = np.array(
        [[reading.load_n if reading else np.nan for reading in row] for row in readings]
    )
    slopes = np.array(
        [[reading.slope_n_per_mm if reading else np.nan for reading in row] for row in readings]
    )
    load, slope = loads.mean(axis=0), slopes.mean(axis=0)
    whole = np.isfinite(load) & (slope > 0.0)
    if not whole.any():
        return np.empty(0)
    pressed = whole & (load >= PRESSED_SHARE * load[whole].max())
    return np.asarray(np.mean(((loads - load)[:, pressed] / slope[pressed]), axis=1))


DOUBT = 3.0  # times the lag's uncertainty, where a stroke was over before the filter could follow:
#   its shape then counts, of which delay and spread tell too little. Ours, no source
CONVERTED = ""  # stands for the rig of sweeps that came converted


def undo_lag(sweeps: Mapping[str, Sequence[Sweep]]) -> dict[str, list[Sweep]]:
    """Find the lag of each rig in a set, {label: sweeps}, and undo it in all its sweeps.

    Sweeps that came converted count as one rig more. What made them may have undone its lag
    already: where theirs cannot be told, they stay as they are, as do those without a press.
    """
    rigs: dict[str, list[_Stroke]] = {}
    for label, own in sweeps.items():
        for at, sweep in enumerate(own):
            if sweep.press is not None:
                rig = CONVERTED if sweep.rig is None else sweep.rig.calibration_id
                rigs.setdefault(rig, []).append(_Stroke(label, at, sweep, sweep.press))
    found = {label: list(own) for label, own in sweeps.items()}
    for rig, strokes in rigs.items():
        for label, at, sweep, _ in _undone(strokes, converted=rig == CONVERTED):
            found[label][at] = sweep
    return found


class _Stroke(NamedTuple):
    label: str
    at: int  # which of its spring's sweeps it is
    sweep: Sweep
    press: Press


def _undone(strokes: list[_Stroke], *, converted: bool) -> list[_Stroke]:
    """Undo the lag of one rig, and tell a stroke alone how well the others' strokes repeat."""
    presses: dict[str, list[Press]] = {}
    for one in strokes:
        press = replace(one.press, touching_mm=touching_mm(one.press))
        presses.setdefault(one.label, []).append(press)
    lag = _estimate_lag(list(presses.values()))
    if converted and not lag.known:
        return strokes
    contact_mm = {label: _contact_mm(own, lag) for label, own in presses.items()}
    pressed = [one.press.with_contact(contact_mm[one.label]) for one in strokes]
    sweeps = [_corrected(one.sweep, own, lag) for one, own in zip(strokes, pressed, strict=True)]
    if not converted and any(len(own) == 1 for own in presses.values()):
        sweeps = _with_repeat([one.label for one in strokes], sweeps)
    return [one._replace(sweep=sweep) for one, sweep in zip(strokes, sweeps, strict=True)]


def _with_repeat(labels: list[str], sweeps: list[Sweep]) -> list[Sweep]:
    own = [
        [one for one, of in zip(sweeps, labels, strict=True) if of == label]
        for label in dict.fromkeys(labels)
    ]
    repeat = _seen_repeat(own)
    if repeat is None:
        return sweeps
    return [
        each if each.rig is None else replace(each, rig=replace(each.rig, repeat=repeat))
        for each in sweeps
    ]


def _corrected(sweep: Sweep, press: Press, lag: Lag) -> Sweep:
    """Return the sweep with its branches at the heights that belong to the loads."""
    height, by_lag = _height_by_lag(press, lag.delay_s, lag.spread_s2)
    loading, unloading = Branch(height, press.load_n, by_lag).split()
    too_fast = press.too_fast(lag.delay_s, lag.spread_s2)
    return replace(
        sweep,
        loading=loading,
        unloading=unloading,
        lag=replace(lag, covariance=_rows(DOUBT**2 * np.array(lag.covariance)))
        if too_fast
        else lag,
        turned_mm=_turned_mm(press, height, lag),
        too_fast=too_fast,
    )


def _rows(covariance: Array) -> tuple[tuple[float, float], tuple[float, float]]:
    (a, b), (c, d) = covariance.tolist()
    return (a, b), (c, d)


def _turned_mm(press: Press, height: Array, lag: Lag) -> float | None:
    """Lowest height on the way up whose whole window lies TURN_MM above the turn."""
    if height.size == 0:
        return None
    turn = int(np.argmin(press.travel_mm))
    up = np.arange(height.size, dtype=np.float64) - turn
    begun_up = press.earlier(up, lag.delay_s, lag.spread_s2) >= 0.0
    begin_mm = press.earlier(press.travel_mm, lag.delay_s, lag.spread_s2)
    clear = np.flatnonzero(begun_up & (begin_mm >= press.travel_mm[turn] + TURN_MM))
    return float(height[clear[0]]) if clear.size else None


def _contact_mm(presses: Sequence[Press], lag: Lag) -> float:
    """Return the height at which a spring's straight course comes to no load."""
    known = [press.with_contact(math.inf) for press in presses]
    for _ in range(2):
        at_mm = _seen_contact_mm(known, lag.delay_s, lag.spread_s2)
        known = [press.with_contact(at_mm) for press in known]
    return at_mm
