"""How a lift table moves the valve, and the spring force that keeps it on the cam. Pure.

The parts are taken as rigid and nothing but the springs pushes the valve shut: no gas, friction,
oil or spring of a tappet. Real parts bend and springs surge, so a valve leaves its cam earlier.

The acceleration is that of a smoothing spline. It minimises the sum of squared residuals plus
lambda times the integral of the m-th derivative squared; lambda is the one of generalised
cross-validation (Craven and Wahba, 1979), each degree of freedom counted 1.4 times. Uncertainty:
the spline is the mean of a posterior with covariance s^2 (B'B + lambda P)^-1 (Wahba, 1983), whose
intervals have about their stated coverage, averaged over the curve and with bias included
(Nychka, 1988). m = 3, a quintic spline: the cubic one penalises the second derivative, which is
wanted. References from memory; SciPy's cubic one is the check.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from typing import Literal, NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.engine.cam import cam_hz
from coilbench.analysis.engine.loads import parallel_load
from coilbench.analysis.engine.placed import PlacedSet

Array = NDArray[np.float64]
ACCEL_K = 1.6  # ours: a posterior holds a second derivative too widely for k = 2; see its tests
SHARP_SHARE = 1.5  # ours: of the finest that a table shows; the spline swings over such a turn
SWING_SHARE = 2.0  # ours: of it, over which the swing has died away
PLACES_PER_ROW = 2
MOST_PLACES = 600
N_PER_G_MM_PER_S2 = 1e-6
ORDER = 3  # derivative that is held down; the spline's degree is 2 m - 1
LEAST_POINTS = 12  # of a spline
POWERS = np.arange(-9.0, 9.1, 0.5).tolist()  # of ten, lambdas tried, for points one apart
DEARNESS = 1.4  # of a degree of freedom, against curves that follow the scatter: Kim and Gu, 2004
MOST_SPANS = 150  # between knots; a lift curve has no detail that is finer
FORCE_SAMPLES = 41  # lifts at which the springs are read; between them the force runs straight
SPRING_SHARE = 1.0 / 3.0  # Rayleigh: a spring fixed at one end moves as a third of its mass would


# Told apart by identity, as a key of the cache below.
class LiftTable(msgspec.Struct, frozen=True, eq=False):
    """A lift by the cam's angle, where it is above 0; arrays of shape (n,), angles ascending.

    Attributes:
        name: the file's name.
        resolution_mm: the step that the lifts are written in; 0 where they show none.
    """

    name: str
    of: Literal["valve", "lobe"]
    cam_deg: NDArray[np.float64]
    lift_mm: NDArray[np.float64]
    resolution_mm: float = 0.0


class _SpringForce(NamedTuple):
    """A force along the lift; shape (n,), NaN where a spring was not measured, u k = 2."""

    load_n: Array
    load_u_n: Array


class _ValveMotion(msgspec.Struct, frozen=True):
    """A valve's lift, lash off, and acceleration while it is open, arrays of shape (n,).

    Attributes:
        accel_mm_per_rad2: second derivative by the camshaft's angle.
        accel_u_mm_per_rad2: its expanded uncertainty, about 95 %, from the table's scatter.
        scatter_mm: standard deviation of the table's lifts about the spline, at least what the
            step they are written in makes (its width/sqrt(12): JCGM 100:2008, F.2.2.1).
        finest_deg: of the cam; what turns within less the table can't show.
    """

    cam_deg: Array
    lift_mm: Array
    accel_mm_per_rad2: Array
    accel_u_mm_per_rad2: Array
    scatter_mm: float
    finest_deg: float


class MovedMass(msgspec.Struct, frozen=True):
    """What the springs have to move, at the valve, with its expanded uncertainty, k = 2."""

    mass_g: float
    mass_u_g: float


class LimitingSpeed(msgspec.Struct, frozen=True):
    """Where the spring force runs out first.

    Attributes:
        crank_rpm, crank_rpm_u: speed of the crankshaft, and its expanded uncertainty, about 95 %.
        spring_n: the force there is.
        unread_mm: lowest and highest lift at which the springs are needed but weren't measured;
            None where all was. The speed may then be lower.
        sharp: whether the acceleration turns there within less than the table shows, which
            widens the uncertainty.
    """

    crank_rpm: float
    crank_rpm_u: float
    cam_deg: float
    lift_mm: float
    spring_n: float
    unread_mm: tuple[float, float] | None
    sharp: bool


class ForceMargin(msgspec.Struct, frozen=True):
    """The force needed and the force there is, where there is least to spare in proportion."""

    needed_n: float
    spring_n: float
    cam_deg: float
    lift_mm: float


class ValveFloat(msgspec.Struct, frozen=True):
    """The valve on its cam, by its lift table.

    Attributes:
        greatest_slowing_mm_per_rad2: by the camshaft's angle; 0 where the table shows none.
        scatter_mm: of the table about its spline.
        speed: where the spring force runs out; None where it can't be said.
        margin: at the highest speed; None where that isn't given or it can't be said.
    """

    mass: MovedMass
    highest_lift_mm: float
    greatest_slowing_mm_per_rad2: float
    scatter_mm: float
    speed: LimitingSpeed | None
    margin: ForceMargin | None


def valve_float(
    table: LiftTable,
    gear: tuple[float, float],
    mass: MovedMass,
    placed: Sequence[PlacedSet],
    crank_rpm: float | None,
) -> ValveFloat:
    """Compare the weakest springs of each set, which any valve may get, with what the cam needs.

    Args:
        gear: rocker ratio, taken as constant, and lash from the table's lift to the valve's: 1 and
            0 for a table of the valve.
        mass: what the springs have to move, a third of their own in it.
        placed: the sets at their heights.
        crank_rpm: the highest speed.
    """
    motion = _valve_motion(table, *gear)
    springs = _weakest_force(placed, motion.lift_mm)
    return ValveFloat(
        mass,
        float(motion.lift_mm.max()),
        float(max(-motion.accel_mm_per_rad2.min(), 0.0)),
        motion.scatter_mm,
        _limiting_speed(motion, springs, mass),
        None if crank_rpm is None else _force_margin(motion, springs, mass.mass_g, crank_rpm),
    )


def _weakest_force(placed: Sequence[PlacedSet], lift_mm: Array) -> _SpringForce:
    """Read the weakest springs along the lift, shape (n,), 0 or more."""
    at_mm = np.linspace(float(lift_mm.min()), float(lift_mm.max()), FORCE_SAMPLES)
    loads = [parallel_load(one.weakest(float(mm)) for one in placed) for mm in at_mm]
    load_n, load_u_n = (
        np.interp(lift_mm, at_mm, [math.nan if n is None else getattr(n, name) for n in loads])
        for name in _SpringForce._fields
    )
    return _SpringForce(load_n, load_u_n)


@lru_cache(maxsize=16)  # the spline takes longest, and many combinations share one table
def _valve_motion(table: LiftTable, rocker_ratio: float, lash_mm: float) -> _ValveMotion:
    written = table.resolution_mm / math.sqrt(12.0)
    spline = _fit_smoothing_spline(table.cam_deg, table.lift_mm, least_sigma=written)
    count = min(PLACES_PER_ROW * len(table.cam_deg), MOST_PLACES)
    cam_deg = np.linspace(table.cam_deg[0], table.cam_deg[-1], count)
    lift_mm = rocker_ratio * spline.at(cam_deg)[0] - lash_mm
    accel, accel_u = (
        rocker_ratio * each * (180.0 / math.pi) ** 2 for each in spline.at(cam_deg, 2)
    )
    opened = lift_mm > 0.0
    return _ValveMotion(
        cam_deg[opened],
        lift_mm[opened],
        accel[opened],
        ACCEL_K * accel_u[opened],
        rocker_ratio * spline.sigma,
        spline.finest,
    )


def _needed_force_n(motion: _ValveMotion, mass_g: float, crank_rpm: float) -> Array:
    """Force that keeps the valve on its cam, shape (n,): -m a w^2, 0 where the cam pushes."""
    cam_rad_per_s = 2.0 * math.pi * cam_hz(crank_rpm)
    force_n = -mass_g * motion.accel_mm_per_rad2 * cam_rad_per_s**2 * N_PER_G_MM_PER_S2
    return np.maximum(force_n, 0.0)


def _limiting_speed(
    motion: _ValveMotion, springs: _SpringForce, mass: MovedMass
) -> LimitingSpeed | None:
    """Find the crankshaft's speed at which the spring force runs out first.

    At each place where the valve is slowed, m |a| w^2 = F gives a speed, whose uncertainty adds
    those of force, mass and acceleration by root sum of squares. The place counts that has the
    least upper end: the least speed itself would favour whichever place the scatter lowers most.

    Beside a sharp turn from speeding up to slowing a spline swings over, which makes the speed too
    low. The speed is then taken halfway to the one without the swing, and half that way added to
    its uncertainty.

    Returns:
        None where the acceleration nowhere exceeds its uncertainty, or the springs weren't
        measured wherever it does.
    """
    slowed = _slowed(motion)
    known = slowed & (springs.load_n > 0.0)
    if not known.any():
        return None
    places = np.flatnonzero(known)
    slowing, load_n = -motion.accel_mm_per_rad2[places], springs.load_n[places]
    cam_rad_per_s = np.sqrt(load_n / (mass.mass_g * slowing * N_PER_G_MM_PER_S2))
    crank_rpm = cam_rad_per_s / (2.0 * math.pi * cam_hz(1.0))
    relative_u = np.sqrt(
        (springs.load_u_n[places] / load_n) ** 2
        + (mass.mass_u_g / mass.mass_g) ** 2
        + (motion.accel_u_mm_per_rad2[places] / slowing) ** 2
    )
    crank_rpm_u = crank_rpm * relative_u / 2.0
    first = int(np.argmin(crank_rpm + crank_rpm_u))
    place = int(places[first])
    calmed, unread = _without_swing(motion, place), slowed & ~np.isfinite(springs.load_n)
    half_way = 0.0 if calmed is None else (calmed - 1.0) * crank_rpm[first] / 2.0
    unread_mm = motion.lift_mm[unread]
    return LimitingSpeed(
        float(crank_rpm[first] + half_way),
        math.hypot(crank_rpm_u[first], half_way),
        float(motion.cam_deg[place]),
        float(motion.lift_mm[place]),
        float(springs.load_n[place]),
        (float(unread_mm.min()), float(unread_mm.max())) if unread_mm.size else None,
        calmed is not None,
    )


def _force_margin(
    motion: _ValveMotion, springs: _SpringForce, mass_g: float, crank_rpm: float
) -> ForceMargin | None:
    """Return where, at a speed, the spring force is least against what the cam needs.

    None as in _limiting_speed.
    """
    needed_n = _needed_force_n(motion, mass_g, crank_rpm)
    places = np.flatnonzero(_slowed(motion) & np.isfinite(springs.load_n))
    if not places.size:
        return None
    place = int(places[np.argmin(springs.load_n[places] / needed_n[places])])
    return ForceMargin(
        float(needed_n[place]),
        float(springs.load_n[place]),
        float(motion.cam_deg[place]),
        float(motion.lift_mm[place]),
    )


def _without_swing(motion: _ValveMotion, place: int) -> float | None:
    """Speed with the mean slowing inward of a sharp turn over that with the slowing at a place.

    At least 1; None where slowing neither begins nor ends sharply near the place.
    """
    away_deg = motion.cam_deg - motion.cam_deg[place]
    turns_deg = away_deg[motion.accel_mm_per_rad2 >= 0.0]
    turn_deg = min(turns_deg, key=abs, default=math.inf)
    if abs(turn_deg) > SHARP_SHARE * motion.finest_deg:
        return None
    inward_deg = away_deg * (1.0 if turn_deg < 0.0 else -1.0)
    inward = (inward_deg >= 0.0) & (inward_deg <= SWING_SHARE * motion.finest_deg)
    mean = float(np.mean(motion.accel_mm_per_rad2[inward]))
    here = float(motion.accel_mm_per_rad2[place])
    return math.sqrt(here / mean) if here < mean < 0.0 else 1.0


def _slowed(motion: _ValveMotion) -> NDArray[np.bool_]:
    """Where the valve is surely slowed, and so would leave its cam but for the springs."""
    return np.asarray(-motion.accel_mm_per_rad2 > motion.accel_u_mm_per_rad2)


class _SmoothingSpline(msgspec.Struct, frozen=True):
    """A fitted spline.

    Attributes:
        factor: Cholesky factor of B'B + lambda P, upper.
        sigma: standard deviation of the points about the curve; freedom: n - tr H.
        start, step: of the abscissa: first point, mean distance between points, the knots' unit.
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

    def at(self, x: Array, derivative: int = 0) -> tuple[Array, Array]:
        """The curve or a derivative at places within the points, shape (n,), and its standard u."""
        from scipy.linalg import cho_solve  # imported late: slow to load

        degree = len(self.knots) - len(self.coefficients) - 1
        rows = _design((x - self.start) / self.step, self.knots, degree, derivative)
        rows /= self.step**derivative
        spread = np.einsum("ij,ji->i", rows, cho_solve((self.factor, False), rows.T))
        return rows @ self.coefficients, self.sigma * np.sqrt(np.maximum(spread, 0.0))


