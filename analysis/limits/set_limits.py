"""The limits of each spring of one set: its wire's stress, its fatigue factor, its surge. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from coilbench.analysis.curves.curve import HeightNotMeasured, Rate, SpringCurve
from coilbench.analysis.engine.build_file import WireGiven
from coilbench.analysis.engine.coil import DEAD_COILS, Coil
from coilbench.analysis.engine.placed_sets import PlacedSet
from coilbench.analysis.limits import stress, surge


@dataclass(frozen=True)
class SpringLimits:
    """One spring; None where it can't be known.

    Attributes:
        rate_n_per_mm: between valve shut and full lift.
        surge_hz, surge_u_hz: its own frequency; expanded uncertainty, k = 2, of the rate alone.
        surge_ratio: to the turns of the camshaft.
        shut_mpa, open_mpa, solid_mpa: shear stress, Bergsträsser's factor in it.
        solid_plain_mpa: without the factor, as EN 13906-1 has it for a still load.
        fatigue_factor: Goodman's with Zimmerli's data; below 1 the life is finite.
    """

    label: str
    rate_n_per_mm: float | None
    surge_hz: float | None
    surge_u_hz: float | None
    surge_ratio: float | None
    shut_mpa: float | None
    open_mpa: float | None
    solid_mpa: float | None
    solid_plain_mpa: float | None
    fatigue_factor: float | None


@dataclass(frozen=True)
class SetLimits:
    """One set; None where it isn't given or can't be known.

    Attributes:
        given: what is known of its wire.
        coil: its dimensions.
        tensile_mpa: tensile strength, given or of the table.
        spring_mass_g: one spring, weighed or from its dimensions.
        weighed: whether it was weighed.
        geometric_rate_n_per_mm: what dimensions and shear modulus say of the rate.
    """

    set_name: str
    given: WireGiven
    coil: Coil | None
    tensile_mpa: float | None
    spring_mass_g: float | None
    weighed: bool
    geometric_rate_n_per_mm: float | None
    springs: tuple[SpringLimits, ...]

    def highest(self, name: str) -> SpringLimits | None:
        """The spring with the highest value of an attribute; None where no value is known."""
        known = [each for each in self.springs if getattr(each, name) is not None]
        return max(known, key=lambda each: float(getattr(each, name)), default=None)

    def lowest(self, name: str) -> SpringLimits | None:
        """The spring with the lowest value of an attribute; None where no value is known."""
        known = [each for each in self.springs if getattr(each, name) is not None]
        return min(known, key=lambda each: float(getattr(each, name)), default=None)


def set_limits(placed: PlacedSet, given: WireGiven, crank_rpm: float | None) -> SetLimits:
    """Work out a set's limits from what is known of it.

    Args:
        placed: the set at its heights.
        given: its wire.
        crank_rpm: highest speed; None where it isn't given.
    """
    coil = placed.springs.coil
    tensile_mpa: float | None = given.tensile_mpa
    geometric = None
    if coil is not None and given.wire is not None:
        if tensile_mpa is None:
            tensile_mpa = given.wire.tensile_mpa(coil.wire_mm)
        if coil.coil_diameter_mm is not None:
            geometric = stress.rate_from_dimensions(
                coil.wire_mm,
                coil.coil_diameter_mm,
                coil.active_coils,
                given.wire.shear_modulus_mpa(coil.wire_mm),
            )
    mass_g, active_g = _masses_g(coil, given.spring_mass_g)
    springs = tuple(
        _spring_limits(placed, curve, given, tensile_mpa, active_g, crank_rpm)
        for curve in placed.springs.curves
    )
    return SetLimits(
        placed.springs.name,
        given,
        coil,
        tensile_mpa,
        mass_g,
        given.spring_mass_g is not None,
        geometric,
        springs,
    )


def _masses_g(coil: Coil | None, weighed_g: float | None) -> tuple[float | None, float | None]:
    """Mass of a whole spring, and of its active coils."""
    if coil is None:
        return weighed_g, None
    if weighed_g is not None:
        return weighed_g, surge.active_mass_g(weighed_g, coil.active_coils)
    if coil.coil_diameter_mm is None:
        return None, None
    whole_g, active_g = (
        surge.coil_mass_g(coil.wire_mm, coil.coil_diameter_mm, coils)
        for coils in (coil.active_coils + DEAD_COILS, coil.active_coils)
    )
    return whole_g, active_g


def _spring_limits(
    placed: PlacedSet,
    curve: SpringCurve,
    given: WireGiven,
    tensile_mpa: float | None,
    active_g: float | None,
    crank_rpm: float | None,
) -> SpringLimits:
    loads_n = [_load_n(curve, height) for height in (placed.seat_height_mm, placed.open_height_mm)]
    rate = _rate(placed, curve)
    own_hz = own_u_hz = ratio = None
    if rate is not None and active_g is not None and rate.rate_n_per_mm > 0.0:
        own_hz = surge.surge_hz(rate.rate_n_per_mm, active_g)
        own_u_hz = own_hz * rate.rate_u_n_per_mm / rate.rate_n_per_mm / 2.0
        ratio = None if crank_rpm is None else own_hz / surge.cam_hz(crank_rpm)
    shut_mpa, open_mpa, solid_mpa, solid_plain_mpa = _stresses_mpa(placed, curve, loads_n, rate)
    factor = None
    if shut_mpa is not None and open_mpa is not None and tensile_mpa is not None:
        factor = _fatigue(placed.springs.coil, given, (shut_mpa, open_mpa), tensile_mpa)
    return SpringLimits(
        curve.label,
        None if rate is None else rate.rate_n_per_mm,
        own_hz,
        own_u_hz,
        ratio,
        shut_mpa,
        open_mpa,
        solid_mpa,
        solid_plain_mpa,
        factor,
    )


def _stresses_mpa(
    placed: PlacedSet, curve: SpringCurve, loads_n: list[float | None], rate: Rate | None
) -> tuple[float | None, ...]:
    """Stress shut, at full lift and solid, corrected; and solid without the correction.

    The load at solid is that at full lift, carried on at the rate: a spring that stiffens towards
    solid pushes more.
    """
    coil = placed.springs.coil
    if coil is None or coil.coil_diameter_mm is None:
        return None, None, None, None
    solid_n = None
    solid_mm = placed.springs.solid_of_mm(curve)
    if loads_n[1] is not None and rate is not None and solid_mm is not None:
        solid_n = loads_n[1] + rate.rate_n_per_mm * (placed.open_height_mm - solid_mm)
    wire_mm, coil_mm = coil.wire_mm, coil.coil_diameter_mm
    corrected = tuple(
        None if load_n is None else stress.shear_stress_mpa(load_n, wire_mm, coil_mm)
        for load_n in (*loads_n, solid_n)
    )
    plain = None if solid_n is None else stress.plain_stress_mpa(solid_n, wire_mm, coil_mm)
    return *corrected, plain


def _fatigue(
    coil: Coil | None, given: WireGiven, stresses_mpa: tuple[float, float], tensile_mpa: float
) -> float | None:
    """Fatigue factor; None where Zimmerli's data don't reach: thick or weak wire."""
    strength = stress.PEENED if given.shot_peened else stress.UNPEENED
    if coil is None or coil.wire_mm > stress.ZIMMERLI_THICKEST_MM:
        return None
    if stress.SHEAR_SHARE * tensile_mpa <= strength.midrange_mpa:
        return None
    return stress.fatigue_factor(*stresses_mpa, tensile_mpa, strength)


def _load_n(curve: SpringCurve, height_mm: float) -> float | None:
    try:
        return curve.load_at(height_mm).load_n
    except HeightNotMeasured:
        return None


def _rate(placed: PlacedSet, curve: SpringCurve) -> Rate | None:
    """The rate between valve shut and full lift, else the curve's own, else None."""
    try:
        return curve.rate_between(placed.seat_height_mm, placed.open_height_mm)
    except HeightNotMeasured:
        return curve.rate
