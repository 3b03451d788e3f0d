"""The gain's term: its size from the checks, and how it grows with age and a far zero."""

from __future__ import annotations

import numpy as np
import pytest

from coilbench.capture.book.gains import NEAR_ZERO_N, GainCheck, gain_u_relative

QUIET = [GainCheck(days, 5.0, error, 0.0002) for days, error in ((1, 1e-4), (5, -1e-4), (9, 2e-4))]
WANDERS = [
    GainCheck(days, 5.0, error, 0.0002) for days, error in ((1, 1e-3), (5, -2e-3), (9, 3e-3))
]


def test_two_checks_have_no_size_and_three_have() -> None:
    assert gain_u_relative(WANDERS[:2], 5.0, 0.0) == 0.0
    assert gain_u_relative(WANDERS, 5.0, 0.0) > 0.0


def test_checks_that_agree_within_their_own_uncertainty_add_nothing() -> None:
    assert gain_u_relative(QUIET, 5.0, 0.0) == 0.0


def test_size_is_what_the_errors_have_beyond_their_uncertainty() -> None:
    rng = np.random.default_rng(4)
    wander, u = 2e-3, 1e-3
    errors = wander * rng.standard_normal(4000) + u * rng.standard_normal(4000)
    checks = [GainCheck(10.0, 0.0, float(error), u) for error in errors]
    assert gain_u_relative(checks, 3.0, 0.0) == pytest.approx(wander, rel=0.05)


@pytest.mark.parametrize(("age_days", "times"), [(0.0, 1.0), (9.0, 1.0), (36.0, 2.0), (81.0, 3.0)])
def test_it_grows_with_the_root_of_the_age_past_the_oldest_check(
    age_days: float, times: float
) -> None:
    near = gain_u_relative(WANDERS, 9.0, 0.0)
    assert gain_u_relative(WANDERS, age_days, 0.0) == pytest.approx(times * near)


@pytest.mark.parametrize(
    ("zero_n", "times"), [(NEAR_ZERO_N, 1.0), (-NEAR_ZERO_N, 1.0), (60.0, 3.0), (-60.0, 3.0)]
)
def test_a_zero_farther_than_any_dead_weight_widens_it(zero_n: float, times: float) -> None:
    near = gain_u_relative(WANDERS, 9.0, 0.0)
    assert gain_u_relative(WANDERS, 9.0, zero_n) == pytest.approx(times * near)
