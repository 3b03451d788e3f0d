"""Which presses tell the best choice from its rivals soonest. Pure.

How far a press narrows the loads does not depend on what it will show, so presses can be chosen
one after the other before any is made: each time the one that most reduces the variance of best
minus rival, summed over the rivals by their chance of being better.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.engine.press_contest import MARGIN_N, MATTERS, Contest, Ruling
from coilbench.analysis.engine.press_model import Array, Loads, SetModel

MOST_AHEAD = 60  # presses looked ahead
MOST_RIVALS = 12  # the likeliest


class Chosen(NamedTuple):
    """A press: its set, its spring, its height, and which choice it tells from the best."""

    set_name: str
    label: str
    height_mm: float
    rival: int


class Candidates(NamedTuple):
    """A set's presses to choose from.

    Attributes:
        model: of the set; heights_mm: where each of its springs may be pressed.
        noise_n2: variance of one reading.
    """

    model: SetModel
    heights_mm: Sequence[float]
    noise_n2: float


def in_turn(
    contest: Contest,
    ruling: Ruling,
    loads: Mapping[str, Loads],
    candidates: Mapping[str, Candidates],
) -> Iterator[tuple[Chosen, float]]:
    """Yield presses, the one that helps most first, each with the risk foreseen after it.

    Args:
        loads: of each set at its knots, as the ruling had them.
    """
    order = np.argsort(-ruling.chances, kind="stable")[:MOST_RIVALS]
    rivals = np.array([at for at in order if ruling.chances[at] >= MATTERS], dtype=np.intp)
    if not rivals.size:
        return
    mean_n = np.concatenate([loads[each.name].merged_n for each in contest.sets])
    slope = contest.slope(mean_n)
    apart = slope[ruling.best] - slope[rivals]  # how best minus rival moves with each knot
    weight = ruling.chances[rivals]
    behind_n = ruling.miss_n[rivals] - ruling.miss_n[ruling.best]
    sides = [
        _Side.of(each.name, candidates[each.name], each.knots_mm, apart[:, contest.part(each.name)])
        for each in contest.sets
    ]
    for _ in range(MOST_AHEAD):
        side = max(sides, key=lambda one: one.best_gain(weight))
        chosen, rival = side.take(weight)
        variance = sum((one.variance for one in sides), start=np.zeros(len(rivals)))
        yield chosen._replace(rival=int(rivals[rival])), _risk(behind_n, variance)


def _risk(behind_n: Array, variance_n2: Array) -> float:
    """Return the greatest chance of a rival to be nearer than the best by more than the margin."""
    sds = np.sqrt(np.maximum(variance_n2, 1e-12))
    return max(normal_above((MARGIN_N + off) / sd) for off, sd in zip(behind_n, sds, strict=True))


class _Side:
    """One set's part of best minus rival, and what its presses would still tell of it.

    Attributes:
        apart: best minus each rival with each candidate reading in common, shape (r, c).
        between: candidate readings with each other, shape (c, c).
        variance: of best minus each rival, as far as it is this set's, shape (r,).
    """

    def __init__(
        self, name: str, of: Candidates, variance: Array, apart: Array, between: Array
    ) -> None:
        self._name, self._of = name, of
        self.variance, self._apart, self._between = variance, apart, between

    @classmethod
    def of(cls, name: str, of: Candidates, knots_mm: Array, apart: Array) -> _Side:
        model = of.model
        cov = model.mean_and_springs(knots_mm, of.heights_mm).merged_cov_n2
        k = len(knots_mm)
        own = np.einsum("rk,kj,rj->r", apart, cov[:k, :k], apart)
        return cls(name, of, own, apart @ cov[:k, k:], cov[k:, k:].copy())

    def _gains(self) -> Array:
        """Return how much each reading would reduce each variance, shape (r, c)."""
        return np.asarray(self._apart**2 / (self._between.diagonal() + self._of.noise_n2))

    def best_gain(self, weight: Array) -> float:
        return float((weight @ self._gains()).max())

    def take(self, weight: Array) -> tuple[Chosen, int]:
        """Make the best press: returns it, with the index of the rival that it concerns most."""
        gains = self._gains()
        at = int(np.argmax(weight @ gains))
        self.variance = self.variance - gains[:, at]
        total = self._between[at, at] + self._of.noise_n2
        column: NDArray[np.float64] = self._between[:, at].copy()
        self._apart = self._apart - np.outer(self._apart[:, at], column) / total
        self._between -= np.outer(column, column) / total
        spring, height = divmod(at, len(self._of.heights_mm))
        rival = int(np.argmax(weight * gains[:, at]))
        chosen = Chosen(
            self._name, self._of.model.labels[spring], self._of.heights_mm[height], rival
        )
        return chosen, rival


def normal_above(value: float) -> float:
    """Return the chance of a standard normal variable to be above a value."""
    return 0.5 * math.erfc(value / math.sqrt(2.0))
