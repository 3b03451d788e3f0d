"""A smoothing spline whose slope and curvature come with their uncertainty. Pure.

It minimises the sum of squared residuals plus lambda times the integral of the m-th derivative
squared; lambda is the one of generalised cross-validation (Craven and Wahba, 1979), each degree
of freedom counted 1.4 times. Uncertainty: the spline is the mean of a posterior with covariance
s^2 (B'B + lambda P)^-1 (Wahba, 1983), whose intervals hold the truth about as often as they say,
on average over the curve, bias and all (Nychka, 1988).
m = 3, a quintic spline, is taken where a second derivative is wanted: m = 2, the cubic one, holds
the second derivative itself down. References from memory; SciPy's cubic one is the check.

The lift table: lift of the valve or of the cam's lobe, by angle, from a CSV file. Pure.

What an angle and a lift are of stands in the columns' names, since a slip is dear: degrees of the
crank taken for the cam's make every acceleration four times too small.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline
from scipy.linalg import cho_factor, cho_solve

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.columns import Quantity, read_columns, refuse_rows
from coilbench.capture.tables.csv_table import Table
from coilbench.capture.units import INCH_MM

Array = NDArray[np.float64]
ORDER = 3  # derivative that is held down; the spline's degree is 2 m - 1
LEAST_POINTS = 12
POWERS = np.arange(-9.0, 9.1, 0.5).tolist()  # of ten, lambdas tried, for points one apart
DEARNESS = 1.4  # of a degree of freedom, against curves that follow the scatter: Kim and Gu, 2004
MOST_SPANS = 150  # between knots; a lift curve has no detail that is finer


@dataclass(frozen=True)
class SmoothingSpline:
    """A fitted spline.

    Attributes:
        knots: of its B-splines, in steps of the mean distance between points.
        coefficients: of them.
        factor: Cholesky factor of B'B + lambda P, as cho_factor gives it, upper.
        sigma: standard deviation of the points about the curve.
        freedom: degrees of freedom left for it, n - tr H.
        start, step: of the abscissa: first point, mean distance between points.
    """

    knots: Array
    coefficients: Array
    factor: Array
    sigma: float
    freedom: float
    start: float
    step: float

    @property
    def finest(self) -> float:
        """Distance over which the curve has one degree of freedom: what is finer it can't show."""
        points = round((float(self.knots[-1]) - float(self.knots[0])) + 1.0)
        return self.step * (points - 1) / (points - self.freedom)

    @property
    def degree(self) -> int:
        """Degree of the spline."""
        return len(self.knots) - len(self.coefficients) - 1

    def at(self, x: Array, derivative: int = 0) -> tuple[Array, Array]:
        """The curve or a derivative of it, and its standard uncertainty.

        Args:
            x: where, within the points, shape (n,).
            derivative: 0 for the curve itself.

        Returns:
            Two arrays, shape (n,) each.
        """
        rows = _design((x - self.start) / self.step, self.knots, self.degree, derivative)
        rows /= self.step**derivative
        spread = np.einsum("ij,ji->i", rows, cho_solve((self.factor, False), rows.T))
        return rows @ self.coefficients, self.sigma * np.sqrt(np.maximum(spread, 0.0))


def fit_smoothing_spline(
    x: Array, y: Array, lam: float | None = None, order: int = ORDER, least_sigma: float = 0.0
) -> SmoothingSpline:
    """Fit a smoothing spline.

    Args:
        x: ascending, shape (n,), at least LEAST_POINTS of them.
        y: shape (n,).
        lam: the smoothing parameter, in units of x; found by generalised cross-validation
            where None. There is a knot at every point, or at MOST_SPANS + 1 of them.
        order: the derivative that is held down.
        least_sigma: what the points scatter at least, from the step they are written in.
    """
    step = float(x[-1] - x[0]) / (len(x) - 1)
    unit = (x - x[0]) / step
    degree = 2 * order - 1
    breaks = unit[np.linspace(0, len(unit) - 1, min(len(unit), MOST_SPANS + 1)).round().astype(int)]
    knots = np.concatenate((np.repeat(unit[0], degree), breaks, np.repeat(unit[-1], degree)))
    design = _design(unit, knots, degree, 0)
    gram, penalty, moments = design.T @ design, _penalty(breaks, knots, order), design.T @ y
    count = len(x)

    def solved(each: float) -> tuple[Array, Array, float, float]:
        factor, _ = cho_factor(gram + each * penalty)
        coefficients = cho_solve((factor, False), moments)
        freedom = count - float(np.trace(cho_solve((factor, False), gram)))
        return coefficients, factor, float(np.sum((y - design @ coefficients) ** 2)), freedom

    def cross_validation(each: float) -> float:
        _, _, squares, freedom = solved(each)
        left = count - DEARNESS * (count - freedom)
        return squares / left**2 if left > 0.0 else math.inf

    if lam is None:
        scaled = min((10.0**power for power in POWERS), key=cross_validation)
    else:
        scaled = lam / step ** (2 * order - 1)
    coefficients, factor, squares, freedom = solved(scaled)
    sigma = max(float(np.sqrt(squares / freedom)), least_sigma)
    return SmoothingSpline(knots, coefficients, factor, sigma, freedom, float(x[0]), step)


