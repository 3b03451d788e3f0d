"""Scatter and expanded uncertainty, against SciPy's Student t and the GUM's table."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from coilbench.analysis.curves.uncertainty import Budget, BudgetLine, _type_a, scatter_lines


def expanded(scatter: float, count: int, instrument: float) -> float:
    """The expanded uncertainty of the mean of values that scatter so much."""
    known = BudgetLine("instrument", "B", instrument, "N", 1.0)
    lines = scatter_lines([10.0], [scatter])
    if count > 1:
        steps = np.arange(count) / np.std(np.arange(count), ddof=1)
        lines = scatter_lines((scatter * math.sqrt(count) * steps).tolist(), [0.0] * count)
    return Budget((known, *lines)).expanded_u_n


def test_scatter_is_the_standard_error_of_the_mean() -> None:
    values = [331.2, 330.7, 332.0, 331.4]
    assert _type_a(values, [0.0] * 4) == pytest.approx(float(stats.sem(values)), rel=1e-12)


def test_repeats_that_agree_by_luck_keep_their_own_noise() -> None:
    assert _type_a([10.0, 10.0], [0.3, 0.4]) == pytest.approx(math.sqrt(0.125 / 2.0))
    assert _type_a([10.0], [0.3]) == pytest.approx(0.3)


# JCGM 100:2008, table G.2, fraction 95 %: quoted from memory, and SciPy agrees to its digits.
@pytest.mark.parametrize(("freedom", "t95"), [(1, 12.71), (2, 4.30), (3, 3.18), (10, 2.23)])
def test_scatter_alone_takes_student_t(freedom: int, t95: float) -> None:
    assert expanded(1.0, freedom + 1, 0.0) == pytest.approx(t95, abs=0.005)


def test_instrument_alone_takes_two() -> None:
    assert expanded(0.0, 3, 0.7) == pytest.approx(1.4)
    assert expanded(0.3, 1, 0.4) == pytest.approx(1.0)


def test_welch_satterthwaite_between() -> None:
    combined = math.hypot(0.3, 0.4)
    freedom = combined**4 / (0.3**4 / 2.0)  # JCGM 100:2008, equation G.2b
    want = float(stats.t.ppf(0.975, freedom)) * combined
    assert expanded(0.3, 3, 0.4) == pytest.approx(want, rel=1e-9)
