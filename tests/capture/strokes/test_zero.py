"""The zero before the touch, on made strokes whose zero is known."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.capture.strokes.sweep import zero_before_touch

ZERO, NOISE = 40_000.0, 150.0


def stroke(rate_hz=93.0, lead_s=0.5, way=1.0, noise=NOISE, drift=0.0, seed=0):
    """Time, load and travel counts: air, then a press down and up in 3 s, 1 million counts."""
    rng = np.random.default_rng(seed)
    t_s = np.arange(0.0, lead_s + 3.0, 1.0 / rate_hz)
    press = np.clip((t_s - lead_s) / 3.0, 0.0, 1.0)
    load = 1e6 * np.sin(np.pi * press) ** 2
    travel = 2000.0 * t_s
    return t_s, ZERO + way * load + drift * t_s + noise * rng.normal(size=t_s.size), travel


AIR = [(r, s) for r in (10.0, 40.0, 93.0, 500.0) for s in (0.5, 1.0, 3.0) if r * s >= 10]


def believe(zero):
    # 5 sigma, and what a soft beginning hides within the noise
    assert abs(zero.counts - ZERO) < 5.0 * zero.u_counts + 1.0 * NOISE
    assert zero.u_counts < 2.5 * NOISE
    assert zero.moved_counts > 0.0


@settings(max_examples=40)
@given(air=st.sampled_from(AIR), way=st.sampled_from([1.0, -1.0]), seed=st.integers(0, 1000))
def test_it_is_the_air_before_the_touch(air, way, seed):
    rate_hz, lead_s = air
    zero = zero_before_touch(*stroke(rate_hz, lead_s, way, seed=seed))
    assert zero is not None
    believe(zero)


def test_five_samples_of_air_are_seldom_refused_and_never_misread():
    # So few show their own noise badly: now and then they look as if they rose, and then no zero
    # is told, rather than a wrong one. 10 of these 2002 were refused when this was written.
    zeros = [
        zero_before_touch(*stroke(10.0, 0.5, way, seed=seed))
        for way in (1.0, -1.0)
        for seed in range(1001)
    ]
    told = [zero for zero in zeros if zero is not None]
    for zero in told:
        believe(zero)
    assert len(told) > 0.99 * len(zeros)


def test_its_uncertainty_shrinks_with_the_air():
    short, long = (zero_before_touch(*stroke(lead_s=s)) for s in (0.3, 3.0))
    assert long.samples > 5 * short.samples
    assert long.u_counts < 0.5 * short.u_counts
    assert long.u_counts == pytest.approx(NOISE / np.sqrt(long.samples), rel=0.15)


def test_a_press_from_the_first_sample_has_none():
    t_s, load, travel = stroke(lead_s=0.0, noise=1.0)
    for first in (20, 60, 100):
        assert zero_before_touch(t_s[first:], load[first:], travel[first:]) is None
    assert zero_before_touch(t_s[:2], load[:2], travel[:2]) is None
    assert zero_before_touch(t_s, np.full(t_s.size, 5.0), travel) is None


def test_the_standing_drift_of_the_zero_is_followed_to_the_touch():
    zero = zero_before_touch(*stroke(lead_s=1.0, drift=200.0))
    assert abs(zero.counts - (ZERO + 100.0)) < 5.0 * zero.u_counts + 60.0
