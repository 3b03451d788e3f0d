"""Fitting a bathroom scale with known masses: what it shows into the load on it. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from coilbench.capture.blocks import Finding
from coilbench.capture.calibration.checks import (
    STANDARD_GRAVITY_M_S2,
    Standards,
    refuse_gravity,
    refuse_scatter,
    refuse_slip,
    refuse_unusable,
)
from coilbench.capture.calibration.fit import LEAST_MASSES, LEAST_MASSES_FOR_PARABOLA
from coilbench.capture.calibration.keyed_setup import Scale, ScalePoint
from coilbench.capture.calibration.known_points import ASSUMED_MASS_U_RELATIVE, mass_u_kg
from coilbench.capture.calibration.polynomial import PolynomialFit, value
from coilbench.capture.calibration.regression import degree_demanded, fit_with_scatter
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.unit_factors import KGF_N, POUND_KG

# Common practice, no source: the steps of household scales, in kg or in pounds, coarsest first,
# and the error of a usable one.
_STEPS = (1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001)
STEPS_KG = tuple(sorted((step * unit for unit in (1.0, POUND_KG) for step in _STEPS), reverse=True))
LEAST_SPAN_STEPS = 20.0  # with fewer, the steps dominate the curve
RESIDUAL_LIMIT_FRACTION = 0.03  # of the span
RESIDUAL_LIMIT_STEPS = 5.0
_MOST_RELATIVE = 1.0  # no mass is worse


def calibrate_scale(
    name: str,
    points: Sequence[ScalePoint],
    origin: str,
    gravity_m_s2: float = STANDARD_GRAVITY_M_S2,
) -> Scale:
    """Fit a scale's curve: a straight line, or a parabola where the points demand it.

    Raises:
        CoilbenchError: no name, or points that are inconsistent or too few.
    """
    if not name.strip() or not name.isprintable():
        raise CoilbenchError(
            f"{name!r} is not a name for a scale", hint="Give a name like bathroom"
        )
    refuse_gravity(gravity_m_s2)
    mass_kg = np.array([p.mass_kg for p in points])
    shown_kg = np.array([p.shown_kg for p in points])
    u_kg = np.array([mass_u_kg(p.mass_kg, p.u_kg) for p in points])
    # The relative error of the best mass is taken as common to all.
    some = mass_kg > 0.0
    relative = float(np.min(u_kg[some] / mass_kg[some], initial=_MOST_RELATIVE))
    masses = Standards("mass", "kg", mass_kg, shown_kg, u_kg)
    step_kg = step_of(shown_kg[np.isfinite(shown_kg)].tolist())
    refuse_unusable(masses, LEAST_MASSES, LEAST_SPAN_STEPS * step_kg)
    limit_kg = max(RESIDUAL_LIMIT_FRACTION * masses.span, RESIDUAL_LIMIT_STEPS * step_kg)
    refuse_slip(masses, lambda _: limit_kg)

    load_n, shown_n, step_n = mass_kg * gravity_m_s2, shown_kg * KGF_N, step_kg * KGF_N
    degree = 1
    if np.unique(mass_kg).size >= LEAST_MASSES_FOR_PARABOLA:
        degree = degree_demanded(shown_n, load_n, step_n)
    own_u_n = np.sqrt(np.maximum(u_kg**2 - (relative * mass_kg) ** 2, 0.0)) * gravity_m_s2
    fit = fit_with_scatter(shown_n, load_n, degree, own_u_n, step_n)
    residuals_n = load_n - value(fit, shown_n)
    refuse_scatter(masses, residuals_n / gravity_m_s2, lambda _: limit_kg)
    return Scale(
        name=name.strip(),
        origin=origin,
        fit=fit,
        reference_u_relative=relative,
        gravity_m_s2=gravity_m_s2,
        points=tuple(points),
        residuals_n=tuple(residuals_n.tolist()),
        notes=tuple(_notes(points, fit, step_kg)),
    )


def step_of(shown_kg: Sequence[float]) -> float:
    """Return the coarsest usual step, kg, of which all readings are multiples."""
    for step_kg in STEPS_KG:
        if all(math.isclose(x / step_kg, round(x / step_kg), abs_tol=1e-6) for x in shown_kg):
            return step_kg
    return STEPS_KG[-1]


def _notes(points: Sequence[ScalePoint], fit: PolynomialFit, step_kg: float) -> Iterator[Finding]:
    yield Finding.of("scale_steps", step_kg=step_kg)
    if any(point.u_kg is None for point in points):
        yield Finding.of("masses_assumed", u_relative=ASSUMED_MASS_U_RELATIVE)
    if fit.degree > 1:
        yield Finding.of("scale_curved")
