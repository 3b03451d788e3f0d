"""A root between two places, against SciPy's."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from scipy.optimize import brentq

from coilbench.capture.root import root_between

CASES: list[tuple[Callable[[float], float], float, float]] = [
    (lambda x: math.cos(x) - x, 0.0, 1.0),
    (lambda x: x**9 - 0.001, -1.0, 2.0),
    (lambda x: math.exp(-40.0 * x) - 1e-9, 0.0, 10.0),
    (lambda x: math.copysign(math.sqrt(abs(x - 0.3)), x - 0.3), 0.0, 1.0),
    (lambda x: 3.0 - 7.0 * x, 0.0, 1.0),
]


@pytest.mark.parametrize(("function", "low", "high"), CASES)
@pytest.mark.parametrize("turned", [False, True])
def test_it_is_scipys(
    function: Callable[[float], float], low: float, high: float, turned: bool
) -> None:
    ends = (high, low) if turned else (low, high)
    found = root_between(function, *ends, 1e-10)
    assert found == pytest.approx(brentq(function, low, high, xtol=1e-13), abs=1e-9)


def test_a_root_at_an_end_is_found() -> None:
    assert root_between(lambda x: x, 0.0, 1.0, 1e-9) == 0.0
    assert root_between(lambda x: x - 1.0, 0.0, 1.0, 1e-9) == 1.0


def test_a_step_is_found_to_the_tolerance() -> None:
    found = root_between(lambda x: 5.0 if x > 0.7 else -1.0, 0.0, 1.0, 1e-6)
    assert found == pytest.approx(0.7, abs=1e-6)
