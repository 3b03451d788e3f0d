"""What a few readings of a set say of every spring's load: a mixture of Gaussian models. Pure.

A spring's load is the set's curve times the spring's own factor, plus an offset. The curve is a
line whose slope wanders as a random walk over height (the prior of a cubic smoothing spline: Wahba,
J. R. Stat. Soc. B 40, 1978; Rasmussen and Williams, Gaussian Processes, 2006, eq. 6.28). A spring
may be tired: then its factor and offset are others. Errors that all readings have in common, like
the scale's, are not in it: they cancel between sets.

How much sound springs scatter, how well a reading repeats and which springs are tired are not known
apart from each other: two tired springs of eight look like scatter. So each answer to all of that
is a case with a weight of its own: by Bayes' rule, from how well it foretells what was read.
Springs are taken in one after the other, those read most first, and the likeliest cases are kept (a
Gaussian sum: Alspach and Sorenson, IEEE Trans. Autom. Control 17, 1972; cited from memory). Loads
are normal in each case; what is told is the mixture of all of them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cached_property
from itertools import product
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
# The priors are ours, tried on simulated shops (tests/bench/bench_plan.py), no source.
SCATTERS = (0.005, 0.0075, 0.011, 0.016, 0.024)  # standard deviations of sound springs' factors
SCATTER, SCATTER_LOG_SD = 0.013, 0.5  # what they are expected to be, log-normal
REPEATS = (0.85, 1.2, 1.7)  # how far readings scatter, in their stated uncertainties
REPEAT_LOG_SD = 0.35  # log-normal about 1: a stated uncertainty is a guess, too
TIRED_OF = 1.0, 8.0  # so many tired of so many: what a set's share starts from, and is changed by
TIRED_CHANCE = TIRED_OF[0] / TIRED_OF[1]  # of a spring that was not read
MOST_CASES = 100  # kept
LEAST_LOG = -12.0  # below the likeliest case, from which one is kept
WANDER = 0.08  # of the rate, standard deviation of its change over 1 mm of height
LENGTH_SCATTER_MM = 0.05  # of a sound spring's free length beyond its factor, k = 1
TIRED_LOSS, TIRED_LOSS_SD = 0.09, 0.035  # of the load with the valve shut
TIRED_SHARE = 0.5  # of the loss that is the factor's; the rest is lost length, felt when shut most
LEAST_SPAN_MM = 3.0  # between readings, from which on their own slope is believed
VAGUE = 1.0  # times the card's load and rate: how far a curve may be from its rough line, k = 1
OPEN_CHANCES = 0.05, 0.95  # between them a spring may be tired or not
LEAST_WEIGHT = 1e-3  # of a spring in the mean, so that there always is one
LEAST_VARIANCE = 1e-9  # of the largest: what is smaller in a curve's prior is arithmetic alone


class Kind(NamedTuple):
    """A kind of set: the scatter of its sound springs' factors, and of readings."""

    scatter: float
    repeat: float


KINDS = tuple(Kind(*each) for each in product(SCATTERS, REPEATS))


class _Told(NamedTuple):
    """What one spring's readings tell, in each kind of set and if it is sound or tired.

    All have leading axes (kinds, 2). The set's curve is q numbers of unit variance.

    Attributes:
        log: of the readings' density where those numbers are 0, but for a constant.
        pull, precision: what the readings add to the numbers', shapes (q,) and (q, q).
        mean, gain: the spring's factor and offset are mean - gain @ numbers, (2,) and (2, q).
        cov: of factor and offset, the numbers given, (2, 2).
    """

    log: Array
    pull: Array
    precision: Array
    mean: Array
    gain: Array
    cov: Array


class _Cases(NamedTuple):
    """All that may be, h cases.

    Attributes:
        weight: of each; they sum to 1.
        kind: index of each one's kind.
        tired: which springs are, shape (h, n).
        mean, root: the curve's numbers, (h, q), and a root of their covariance, (h, q, q).
    """

    weight: Array
    kind: NDArray[np.intp]
    tired: NDArray[np.bool_]
    mean: Array
    root: Array


