"""What sort of set it is, and which of its springs are tired: all that can be, each weighed. Pure.

How much sound springs scatter, how well a reading repeats and which springs are tired are not known
apart from each other: two tired springs of eight look like scatter. So each answer to all of that
is a case with a weight of its own: by Bayes' rule, from how well it foretells what was read.
Springs are taken in one after the other, those read most first, and the likeliest cases are kept (a
Gaussian sum: Alspach and Sorenson, IEEE Trans. Autom. Control 17, 1972; cited from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import product
from typing import NamedTuple

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


class Kind(NamedTuple):
    """A kind of set: the scatter of its sound springs' factors, and of readings."""

    scatter: float
    repeat: float


KINDS = tuple(Kind(*each) for each in product(SCATTERS, REPEATS))


class Told(NamedTuple):
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


class Cases(NamedTuple):
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

    def with_spring(self, at: int, told: Told, taken: int) -> _Part:
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


def weigh(told: Sequence[Told], read: Sequence[int]) -> Cases:
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
    return Cases(weight / weight.sum(), part.kind, part.tired, mean, np.linalg.cholesky(cov))
