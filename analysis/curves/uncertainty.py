"""Uncertainty arithmetic: scatter of few repeats, and expanding to k = 2."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from coilbench.analysis.curves.budget import BudgetLine, coverage_factor


def type_a(values: Sequence[float], noises: Sequence[float]) -> float:
    """Standard uncertainty of a mean from the scatter of the values, s/sqrt(n).

    Never below what each value's own noise leaves in the mean: two repeats may agree by luck.

    Args:
        values: n repeats.
        noises: standard error of each, known from inside the repeat; zero where it is not.

    References:
        JCGM 100:2008, 4.2.3.
    """
    count = len(values)
    inside = math.sqrt(float(np.mean(np.square(noises))) / count)
    if count < 2:
        return inside
    return max(float(np.std(values, ddof=1)) / math.sqrt(count), inside)


def scatter_lines(
    values: Sequence[float], noises: Sequence[float], noise_freedom: float = math.inf
) -> list[BudgetLine]:
    """Budget the strokes' own scatter, or where there is one alone, its noise.

    Args:
        values, noises: as in type_a.
        noise_freedom: degrees of freedom behind one stroke's noise.
    """
    count, u = len(values), type_a(values, noises)
    if u == 0.0:
        return []
    if count < 2:
        source = "noise of the stroke and its zero"
        return [BudgetLine(source, "A", u, "N", 1.0, noise_freedom, shared=False)]
    return [BudgetLine(f"scatter of {count} strokes", "A", u, "N", 1.0, count - 1.0, shared=False)]


def expanded(scatter: float, count: int, instrument: float) -> float:
    """Expanded uncertainty: k = 2, or Student's t where the scatter of few repeats rules.

    Args:
        scatter: type A standard uncertainty of the mean of `count` repeats.
        count: repeats behind it; one repeat has no scatter of its own, so that k stays 2.
        instrument: all other standard uncertainties, combined.

    References:
        JCGM 100:2008, annex G.4 (Welch-Satterthwaite).
    """
    combined = math.hypot(scatter, instrument)
    if count < 2 or scatter == 0.0:
        return coverage_factor(math.inf) * combined
    freedom = (count - 1) * (combined / scatter) ** 4
    return coverage_factor(freedom) * combined
