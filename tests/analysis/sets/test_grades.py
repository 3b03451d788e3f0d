"""A standard's load tolerances, for information: worked by hand, and which grade holds a set."""

from __future__ import annotations

import numpy as np
import pytest

from coilbench.analysis.curves.curve import fit_curve
from coilbench.analysis.sets.grades import load_tolerance_n, set_grades
from coilbench.analysis.sets.judge import check_set
from coilbench.analysis.sets.rulings import Nominal
from coilbench.capture.strokes.sweep import Branch, Origin, Sweep

EMPTY = Branch(np.empty(0), np.empty(0))


def test_the_formula_by_hand() -> None:
    """EN 15800 as recalled (see the module); no published example was at hand.

    d 5, D 34.6, n 9.5 (the spring of a published EN 13906-1 sheet), 620 N: w 6.92;
    bracket 0.86940; a_F = 65.92 x 202.582 / 290.06 x 0.86940 = 40.03 N; k_F 0.96773.
    """
    by_hand = 40.03 * 0.96773 + 9.3
    assert load_tolerance_n(5.0, 34.6, 9.5, 620.0) == pytest.approx(by_hand, rel=0.001)


def test_a_set_gets_the_strictest_grade_that_holds_it() -> None:
    def grades(off_n: float, nominal: Nominal | None = None) -> list[int | None]:
        loads = [230.0, 230.0, 230.0, 230.0 + off_n]
        curves = [
            fit_curve(
                f"s{i}",
                [
                    Sweep("s", "s", Origin.KEYED, Branch(np.array([38.5]), np.array([n])), EMPTY,
                          0.5, 0.0, 0.0)
                ],
            )
            for i, n in enumerate(loads)
        ]  # fmt: skip
        check = check_set("larch", curves, [38.5], nominals=[nominal])
        return [one.grade for one in set_grades(check, 4.2, 31.0, 4.5)]

    middle_n = load_tolerance_n(4.2, 31.0, 4.5, 230.0)
    assert grades(0.62 * middle_n) == [1]
    assert grades(0.99 * middle_n) == [2]
    assert grades(-1.59 * middle_n) == [3]
    assert grades(1.61 * middle_n) == [None]
    assert grades(0.0, Nominal(230.0 + 0.99 * middle_n)) == [2]


def test_no_grades_without_dimensions_or_outside_the_formula() -> None:
    points = Branch(np.array([38.5]), np.array([230.0]))
    curve = fit_curve("s", [Sweep("s", "s", Origin.KEYED, points, EMPTY, 0.5, 0.0, 0.0)])
    check = check_set("larch", [curve], [38.5])
    assert len(set_grades(check, 4.2, 31.0, 4.5)) == 1
    assert set_grades(check, None, 31.0, 4.5) == ()
    assert set_grades(check, 4.2, None, 4.5) == ()
    assert set_grades(check, 4.2, 31.0, None) == ()
    assert set_grades(check, 9.0, 31.0, 4.5) == ()
    assert set_grades(check, 4.2, 31.0, 1.5) == ()
