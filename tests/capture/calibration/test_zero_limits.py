"""The limits by which air is told from a touch, at their absolute values. Ours, no source.

The noise alternates between +10 and -10 counts, so that its second differences are all 40 counts:
1.4826 * 40 / sqrt(6) makes it 24.2 counts.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from coilbench.capture.strokes.sweep import StrokeZero, known_zero_u_counts, zero_before_touch

NOISE = 1.4826 * 40.0 / math.sqrt(6.0)


def found(
    air: np.ndarray, rise: float = 1e6, step_s: float = 0.1, start: float = 0.5
) -> StrokeZero | None:
    """The zero of some air followed by a press."""
    load = np.concatenate([air, rise * np.linspace(start, 1.0, 20)])
    return zero_before_touch(np.arange(load.size) * step_s, load, np.zeros(load.size))


def air(n: int = 20) -> np.ndarray:
    return 10.0 * (-1.0) ** np.arange(n)


@pytest.mark.parametrize(("n", "told"), [(3, True), (2, False)])
def test_three_samples_of_air_make_a_zero(n: int, told: bool) -> None:
    assert (found(np.zeros(n)) is not None) == told


# What comes last of the air is left out as the guard; a touch ends it one sample earlier.


@pytest.mark.parametrize(("share", "kept"), [(0.0098, 20), (0.0102, 19)])
def test_a_hundredth_of_the_rise_is_a_touch(share: float, kept: int) -> None:
    zero = found(np.append(air(), 10.0 + share * 3000.0), rise=3010.0)
    assert zero is not None
    assert zero.samples == kept


@pytest.mark.parametrize(("times", "kept"), [(2.9, 20), (3.1, 19)])
def test_three_times_the_noise_is_a_touch(times: float, kept: int) -> None:
    zero = found(np.append(air(), times * NOISE))
    assert zero is not None
    assert zero.samples == kept


def test_the_last_twentieth_of_a_second_before_the_touch_is_left_out() -> None:
    zero = found(air(101), step_s=0.001)
    assert zero is not None
    assert zero.samples == pytest.approx(51, abs=1)


@pytest.mark.parametrize(("times", "told"), [(5.8, True), (6.2, False)])
def test_air_whose_halves_differ_by_six_times_the_noise_is_no_zero(
    times: float, told: bool
) -> None:
    sinking = air(41) - times * NOISE * (np.arange(41) >= 20)
    assert (found(sinking) is not None) == told


def test_the_noise_is_half_a_count_at_least() -> None:
    assert known_zero_u_counts(np.full(50, 7.0)) == 0.5
    zero = found(np.zeros(26))
    assert zero is not None
    assert zero.u_counts == pytest.approx(0.5 / math.sqrt(zero.samples))
