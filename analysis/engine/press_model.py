"""What a few readings of a set say of every spring's load: a Gaussian model of one set. Pure.

A spring's load is the set's curve times the spring's own factor, plus an offset. The curve is a
line whose slope wanders as a random walk over height (the prior of a cubic smoothing spline: Wahba,
J. R. Stat. Soc. B 40, 1978; Rasmussen and Williams, Gaussian Processes, 2006, eq. 6.28). A spring
may be tired: a second component of its factor and offset. Errors that all readings have in common,
like the scale's, are not in it: they cancel between sets.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

# The priors are ours, tried on simulated shops (tests/bench/bench_plan.py), no source.
WANDER = 0.05  # of the rate, standard deviation of its change over 1 mm of height
SCATTERS = (0.007, 0.01, 0.014, 0.02, 0.03)  # standard deviations of sound springs' factors
SCATTER, SCATTER_LOG_SD = 0.013, 0.5  # what they are expected to be, log-normal
LENGTH_SCATTER_MM = 0.05  # of a sound spring's free length beyond its factor, k = 1
TIRED_CHANCE = 0.1  # before anything is read
TIRED_LOSS, TIRED_LOSS_SD = 0.09, 0.035  # of the load with the valve shut
TIRED_SHARE = 0.5  # of the loss that is the factor's; the rest is lost length, felt when shut most
LEAST_SPAN_MM = 3.0  # between readings, from which on their own slope is believed
VAGUE = 1.0  # times the card's load and rate: how far a curve may be from its rough line, k = 1
ROUNDS = 12  # of weighing tired against sound; it settles in a few
LEAST_WEIGHT = 1e-3  # of a spring in the mean, so that there always is one


class PressReading(NamedTuple):
    """One reading of one spring; u_n is its own standard uncertainty, k = 1."""

    label: str
    height_mm: float
    load_n: float
    u_n: float


class Expected(NamedTuple):
    """What is taken for granted before a set is read: a load and a rate, both only roughly."""

    load_n: float
    rate_n_per_mm: float


class Loads(NamedTuple):
    """Loads with what they have in common: mean shape (m,), covariance shape (m, m)."""

    mean_n: Array
    cov_n2: Array


class Sought(NamedTuple):
    """Loads asked for: at each height the curve plus so much of each spring's deviation.

    Attributes:
        height_mm: shape (m,).
        weight: shape (m, n), for n springs.
    """

    height_mm: Array
    weight: Array

    def and_also(self, other: Sought) -> Sought:
        """Return both, these first."""
        return Sought(*(np.concatenate(pair) for pair in zip(self, other, strict=True)))


def wander_cov(x_mm: Array, y_mm: Array, per_mm: float) -> Array:
    """Covariance of a load whose slope walks at random from 0 at height 0, both ways.

    Args:
        x_mm, y_mm: heights, shapes (a,) and (b,).
        per_mm: variance of the slope's change over 1 mm.
    """
    x, y = x_mm[:, None], y_mm[None, :]
    near, far = np.minimum(abs(x), abs(y)), np.maximum(abs(x), abs(y))
    same_side = x * y > 0.0
    return np.where(same_side, per_mm * near**2 * (3.0 * far - near) / 6.0, 0.0)


OPEN_CHANCES = 0.05, 0.95  # between them a spring may be tired or not


@dataclass(frozen=True)
class SetModel:
    """A set's springs as far as they were read.

    Attributes:
        labels: of its n springs.
        centre_mm: the height from which the slope wanders.
        line: load at the centre and slope, roughly: what a factor multiplies.
        shut_n: the load with the valve shut, roughly: what a tired spring lost a share of.
        scatter: standard deviation of sound springs' factors.
        readings: what was read; springs are of (m,), their indices.
        tired: each spring's chance of being tired, shape (n,).
    """

    labels: tuple[str, ...]
    centre_mm: float
    line: tuple[float, float]
    vague: Expected
    shut_n: float
    scatter: float
    readings: tuple[PressReading, ...]
    tired: Array

    @cached_property
    def springs(self) -> NDArray[np.intp]:
        """The index of each reading's spring."""
        at = {label: index for index, label in enumerate(self.labels)}
        return np.array([at[each.label] for each in self.readings], dtype=np.intp)

    @cached_property
    def _read(self) -> Sought:
        heights = np.array([each.height_mm for each in self.readings], dtype=float)
        return Sought(heights, np.eye(len(self.labels))[self.springs])

    @property
    def _noise_n2(self) -> Array:
        return np.array([each.u_n for each in self.readings], dtype=float) ** 2

    def rough_n(self, height_mm: Array) -> Array:
        """Return the line's load."""
        return np.asarray(self.line[0] + self.line[1] * (height_mm - self.centre_mm))

    def _per_deviation(self, height_mm: Array) -> Array:
        """Return what a factor and an offset add to a load, shape (m, 2)."""
        return np.stack([self.rough_n(height_mm), np.ones_like(height_mm)], axis=-1)

    @property
    def _sound_cov(self) -> Array:
        length_n = LENGTH_SCATTER_MM * abs(self.line[1])
        return np.diag([self.scatter**2, length_n**2])

    @property
    def _tired_prior(self) -> tuple[Array, Array]:
        """Mean and covariance of a tired spring's factor and offset."""
        loss = np.array([-TIRED_SHARE, -(1.0 - TIRED_SHARE) * self.shut_n])
        apart = np.diag([TIRED_LOSS_SD, TIRED_LOSS_SD * self.shut_n]) / 2.0
        return TIRED_LOSS * loss, self._sound_cov + TIRED_LOSS_SD**2 * np.outer(
            loss, loss
        ) + apart**2

    @cached_property
    def _deviations(self) -> tuple[Array, Array]:
        """Each spring's prior, both components merged: means (n, 2), covariances (n, 2, 2).

        A spring that was not read counts as sound.
        """
        mean, cov = self._tired_prior
        read = np.bincount(self.springs, minlength=len(self.labels)) > 0
        p = np.where(read, self.tired, 0.0)[:, None, None]
        between = np.outer(mean, mean)
        return p[:, :, 0] * mean, (1.0 - p) * self._sound_cov + p * cov + p * (1.0 - p) * between

    def _prior_mean(self, of: Sought) -> Array:
        per = self._per_deviation(of.height_mm)
        deviating_n = np.einsum("mn,mk,nk->m", of.weight, per, self._deviations[0])
        return np.asarray(self.rough_n(of.height_mm) + deviating_n)

    def _prior_cov(self, one: Sought, other: Sought) -> Array:
        x, y = one.height_mm - self.centre_mm, other.height_mm - self.centre_mm
        per_mm = (WANDER * self.line[1]) ** 2
        level, slope = self.vague.load_n**2, self.vague.rate_n_per_mm**2
        curve = level + slope * x[:, None] * y[None, :] + wander_cov(x, y, per_mm)
        first = one.weight[:, :, None] * self._per_deviation(one.height_mm)[:, None, :]
        second = other.weight[:, :, None] * self._per_deviation(other.height_mm)[:, None, :]
        spread = np.einsum("mni,nij->mnj", first, self._deviations[1])
        return np.asarray(curve + np.tensordot(spread, second, axes=([1, 2], [1, 2])))

    @cached_property
    def _inverse(self) -> Array:
        cov = self._prior_cov(self._read, self._read) + np.diag(self._noise_n2)
        return np.asarray(np.linalg.inv(cov))

    @cached_property
    def _residual_n(self) -> Array:
        loads_n = np.array([each.load_n for each in self.readings], dtype=float)
        return loads_n - self._prior_mean(self._read)

    def loads(self, of: Sought) -> Loads:
        """Return what is known of some loads after what was read."""
        shared = self._prior_cov(of, self._read)
        gain = shared @ self._inverse
        cov = self._prior_cov(of, of) - gain @ shared.T
        return Loads(self._prior_mean(of) + gain @ self._residual_n, 0.5 * (cov + cov.T))

    def mean_of_sound(self, height_mm: Array) -> Sought:
        """Ask for the mean of the set's sound springs at heights of shape (m,)."""
        p = self.tired.copy()
        p[np.bincount(self.springs, minlength=len(self.labels)) == 0] = 0.0
        weight = np.maximum(1.0 - p, LEAST_WEIGHT)
        return Sought(height_mm, np.tile(weight / weight.sum(), (len(height_mm), 1)))

    def mean_loads(self, height_mm: Array) -> Loads:
        """Return the mean load of the sound springs, with the doubt which springs those are.

        Each spring's chance of being tired counts as a coin thrown for its part of the mean.
        """
        of = self.mean_of_sound(height_mm)
        mean_n, cov_n2 = self.loads(of)
        each_n = self.loads(self.springs_at(height_mm)).mean_n.reshape(-1, len(height_mm))
        moves_n = of.weight[0][:, None] * (each_n - mean_n)
        p = self.tired * (np.bincount(self.springs, minlength=len(self.labels)) > 0)
        return Loads(mean_n, cov_n2 + np.einsum("n,ni,nj->ij", p * (1.0 - p), moves_n, moves_n))

    def springs_at(self, height_mm: Sequence[float] | Array) -> Sought:
        """Ask for every spring at each height: spring by spring, shape (n x heights,)."""
        count = len(self.labels)
        weight = np.repeat(np.eye(count), len(height_mm), axis=0)
        return Sought(np.tile(np.asarray(height_mm, dtype=float), count), weight)

    def readings_of(self, label: str) -> list[PressReading]:
        """Return a spring's readings."""
        return [each for each in self.readings if each.label == label]

    def below_set(self, label: str) -> float:
        """Return by what share of the sound springs' mean one that was read is lower, at most."""
        read = [each.height_mm for each in self.readings_of(label)]
        heights_mm = np.unique(np.array(read, dtype=float))
        own = np.eye(len(self.labels))[[self.labels.index(label)] * len(heights_mm)]
        loads_n = self.loads(Sought(heights_mm, own)).mean_n
        return float(np.max(1.0 - loads_n / self.mean_loads(heights_mm).mean_n))

    @property
    def log_evidence(self) -> float:
        """How well the readings agree with the model and its scatter: the log of their density.

        What it costs to call springs tired is their relative entropy to what is expected of any.
        """
        log_det = float(np.linalg.slogdet(self._inverse)[1])
        fit = float(self._residual_n @ self._inverse @ self._residual_n)
        p = np.clip(self.tired[np.unique(self.springs)], 1e-12, 1.0 - 1e-12)
        entropy = p * np.log(p / TIRED_CHANCE) + (1 - p) * np.log((1 - p) / (1 - TIRED_CHANCE))
        off = math.log(self.scatter / SCATTER) / SCATTER_LOG_SD
        return 0.5 * log_det - 0.5 * fit - float(entropy.sum()) - 0.5 * off**2

    def weighed(self) -> Array:
        """Weigh tired against sound for each spring by what the other springs predict of it.

        Leaving one spring out needs no second inverse (Rasmussen and Williams, 5.4.2, in blocks).
        """
        chances = self.tired.copy()
        tired_mean, tired_cov = self._tired_prior
        weighed = self._inverse @ self._residual_n
        for spring in range(len(self.labels)):
            own = np.flatnonzero(self.springs == spring)
            if not own.size:
                continue
            cov = np.linalg.inv(self._inverse[np.ix_(own, own)])
            per = self._per_deviation(self._read.height_mm[own])
            off_n = cov @ weighed[own] + per @ self._deviations[0][spring]
            rest = cov - per @ self._deviations[1][spring] @ per.T
            sound = _log_density(off_n, rest + per @ self._sound_cov @ per.T)
            tired = _log_density(off_n - per @ tired_mean, rest + per @ tired_cov @ per.T)
            odds = math.log(TIRED_CHANCE / (1.0 - TIRED_CHANCE)) + tired - sound
            chances[spring] = 1.0 / (1.0 + math.exp(min(max(-odds, -50.0), 50.0)))
        return chances