class _Part(NamedTuple):
    """Cases as far as springs were taken in; log without what the curve's numbers leave open."""

    log: Array
    pull: Array
    precision: Array
    kind: NDArray[np.intp]
    tired: NDArray[np.bool_]

    @classmethod
    def none_read(cls, springs: int, numbers: int) -> _Part:
        scatter, repeat = np.log(np.array(KINDS)).T
        off = ((scatter - math.log(SCATTER)) / SCATTER_LOG_SD) ** 2 + (repeat / REPEAT_LOG_SD) ** 2
        count = len(KINDS)
        return cls(
            -0.5 * off,
            np.zeros((count, numbers)),
            np.tile(np.eye(numbers), (count, 1, 1)),
            np.arange(count),
            np.zeros((count, springs), dtype=bool),
        )

    def with_spring(self, at: int, told: _Told, taken: int) -> _Part:
        """Split each case in two: the spring is sound, or it is tired.

        The chance of that follows the springs taken in so far (Polya's urn), so that a set may
        have many tired ones, or none.
        """
        tired = (TIRED_OF[0] + self.tired.sum(axis=1)) / (TIRED_OF[1] + taken)
        chance = np.stack([1.0 - tired, tired], axis=1)
        which = np.repeat(self.tired, 2, axis=0)
        which[1::2, at] = True
        q = self.pull.shape[1]
        return _Part(
            (self.log[:, None] + told.log[self.kind] + np.log(chance)).ravel(),
            (self.pull[:, None] + told.pull[self.kind]).reshape(-1, q),
            (self.precision[:, None] + told.precision[self.kind]).reshape(-1, q, q),
            np.repeat(self.kind, 2),
            which,
        )

    def evidence(self) -> Array:
        """Return the log of each case's weight, but for a constant."""
        solved = np.linalg.solve(self.precision, self.pull[..., None])[..., 0]
        log_det = np.linalg.slogdet(self.precision)[1]
        return np.asarray(self.log + 0.5 * np.sum(self.pull * solved, axis=1) - 0.5 * log_det)

    def likeliest(self) -> _Part:
        """Keep the likeliest cases."""
        log = self.evidence()
        order = np.argsort(-log, kind="stable")[:MOST_CASES]
        kept = order[log[order] > log[order[0]] + LEAST_LOG]
        return _Part(*(each[kept] for each in self))


def _weigh(told: Sequence[_Told], read: Sequence[int]) -> _Cases:
    """Weigh all that may be of a set.

    Args:
        told: of each spring.
        read: which of them were read, the most read first; the others count as sound.
    """
    part = _Part.none_read(len(told), told[0].pull.shape[-1])
    for taken, at in enumerate(read):
        part = part.with_spring(at, told[at], taken).likeliest()
    log = part.evidence()
    weight = np.exp(log - log.max())
    cov = np.linalg.inv(part.precision)
    mean = (cov @ part.pull[..., None])[..., 0]
    return _Cases(weight / weight.sum(), part.kind, part.tired, mean, np.linalg.cholesky(cov))


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
    """What m loads may be together: a mixture of h normals.

    Attributes:
        weight: of each; they sum to 1, shape (h,).
        mean_n: of each, shape (h, m).
        root_n: of each one's covariance, beside what all have in common, shape (h, m, p).
        rest_n2: covariance that all have in common, shape (m, m).
    """

    weight: Array
    mean_n: Array
    root_n: Array
    rest_n2: Array

    @classmethod
    def normal(cls, mean_n: Array, cov_n2: Array) -> Loads:
        """Return loads that are jointly normal."""
        return cls(np.ones(1), mean_n[None, :], np.zeros((1, len(mean_n), 0)), cov_n2)

    @property
    def merged_n(self) -> Array:
        """The mean of all, shape (m,)."""
        return np.asarray(self.weight @ self.mean_n)

    @property
    def merged_cov_n2(self) -> Array:
        """The covariance of all, shape (m, m): within the cases, and between them."""
        between = (self.mean_n - self.merged_n)[..., None]
        share = np.sqrt(self.weight)[:, None, None]
        roots = np.concatenate([self.root_n, between], axis=2) * share
        flat = roots.transpose(1, 0, 2).reshape(len(self.rest_n2), -1)
        return np.asarray(self.rest_n2 + flat @ flat.T)

    def drawn(self, count: int, rng: np.random.Generator) -> Array:
        """Draw loads, shape (count, m)."""
        # A draw in so many from each case, at random which: nearer to its weight than by chance.
        at = (rng.permutation(count) + 0.5) / count
        case = np.minimum(np.searchsorted(np.cumsum(self.weight), at), len(self.weight) - 1)
        own = rng.standard_normal((count, self.root_n.shape[2]))
        values, vectors = np.linalg.eigh(self.rest_n2)  # since neighbours hardly differ
        rest = vectors * np.sqrt(np.maximum(values, 0.0))
        found = self.mean_n[case] + np.einsum("dmp,dp->dm", self.root_n[case], own)
        return np.asarray(found + rng.standard_normal((count, len(values))) @ rest.T)


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


