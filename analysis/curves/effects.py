"""How one input moves a load: an effect, the smallest piece of a budget. Pure."""

from __future__ import annotations

import math
from collections.abc import Hashable
from typing import Literal, NamedTuple

import numpy as np

from coilbench.analysis.curves.uncertainty import SourceKind
from coilbench.capture.calibration.polynomial import PolynomialFit, Reals
from coilbench.capture.strokes.bins import Array


class Effect(NamedTuple):
    """How one input, or some that are correlated, moves one sweep's load at a height, or at m."""

    source: SourceKind
    key: Hashable  # the same for effects of the very same error
    unit: str
    sensitivity: Reals  # for the budget: N per unit of the input; (m,) at m heights
    gradient: Reals  # (p,) or (p, m), N per unit of each correlated input; of one alone times its u
    covariance: Array | None = None  # (p, p), k = 1; None of one alone
    shared: bool = True  # whether all springs of the rig have the error in common
    kind: Literal["A", "B"] = "B"
    degrees_of_freedom: float = math.inf


def plain(
    source: SourceKind,
    key: Hashable,
    unit: str,
    sensitivity: Reals,
    u: Reals,
    *,
    shared: bool = True,
) -> Effect:
    """One input alone."""
    return Effect(source, key, unit, sensitivity, sensitivity * u, shared=shared)


def curve_effect(
    source: SourceKind,
    key: Hashable,
    unit: str,
    sensitivity: Reals,
    gradient: Reals,
    fit: PolynomialFit,
) -> Effect:
    """A fit's coefficients together, correlated; few points tell by their degrees of freedom."""
    freedom = math.inf if fit.degrees_of_freedom is None else fit.degrees_of_freedom
    return Effect(
        source, key, unit, sensitivity, gradient, fit.unwidened, degrees_of_freedom=freedom
    )


def powers(x: Reals, fit: PolynomialFit, minus_x: Reals | None = None) -> Array:
    """Sensitivity of the polynomial at x, less that at minus_x, to its coefficients, (p, ...)."""
    every = range(fit.degree + 1)
    return np.array([x**n if minus_x is None else x**n - minus_x**n for n in every])


def counts_at(fit: PolynomialFit, y: Reals, minus_x: Reals | None) -> Reals:
    """Return the x at which a nearly straight fit is y (less its value at minus_x)."""
    wanted = y if minus_x is None else y + fit.value_at(minus_x)
    x = (wanted - fit.coefficients[0]) / fit.coefficients[1]
    for _ in range(3):
        x = x + (wanted - fit.value_at(x)) / fit.slope_at(x)
    return x