def _log_density(off_n: Array, cov_n2: Array) -> float:
    """Log of a normal density but for its constant."""
    log_det = float(np.linalg.slogdet(cov_n2)[1])
    return -0.5 * log_det - 0.5 * float(off_n @ np.linalg.solve(cov_n2, off_n))


def fit_set(
    labels: Sequence[str],
    readings: Sequence[PressReading],
    shut_mm: float,
    centre_mm: float,
    expected: Expected,
) -> SetModel:
    """Fit the model to what was read of a set; it may be nothing.

    Args:
        labels: of all its springs.
        readings: of springs among them.
        shut_mm: about where it stands with the valve shut.
        centre_mm: between shut and full lift.
        expected: a load and a rate that its own are not far above.
    """
    ordered = tuple(sorted(readings))  # so that their order changes nothing, to the last bit
    line = _rough_line(ordered, centre_mm, expected)
    shut_n = max(line[0] + line[1] * (shut_mm - centre_mm), 0.1 * expected.load_n)
    vague = Expected(VAGUE * expected.load_n, VAGUE * expected.rate_n_per_mm)
    tired = np.full(len(labels), TIRED_CHANCE)
    start = SetModel(tuple(labels), centre_mm, line, vague, shut_n, SCATTER, ordered, tired)
    if not readings:
        return start
    logs = np.array([_settled(replace(start, scatter=each)).log_evidence for each in SCATTERS])
    weights = np.exp(logs - logs.max())
    # By the mean square: few springs tell little of their scatter, and the largest costs most.
    mean_square = float(np.average(np.square(SCATTERS), weights=weights))
    return _settled(replace(start, scatter=math.sqrt(mean_square)))


def _settled(model: SetModel) -> SetModel:
    """Weigh tired against sound until that changes nothing."""
    for _ in range(ROUNDS):
        chances = model.weighed()
        if np.max(np.abs(chances - model.tired)) < 1e-3:
            break
        model = replace(model, tired=chances)
    return model


def _rough_line(
    readings: Sequence[PressReading], centre_mm: float, expected: Expected
) -> tuple[float, float]:
    """Return the load at the centre and the slope of a line through what was read."""
    if not readings:
        return 0.5 * expected.load_n, -0.5 * expected.rate_n_per_mm
    heights = np.array([each.height_mm for each in readings]) - centre_mm
    loads_n = np.array([each.load_n for each in readings])
    if np.ptp(heights) >= LEAST_SPAN_MM:
        slope, level = np.polyfit(heights, loads_n, 1)
        if slope < 0.0:
            return float(level), float(slope)
    slope = -0.5 * expected.rate_n_per_mm
    return float(np.mean(loads_n - slope * heights)), slope
