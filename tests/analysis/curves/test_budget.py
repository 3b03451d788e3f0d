"""Budgets against worked figures of JCGM 100:2008 and SciPy."""

import math

import pytest
from scipy import stats

from coilbench.analysis.curves.uncertainty import Budget, BudgetLine, split
from coilbench.capture.calibration.statistics import coverage_factor


def line(u_n: float, degrees_of_freedom: float = math.inf, *, shared: bool = True) -> BudgetLine:
    return BudgetLine("x", "A", u_n, "N", 1.0, degrees_of_freedom, shared)


def test_the_guides_own_example() -> None:
    """JCGM 100:2008, G.4.1, example (from memory): 0.25, 0.57, 0.82 of n = 10, 5, 15.

    Combined 1.03, 19.0 effective degrees of freedom, t 2.09, expanded 2.2.
    """
    budget = Budget((line(0.25, 9), line(0.57, 4), line(0.82, 14)))
    assert budget.combined_u_n == pytest.approx(1.03, abs=0.005)
    assert budget.effective_dof == pytest.approx(19.0, abs=0.1)
    assert budget.k == pytest.approx(2.09, abs=0.005)
    assert budget.expanded_u_n == pytest.approx(2.2, abs=0.06)


def test_known_inputs_have_k_2() -> None:
    budget = Budget((line(3.0), line(4.0, shared=False)))
    assert budget.combined_u_n == 5.0
    assert split(100.0, budget).own_u == 8.0  # of 4 N, k = 2
    assert math.isinf(budget.effective_dof)
    assert budget.expanded_u_n == 10.0
    assert math.isinf(Budget(()).effective_dof)
    assert Budget(()).expanded_u_n == 0.0


@pytest.mark.parametrize("freedom", [1.0, 2.0, 5.5, 20.0, 59.0])
def test_the_factor_is_students(freedom: float) -> None:
    assert coverage_factor(freedom) == pytest.approx(float(stats.t.ppf(0.975, freedom)), rel=1e-9)


def test_the_factor_never_falls_below_2() -> None:
    assert coverage_factor(61.0) == 2.0
    assert coverage_factor(math.inf) == 2.0


def test_a_line_tells_its_part_whatever_its_sign() -> None:
    one = BudgetLine("height", "B", 0.01, "mm", -16.0)
    assert one.signed_n == pytest.approx(-0.16)
    assert one.contribution_n == pytest.approx(0.16)