def _design(unit: Array, knots: Array, degree: int, derivative: int) -> Array:
    """Values of every B-spline, or of a derivative, shape (n, number of them)."""
    basis = BSpline(knots, np.eye(len(knots) - degree - 1), degree)
    return np.asarray(basis(unit, nu=derivative), dtype=np.float64)


def _penalty(breaks: Array, knots: Array, order: int) -> Array:
    """Integrals of products of the m-th derivatives, exact by Gauss and Legendre's rule."""
    nodes, weights = np.polynomial.legendre.leggauss(order)
    halves = np.diff(breaks) / 2.0
    places = (breaks[:-1] + halves)[:, None] + halves[:, None] * nodes
    rows = _design(places.ravel(), knots, 2 * order - 1, order)
    return np.asarray((rows * (halves[:, None] * weights).ravel()[:, None]).T @ rows)


CAM_PER_CRANK_DEG = 0.5  # four-stroke: the camshaft turns at half the crankshaft's speed
LEAST_OPEN_ROWS = 20  # ours: with fewer there is no acceleration to speak of
WHOLE_TURN_DEG = 360.0
STEPS = (0.1, 0.05, 0.02, 0.01, 0.005, 0.002, 0.001, 0.0005, 0.0002, 0.0001)  # as people write
STEP_SLACK = 1e-6  # of a step, what binary numbers leave

ANGLE = Quantity("cam_deg", {"cam_deg": 1.0, "crank_deg": CAM_PER_CRANK_DEG})
LIFTS = {
    "valve": Quantity("lift_mm", {"valve_lift_mm": 1.0, "valve_lift_in": INCH_MM}),
    "lobe": Quantity("lift_mm", {"lobe_lift_mm": 1.0, "lobe_lift_in": INCH_MM}),
}
UNSAID = {
    "deg": "degrees of the cam or of the crank: name the column cam_deg or crank_deg",
    "lift_mm": "of the valve or of the lobe: name the column valve_lift_mm or lobe_lift_mm",
    "lift_in": "of the valve or of the lobe: name the column valve_lift_in or lobe_lift_in",
}


@dataclass(frozen=True)
class LiftTable:
    """A lift by the cam's angle, where it is above 0.

    Attributes:
        name: the file's name.
        of: what the lift is of.
        cam_deg: ascending, shape (n,).
        lift_mm: above 0, shape (n,).
        resolution_mm: the step that the lifts are written in; 0 where they show none.
    """

    name: str
    of: Literal["valve", "lobe"]
    cam_deg: NDArray[np.float64]
    lift_mm: NDArray[np.float64]
    resolution_mm: float = 0.0


def read_lift_table(table: Table) -> LiftTable:
    """Read `cam_deg,valve_lift_mm`; crank_deg, lobe_lift_mm, valve_lift_in and so on as well.

    Args:
        table: the file; its rows ascend in angle over one opening of the valve or more of a turn.

    Raises:
        CoilbenchError: a wrong column or cell, angles that don't ascend, or no whole opening.
    """
    for name, why in UNSAID.items():
        if name in table.columns:
            raise CoilbenchError(
                f"the column {name!r} doesn't say what it is of",
                where=f"{table.name}, line {table.header_line}",
                hint=why[0].upper() + why[1:],
            )
    of: Literal["valve", "lobe"] = "valve"
    if any(name in table.columns for name in LIFTS["lobe"].factors):
        of = "lobe"
    found = read_columns(table, "lift", (ANGLE, LIFTS[of])).numbers
    cam_deg, lift_mm = found["cam_deg"], found["lift_mm"]
    refuse_rows(
        table, np.diff(cam_deg, prepend=-np.inf) <= 0.0, "the angle must be above the row before's"
    )
    if cam_deg[-1] - cam_deg[0] > WHOLE_TURN_DEG:
        raise CoilbenchError(
            f"the angles span {cam_deg[-1] - cam_deg[0]:g} degrees of the cam, more than a turn",
            where=table.name,
            hint="Keep one opening of the valve, and check whose degrees they are",
        )
    first, last = _opening(lift_mm)
    if last - first < LEAST_OPEN_ROWS or np.argmax(lift_mm) not in range(first + 1, last - 1):
        raise CoilbenchError(
            "there is no whole opening of the valve in it, up and down again, in "
            f"{LEAST_OPEN_ROWS} rows or more with lift above 0",
            where=table.name,
            hint="Give the lift for every degree or two, from valve shut to valve shut",
        )
    factor = next(each for name, each in LIFTS[of].factors.items() if name in table.columns)
    step_mm = factor * _written_step(lift_mm[first:last] / factor)
    return LiftTable(table.name, of, cam_deg[first:last], lift_mm[first:last], step_mm)


def _opening(lift_mm: NDArray[np.float64]) -> tuple[int, int]:
    """First row and one past the last of the stretch above 0 that holds the highest lift."""
    top = int(np.argmax(lift_mm))
    shut = np.flatnonzero(lift_mm <= 0.0)
    before, after = shut[shut < top], shut[shut > top]
    first = int(before[-1]) + 1 if before.size else 0
    return first, int(after[0]) if after.size else len(lift_mm)


def _written_step(values: NDArray[np.float64]) -> float:
    """The widest of STEPS that all values are whole multiples of; 0 where none is."""
    for step in STEPS:
        steps = values / step
        if np.all(np.abs(steps - np.round(steps)) < STEP_SLACK):
            return step
    return 0.0
