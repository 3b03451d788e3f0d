"""A bathroom scale calibrated with known masses: what it shows into the load on it. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NamedTuple

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
from coilbench.capture.calibration.regression import (
    ASSUMED_MASS_U_RELATIVE,
    Direction,
    PolynomialFit,
    degree_demanded,
    evaluate,
    fit_with_scatter,
    mass_u_kg,
    value,
)
from coilbench.capture.calibration.statistics import widening
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import KGF_N, POUND_KG

# Common practice, no source: the steps of household scales, in kg or in pounds, coarsest first,
# and the error of a usable one.
_STEPS = (1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001)
STEPS_KG = tuple(sorted((step * unit for unit in (1.0, POUND_KG) for step in _STEPS), reverse=True))
LEAST_SPAN_STEPS = 20.0  # with fewer, the steps dominate the curve
RESIDUAL_LIMIT_FRACTION = 0.03  # of the span
RESIDUAL_LIMIT_STEPS = 5.0
_MOST_RELATIVE = 1.0  # no mass is worse
BEYOND_FRACTION = 0.05  # of the largest reading: the curve is used this far beyond it


@dataclass(frozen=True)
class ScalePoint:
    """What the scale showed with a known mass on it; u_kg: the mass's expanded uncertainty."""

    mass_kg: float
    shown_kg: float
    direction: Direction = "up"
    u_kg: float | None = None


class Correction(NamedTuple):
    """What to add to a reading of the scale, kg, and its expanded uncertainty (k = 2)."""

    shown_kg: float
    add_kg: float
    u_kg: float


@dataclass(frozen=True)
class Scale:
    """A calibrated scale.

    Attributes:
        fit: load_n over what is shown, N (a kg shown counts as 9.80665 N).
        reference_u_relative: the masses' standard uncertainty (k = 1), as a fraction.
        gravity_m_s2: local gravity, with which the masses became loads.
        points, residuals_n: what it was fitted on; known less fitted.
        notes: what was noticed while fitting; sentences in books of older programs.
    """

    name: str
    origin: str
    fit: PolynomialFit
    reference_u_relative: float
    gravity_m_s2: float
    points: tuple[ScalePoint, ...] = ()
    residuals_n: tuple[float, ...] = ()
    notes: tuple[Finding | str, ...] = ()

    def load_n(self, shown_n: float) -> float:
        """Return the load behind a reading.

        Raises:
            CoilbenchError: the reading is above the calibrated range.
        """
        if shown_n > (1.0 + BEYOND_FRACTION) * self.fit.x_max:
            raise CoilbenchError(
                "the scale {name!r} was calibrated up to {most_n} and shows {shown_n}",
                hint="Calibrate it with heavier masses: coilbench rig weigh --scale",
                name=self.name,
                most_n=self.fit.x_max,
                shown_n=shown_n,
            )
        return float(value(self.fit, shown_n))

    def curve_u_n(self, shown_n: float, tare_n: float) -> float:
        """Return the standard uncertainty (k = 1) of the curve between two readings, N.

        Its coefficients are correlated (JCGM 100:2008, 5.2.2). The readings' own scatter and the
        masses' part are not in it, see repeatability_n and reference_u_relative.
        """
        return float(evaluate(self.fit, shown_n, minus_x=tare_n)[1])

    @property
    def repeatability_n(self) -> float:
        """Scatter of one reading about the curve, widened for few points (G.3), N."""
        return widening(self.fit.points - self.fit.degree - 1) * self.fit.residual_sd

    def corrections(self) -> list[Correction]:
        """Return the correction at each reading that was used, ascending."""
        rows = []
        for shown_kg in sorted({point.shown_kg for point in self.points}):
            load_n, curve_u_n = evaluate(self.fit, shown_kg * KGF_N)
            u_n = math.hypot(float(curve_u_n), self.reference_u_relative * float(load_n))
            add_kg = float(load_n) / KGF_N - shown_kg
            rows.append(Correction(shown_kg, add_kg, 2.0 * u_n / KGF_N))
        return rows


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
