"""Surge against Shigley's example, and against EN 13906-1's own form."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilbench.analysis.limits import stress
from coilbench.capture.unit_factors import INCH_MM, LBF_N


def test_shigley_10_4() -> None:
    """k 48.1 lbf/in, Na 21: 281 Hz (the book's weight density 0.282 lbf/in^3)."""
    g = stress.coil_mass_g(0.092 * INCH_MM, (9 / 16 - 0.092) * INCH_MM, 21.0)
    assert stress.surge_hz(48.1 * LBF_N / INCH_MM, g) == pytest.approx(281.0, rel=0.005)


@given(st.floats(1, 6), st.floats(4, 12), st.floats(3, 15), st.floats(77e3, 82e3))
def test_en_form(d: float, c: float, n: float, modulus: float) -> None:
    """fe = 3560 d/(n D^2) sqrt(G/rho), mm, MPa, kg/dm^3."""
    big = c * d
    ours = stress.surge_hz(
        stress.rate_from_dimensions(d, big, n, modulus), stress.coil_mass_g(d, big, n)
    )
    assert ours == pytest.approx(3560 * d / (n * big**2) * math.sqrt(modulus / 7.85), rel=0.001)


def test_cam_turns_at_half_speed() -> None:
    assert stress.cam_hz(6000) == pytest.approx(50.0)


@given(st.floats(1, 60), st.floats(1, 60), st.floats(5, 100))
def test_stiffer_is_faster(rate: float, more: float, g: float) -> None:
    assert stress.surge_hz(rate + more, g) > stress.surge_hz(rate, g)
