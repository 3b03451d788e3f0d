"""Which values stand apart from the others: generalised ESD, its false-alarm rate kept. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec
import numpy as np

from coilbench.capture.calibration.statistics import student_quantile
from coilbench.capture.strokes.bins import Array

FEWEST_FOR_ESD = 5  # below this no value can stand apart from so few others; ours, no source
MOST_OUTLIERS = 10  # as far as Rosner's tables go
ALIKE = 1e-9  # of the largest value: scatter below it is rounding

# At 5 to 30 values: the level to ask Rosner's critical values for, over the level wanted. His
# approximation (Technometrics 25, 1983) is tabled from 25 values up; on fewer, with up to a third
# of them as outliers, it alarms up to twice as often as asked. Ours: one million sets of standard
# normal values for each size, the smallest ratio at levels of 0.05 to 0.005, rounded down; the
# last one serves more values too. Made again by: python tests/bench/bench_set_flags.py --levels
# fmt: off
_LEVEL_RATIO = (
    0.48, 0.56, 0.62, 0.48, 0.54, 0.59, 0.54, 0.60, 0.64, 0.62, 0.66, 0.70, 0.69,
    0.72, 0.75, 0.75, 0.78, 0.80, 0.81, 0.82, 0.84, 0.85, 0.86, 0.87, 0.87, 0.89,
)
# fmt: on


class Esd(msgspec.Struct, frozen=True):
    """A generalised ESD test.

    Attributes:
        order: index of the value removed at each step, the farthest from the mean first.
        statistics: its distance from the mean of what was left, over their standard deviation.
        limits: what each statistic must exceed.
        found: how many of `order` are outliers; the last step that exceeds its limit decides,
            so that two outliers don't hide each other.
        scores: shape (n,), distance of every value from the mean of those that are no outliers,
            over their standard deviation; infinite for an outlier where these are all alike.
    """

    order: tuple[int, ...]
    statistics: tuple[float, ...]
    limits: tuple[float, ...]
    found: int
    scores: tuple[float, ...]

    @classmethod
    def of(cls, values: Sequence[float], alpha: float, least_sd: float = 0.0) -> Esd | None:
        """Look for values that stand apart from the others, on either side.

        Args:
            values: of fewer than FEWEST_FOR_ESD there is no test, but None.
            alpha: how often a set of normal values may raise any alarm.
            least_sd: a standard deviation is never taken below it, so that nothing stands apart by
                less than it could be measured.
        """
        if len(values) < FEWEST_FOR_ESD:
            return None
        numbers = np.asarray(values, dtype=np.float64)
        by_size = np.argsort(numbers, kind="stable")  # so that order doesn't matter to rounding
        most = _most_outliers(numbers.size)
        steps, statistics = _remove_farthest(numbers[by_size], most, least_sd)
        limits = _critical_values(numbers.size, most, _kept_level(numbers.size, alpha))
        beyond = np.flatnonzero(statistics > limits)
        found = int(beyond[-1]) + 1 if beyond.size else 0
        rest = np.delete(numbers[by_size], steps[:found])
        return cls(
            tuple(by_size[steps].tolist()),
            tuple(statistics.tolist()),
            tuple(limits.tolist()),
            found,
            tuple(_distances(numbers, rest, least_sd).tolist()),
        )

    @property
    def outliers(self) -> frozenset[int]:
        """Indices of the values that stand apart."""
        return frozenset(self.order[: self.found])

    @property
    def deciding(self) -> int:
        """The step that decided, from 0; the one nearest to its limit where none did."""
        if self.found:
            return self.found - 1
        return int(np.argmax(np.divide(self.statistics, self.limits)))

    def distance(self, place: int) -> dict[str, Any]:
        """How far a value is from the others, and what the outlier test says of it.

        `deviations` from the others' mean over their standard deviation, infinite where these are
        all alike; `others`, how many values are no outliers; the deciding `step` from 1.
        """
        step = self.deciding
        return {
            "apart": place in self.outliers,
            "deviations": self.scores[place],
            "others": len(self.scores) - self.found,
            "step": step + 1,
            "statistic": self.statistics[step],
            "limit": self.limits[step],
        }


def _most_outliers(count: int) -> int:
    """How many outliers to look for: about a third of the values, never half of them."""
    return min(MOST_OUTLIERS, (count + 1) // 3)


def _critical_values(count: int, most: int, alpha: float) -> Array:
    """Rosner's critical values of the statistics of steps 1 to `most`, two-sided.

    The first is Grubbs' critical value. On small samples they don't keep alpha: see _kept_level.

    References:
        NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.5.17.3, after B. Rosner, Percentage
        Points for a Generalized ESD Many-Outlier Procedure, Technometrics 25 (1983) 165.
    """
    left = count - np.arange(1.0, most + 1.0)  # values after the step
    t = np.array([student_quantile(n - 1.0, alpha / (n + 1.0)) for n in left.tolist()])
    return np.asarray(left * t / np.sqrt((left - 1.0 + t**2) * (left + 1.0)))


def _kept_level(count: int, alpha: float) -> float:
    """The level to ask _critical_values for, so that _most_outliers(count) steps keep alpha."""
    at = min(count - FEWEST_FOR_ESD, len(_LEVEL_RATIO) - 1)
    return alpha * _LEVEL_RATIO[at]


def _remove_farthest(numbers: Array, most: int, least_sd: float) -> tuple[list[int], Array]:
    """Indices and statistics of the values removed one by one, each the farthest of the rest."""
    left = list(range(numbers.size))
    order: list[int] = []
    statistics = np.empty(most)
    for step in range(most):
        distances = np.abs(_distances(numbers[left], numbers[left], least_sd))
        farthest = int(np.argmax(distances))
        statistics[step] = distances[farthest]
        order.append(left.pop(farthest))
    return order, statistics


def _distances(numbers: Array, among: Array, least_sd: float) -> Array:
    """Distances from the mean of some values over their standard deviation (n - 1)."""
    away = numbers - among.mean()
    rounding = ALIKE * float(np.abs(numbers).max())
    sd = max(float(np.std(among, ddof=1)), least_sd)
    away[np.abs(away) <= rounding] = 0.0
    if sd <= rounding:
        return np.where(away == 0.0, 0.0, np.copysign(np.inf, away))
    return np.asarray(away / sd)
