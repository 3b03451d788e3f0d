"""Whether the plan's model is as sure of a set's loads as it may be: seeded sets, known truth.

A model that weighs doubts one by one (is this spring tired? how much do they scatter?) is surer
than it may be, since doubts go together: its intervals held the truth less often than they said.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np
import pytest
from scipy.stats import chi2

from coilbench.analysis.engine.press_model import (
    OPEN_CHANCES,
    Expected,
    PressReading,
    SetModel,
    fit_set,
)
from coilbench.capture.units import KGF_N

SETS = 150
SHUT_MM, LIFT_MM, SPRINGS = 39.0, 11.0, 8
ENDS_MM = np.array([27.0, 29.0, 38.0, 40.0])
MIDDLES_MM = np.array([28.0, 39.0])
RATE = 2.2 * KGF_N
LABELS = tuple(f"larch-{n}" for n in range(SPRINGS))


def drawn(rng: np.random.Generator) -> tuple[SetModel, np.ndarray, np.ndarray]:
    """A set read as the fixed plan asks, its sound springs' mean at ends and middles, who is tired.

    Not drawn from the model: scatters and losses even between two limits, a straight, a bent or a
    kinked curve, a scale better or worse than is stated.
    """
    bend, knee = rng.choice([0.0, 0.3]), rng.choice([20.0, rng.uniform(28.0, 39.0)])
    factor = rng.normal(1.0, rng.uniform(0.008, 0.02), SPRINGS)
    lost, tired = np.zeros(SPRINGS), rng.choice(SPRINGS, rng.integers(1, 3), replace=False)
    lost[tired] = rng.uniform(0.05, 0.15, len(tired))
    share, repeat_n = rng.uniform(0.2, 0.8, SPRINGS), rng.uniform(0.15, 0.3) * KGF_N

    def load_n(spring: int, height_mm: np.ndarray) -> np.ndarray:
        depth_mm = SHUT_MM - height_mm
        curve = 22.0 * KGF_N + RATE * (depth_mm + 0.5 * bend * depth_mm**2 / LIFT_MM)
        curve = curve + 0.2 * RATE * np.maximum(knee - height_mm, 0.0)
        own = factor[spring] * (1.0 - share[spring] * lost[spring])
        return own * curve - (1.0 - share[spring]) * lost[spring] * 22.0 * KGF_N

    readings = []
    for spring, label in enumerate(LABELS):
        for mm in ENDS_MM if spring < 2 else MIDDLES_MM:
            shown = load_n(spring, mm + rng.normal(0.0, 0.05)) + rng.normal(0.0, repeat_n)
            u_n = float(np.hypot(0.2 * KGF_N, 0.04 * RATE))
            readings.append(PressReading(label, float(mm), float(shown), u_n))
    expected = Expected(72.0 * KGF_N, 3.5 * KGF_N)
    model = fit_set(LABELS, readings, SHUT_MM, SHUT_MM - 0.5 * LIFT_MM, expected)
    sound = np.flatnonzero(lost == 0.0)
    at_mm = np.concatenate([ENDS_MM, MIDDLES_MM])
    return model, np.mean([load_n(int(spring), at_mm) for spring in sound], axis=0), lost > 0.0


class Sample(NamedTuple):
    """Errors of mean loads in their own standard deviations, (sets, 6); chances, who is tired."""

    score: np.ndarray
    chance: np.ndarray
    tired: np.ndarray


@cache
def sample() -> Sample:
    scores, chances, who = [], [], []
    for seed in range(SETS):
        model, truth_n, tired = drawn(np.random.default_rng([seed, 7]))
        loads = model.mean_loads(np.concatenate([ENDS_MM, MIDDLES_MM]))
        scores.append((loads.merged_n - truth_n) / np.sqrt(np.diag(loads.merged_cov_n2)))
        chances.append(model.tired)
        who.append(tired)
    return Sample(np.array(scores), np.concatenate(chances), np.concatenate(who))


@pytest.mark.parametrize("at", range(len(ENDS_MM) + len(MIDDLES_MM)))
def test_mean_loads_are_as_sure_as_they_are_said_to_be(at: int) -> None:
    """The sum of squares of independent scores is chi-square: within its central 99.9 %."""
    low, high = chi2.ppf([0.0005, 0.9995], SETS) / SETS
    assert low < np.mean(sample().score[:, at] ** 2) < high


def test_surprises_are_rare() -> None:
    """Beyond two standard deviations 4.6 % are expected of normal loads, beyond three 0.3 %."""
    off = np.abs(sample().score)
    assert np.mean(off > 2.0) < 0.07
    assert np.mean(off > 3.0) < 0.01


@pytest.mark.parametrize("open_still", [True, False])
@pytest.mark.parametrize("sound", [True, False])
def test_no_chance_of_being_tired_is_surer_than_it_may_be(sound: bool, open_still: bool) -> None:
    """Springs rather sound than not, or the others, near 0 or 1 and not: no more of them are the
    other way than is said, within 3.3 standard deviations of a sum of coins."""
    chance, tired = sample().chance, sample().tired
    other = np.where(chance < 0.5, chance, 1.0 - chance)
    those = ((chance < 0.5) == sound) & ((other > OPEN_CHANCES[0]) == open_still)
    wrong = (tired == sound)[those].sum()
    spread = np.sqrt(np.sum(other[those] * (1.0 - other[those])))
    assert wrong <= other[those].sum() + 3.3 * spread