def _fit_smoothing_spline(
    x: Array, y: Array, lam: float | None = None, order: int = ORDER, least_sigma: float = 0.0
) -> _SmoothingSpline:
    """Fit a smoothing spline through points (x ascending, shape (n,)).

    Args:
        lam: the smoothing parameter, in units of x; None finds it by generalised cross-validation.
        order: the derivative that is held down.
        least_sigma: what the points scatter at least, from the step they are written in.
    """
    from scipy.linalg import cho_factor, cho_solve  # imported late: slow to load

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
    return _SmoothingSpline(knots, coefficients, factor, sigma, freedom, float(x[0]), step)


def _design(unit: Array, knots: Array, degree: int, derivative: int) -> Array:
    """Values of every B-spline, or of a derivative, shape (n, number of them)."""
    from scipy.interpolate import BSpline  # imported late: slow to load

    basis = BSpline(knots, np.eye(len(knots) - degree - 1), degree)
    return np.asarray(basis(unit, nu=derivative), dtype=np.float64)


def _penalty(breaks: Array, knots: Array, order: int) -> Array:
    """Integrals of products of the m-th derivatives, exact by Gauss and Legendre's rule."""
    nodes, weights = np.polynomial.legendre.leggauss(order)
    halves = np.diff(breaks) / 2.0
    places = (breaks[:-1] + halves)[:, None] + halves[:, None] * nodes
    rows = _design(places.ravel(), knots, 2 * order - 1, order)
    return np.asarray((rows * (halves[:, None] * weights).ravel()[:, None]).T @ rows)
