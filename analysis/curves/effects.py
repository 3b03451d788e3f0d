"""How one input moves a load: an effect, the smallest piece of a budget. Pure."""

from __future__ import annotations

import math
from collections.abc import Hashable
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.curves.uncertainty import SourceKind
from coilbench.capture.calibration.polynomial import PolynomialFit

Array = NDArray[np.float64]
ONE = np.eye(1)


class Effect(NamedTuple):
    """How one input, or some that are correlated, moves one sweep's load at one height."""

    source: SourceKind
    key: Hashable  # the same for effects of the very same error
    unit: str
    sensitivity: float  # for the budget: N per unit of the input
    gradient: Array  # (p,), N per unit of each correlated input
    covariance: Array  # (p, p), k = 1
    shared: bool = True  # whether all springs of the rig have the error in common
    kind: Literal["A", "B"] = "B"
    degrees_of_freedom: float = math.inf


def plain(
    source: SourceKind,
    key: Hashable,
    unit: str,
    sensitivity: float,
    u: float,
    *,
    shared: bool = True,
) -> Effect:
    """One input alone."""
    return Effect(source, key, unit, sensitivity, np.array([sensitivity * u]), ONE, shared)


def curve_effect(
    source: SourceKind,
    key: Hashable,
    unit: str,
    sensitivity: float,
    gradient: Array,
    fit: PolynomialFit,
) -> Effect:
    """A fit's coefficients together, correlated; few points tell by their degrees of freedom."""
    freedom = math.inf if fit.degrees_of_freedom is None else fit.degrees_of_freedom
    return Effect(
        source, key, unit, sensitivity, gradient, fit.unwidened, degrees_of_freedom=freedom
    )


def powers(x: float, fit: PolynomialFit) -> Array:
    """Sensitivity of the polynomial at x to its coefficients, shape (p,)."""
    return np.asarray(x ** np.arange(fit.degree + 1), dtype=np.float64)


def counts_at(fit: PolynomialFit, y: float, minus_x: float | None) -> float:
    """Return the x at which a nearly straight fit is y (less its value at minus_x)."""
    wanted = y if minus_x is None else y + fit.value_at(minus_x)
    x = (wanted - fit.coefficients[0]) / fit.coefficients[1]
    for _ in range(3):
        x += (wanted - fit.value_at(x)) / fit.slope_at(x)
    return x