class SetModel(msgspec.Struct, frozen=True, dict=True):
    """A set's springs as far as they were read.

    Attributes:
        labels: of its n springs.
        centre_mm: the height from which the slope wanders.
        line: load at the centre and slope, roughly: what a factor multiplies.
        vague: how far the curve may be from that line, k = 1.
        shut_n: the load with the valve shut, roughly: what a tired spring lost a share of.
    """

    labels: tuple[str, ...]
    centre_mm: float
    line: tuple[float, float]
    vague: Expected
    shut_n: float
    readings: tuple[PressReading, ...]

    def readings_of(self, label: str) -> list[PressReading]:
        """Return a spring's readings."""
        return [each for each in self.readings if each.label == label]

    @cached_property
    def cases(self) -> _Cases:
        """All that the set may be, weighed by what was read."""
        counts = [len(self.readings_of(label)) for label in self.labels]
        read = [at for at, count in enumerate(counts) if count]
        return _weigh(self._told, sorted(read, key=lambda at: -counts[at]))

    @cached_property
    def tired(self) -> Array:
        """Each spring's chance of being tired, shape (n,)."""
        read = np.array([bool(self.readings_of(label)) for label in self.labels])
        return np.where(read, np.minimum(self.cases.weight @ self.cases.tired, 1.0), TIRED_CHANCE)

    def mean_loads(self, height_mm: Array) -> Loads:
        """Return the mean load of the sound springs at heights of shape (m,)."""
        return self._loads(height_mm, np.repeat(self._sound_share, len(height_mm), axis=1))

    def mean_and_springs(self, mean_mm: Array, spring_mm: Sequence[float]) -> Loads:
        """Return mean loads as mean_loads does, then each spring's load at each other height."""
        springs = np.repeat(np.eye(len(self.labels)), len(spring_mm), axis=0)
        mean = np.repeat(self._sound_share, len(mean_mm), axis=1)
        each = np.broadcast_to(springs, (len(mean), *springs.shape))
        heights = np.concatenate([mean_mm, np.tile(np.array(spring_mm), len(self.labels))])
        return self._loads(heights, np.concatenate([mean, each], axis=1))

    def below_set(self, label: str) -> float:
        """Return by what share of the sound springs' mean one that was read is lower, at most."""
        read = [each.height_mm for each in self.readings_of(label)]
        heights_mm = np.unique(np.array(read, dtype=float))
        own = np.eye(len(self.labels))[[self.labels.index(label)] * len(heights_mm)]
        loads_n = self._loads(heights_mm, own[None]).merged_n
        return float(np.max(1.0 - loads_n / self.mean_loads(heights_mm).merged_n))

    @property
    def _sound_share(self) -> Array:
        """What each spring counts for in the mean of the sound ones, shape (h, 1, n)."""
        weight = np.maximum(1.0 - self.cases.tired, LEAST_WEIGHT)
        return np.asarray(weight / weight.sum(axis=1, keepdims=True))[:, None, :]

    def _loads(self, height_mm: Array, share: Array) -> Loads:
        """Return what is known of some loads: at each height the curve and shares of deviations.

        Args:
            height_mm: shape (m,).
            share: of each spring's deviation in each load, shape (h or 1, m, n).
        """
        cases, (mean, gain, root) = self.cases, self._deviations
        count = len(cases.weight)
        share = np.broadcast_to(share, (count, *share.shape[1:]))
        into = self._curve_cov(height_mm, self._read_mm) @ self._numbers[1]
        per = self._per_deviation(height_mm)
        moved = (share @ gain.reshape(*gain.shape[:2], -1)).reshape(*share.shape[:2], 2, -1)
        of_curve = into - np.einsum("mi,hmiq->hmq", per, moved)
        mean_n = self._rough_n(height_mm) + np.einsum("mi,hmi->hm", per, share @ mean)
        own = np.einsum("mi,hnij->hmnj", per, root) * share[..., None]
        return Loads(
            cases.weight,
            mean_n + np.einsum("hmq,hq->hm", of_curve, cases.mean),
            np.concatenate([of_curve @ cases.root, own.reshape(*share.shape[:2], -1)], axis=2),
            self._curve_cov(height_mm, height_mm) - into @ into.T,
        )

    def _rough_n(self, height_mm: Array) -> Array:
        return np.asarray(self.line[0] + self.line[1] * (height_mm - self.centre_mm))

    def _per_deviation(self, height_mm: Array) -> Array:
        """Return what a factor and an offset add to a load, shape (m, 2)."""
        return np.stack([self._rough_n(height_mm), np.ones_like(height_mm)], axis=-1)

    def _curve_cov(self, one_mm: Array, other_mm: Array) -> Array:
        x, y = one_mm - self.centre_mm, other_mm - self.centre_mm
        level, slope = self.vague.load_n**2, self.vague.rate_n_per_mm**2
        per_mm = (WANDER * self.line[1]) ** 2
        return np.asarray(level + slope * x[:, None] * y[None, :] + wander_cov(x, y, per_mm))

    @cached_property
    def _read_mm(self) -> Array:
        return np.unique(np.array([each.height_mm for each in self.readings], dtype=float))

    @cached_property
    def _numbers(self) -> tuple[Array, Array]:
        """The curve at the u heights read as q numbers of unit variance: shapes (u, q).

        The first makes loads there of the numbers; the second, after a covariance with the loads
        there, makes other loads of them.
        """
        values, vectors = np.linalg.eigh(self._curve_cov(self._read_mm, self._read_mm))
        kept = values > LEAST_VARIANCE * values.max(initial=0.0)
        root = np.sqrt(values[kept])
        return vectors[:, kept] * root, vectors[:, kept] / root

    @cached_property
    def _priors(self) -> tuple[Array, Array]:
        """A spring's factor and offset before it is read: means and covariances.

        Shapes (kinds, 2, 2) and (kinds, 2, 2, 2), for each kind of set, sound and tired.
        """
        length_n = LENGTH_SCATTER_MM * abs(self.line[1])
        sound = np.array([np.diag([kind.scatter**2, length_n**2]) for kind in KINDS])
        loss = np.array([-TIRED_SHARE, -(1.0 - TIRED_SHARE) * self.shut_n])
        apart = np.diag([TIRED_LOSS_SD, TIRED_LOSS_SD * self.shut_n]) / 2.0
        tired = sound + TIRED_LOSS_SD**2 * np.outer(loss, loss) + apart**2
        mean = np.stack([np.zeros(2), TIRED_LOSS * loss])
        return np.tile(mean, (len(KINDS), 1, 1)), np.stack([sound, tired], axis=1)

    @cached_property
    def _told(self) -> list[_Told]:
        return [self._told_by(self.readings_of(label)) for label in self.labels]

    def _told_by(self, read: Sequence[PressReading]) -> _Told:
        heights, loads_n, u_n = np.array([each[1:] for each in read]).reshape(-1, 3).T
        root = self._numbers[0][np.searchsorted(self._read_mm, heights)]
        per = self._per_deviation(heights)
        mean, cov = self._priors
        noise_n = np.array([kind.repeat for kind in KINDS])[:, None] * u_n
        noise_n2 = noise_n[:, None, :, None] ** 2 * np.eye(len(read))
        inverse = np.linalg.inv(per @ cov @ per.T + noise_n2)
        off_n = loads_n - self._rough_n(heights) - mean @ per.T
        weighed = (inverse @ off_n[..., None])[..., 0]
        gain = cov @ per.T @ inverse
        return _Told(
            0.5 * np.linalg.slogdet(inverse)[1] - 0.5 * np.sum(off_n * weighed, axis=-1),
            weighed @ root,
            root.T @ inverse @ root,
            mean + (gain @ off_n[..., None])[..., 0],
            gain @ root,
            cov - gain @ per @ cov,
        )

    @cached_property
    def _deviations(self) -> tuple[Array, Array, Array]:
        """Each spring's mean and gain (of Told) and a root of its covariance, in each case.

        Shapes (h, n, 2), (h, n, 2, q) and (h, n, 2, 2).
        """
        kind, tired = self.cases.kind, self.cases.tired.astype(np.intp)
        told = [_Told(*(e[kind, tired[:, at]] for e in one)) for at, one in enumerate(self._told)]
        mean, gain, cov = (np.stack(each, axis=1) for each in list(zip(*told, strict=True))[3:])
        return mean, gain, np.linalg.cholesky(cov)


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
    return SetModel(tuple(labels), centre_mm, line, vague, shut_n, ordered)


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
