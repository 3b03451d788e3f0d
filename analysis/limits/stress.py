"""What the springs of a set bear at their heights: stress, fatigue, surge and rate. Pure.

Formulae for helical springs of round wire: Budynas and Nisbett, Shigley's Mechanical Engineering
Design, chapter 10.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import suppress
from typing import NamedTuple

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.not_measured import HeightNotMeasured
from coilbench.analysis.curves.readings import Rate
from coilbench.analysis.engine.build_file import WireGiven
from coilbench.analysis.engine.cam import cam_hz
from coilbench.analysis.engine.coil import DEAD_COILS, STEEL_KG_PER_M3, Coil
from coilbench.analysis.engine.placed import PlacedSet
from coilbench.analysis.limits.spring_limits import HandbookRate, SetLimits, SpringLimits

SHEAR_SHARE = 0.67  # torsional modulus of rupture over tensile strength: Shigley, chapter 10
STATIC_SHARE = 0.56  # EN 13906-1, uncorrected stress at solid over tensile strength, cold coiled
KPSI_MPA = 6.894757293168  # lbf/in^2 by the definitions of the pound, standard gravity and inch


class Zimmerli(NamedTuple):
    """Zimmerli's endurance strengths in torsion: amplitude and midrange, life without end.

    Of spring steels whatever their size, material and strength, for wire under 10 mm (3/8 in):
    Shigley, chapter 10.
    """

    amplitude_mpa: float
    midrange_mpa: float


UNPEENED = Zimmerli(35.0 * KPSI_MPA, 55.0 * KPSI_MPA)
PEENED = Zimmerli(57.5 * KPSI_MPA, 77.5 * KPSI_MPA)
ZIMMERLI_THICKEST_MM = 9.525  # 3/8 in


def bergstraesser(index: float) -> float:
    """Bergsträsser's factor (4C + 2)/(4C - 3): Shigley, chapter 10; EN 13906-1's k."""
    return (4.0 * index + 2.0) / (4.0 * index - 3.0)


def plain_stress_mpa(load_n: float, wire_mm: float, coil_diameter_mm: float) -> float:
    """Uncorrected shear stress 8 F D/(pi d^3)."""
    return 8.0 * load_n * coil_diameter_mm / (math.pi * wire_mm**3)


def shear_stress_mpa(load_n: float, wire_mm: float, coil_diameter_mm: float) -> float:
    """Greatest shear stress, at the inside of the coil: K_B 8 F D/(pi d^3): Shigley, chapter 10."""
    factor = bergstraesser(coil_diameter_mm / wire_mm)
    return factor * plain_stress_mpa(load_n, wire_mm, coil_diameter_mm)


def rate_from_dimensions(
    wire_mm: float, coil_diameter_mm: float, active_coils: float, shear_modulus_mpa: float
) -> float:
    """Rate G d^4/(8 D^3 n), N/mm: Shigley, chapter 10; EN 13906-1."""
    return shear_modulus_mpa * wire_mm**4 / (8.0 * coil_diameter_mm**3 * active_coils)


def fatigue_factor(
    lowest_mpa: float, highest_mpa: float, tensile_mpa: float, wire_mm: float, *, peened: bool
) -> float | None:
    """Safety factor against fatigue: Goodman's line through Zimmerli's point, Shigley ex. 10-4.

    1/n = tau_a/Sse + tau_m/Ssu with Sse = Ssa/(1 - Ssm/Ssu) and Ssu = 0.67 Sut: both stresses
    (corrected, valve shut and at full lift) grow together until the line is met. Below 1 the life
    is finite. None where Zimmerli's data don't reach: thick or weak wire.
    """
    strength, rupture_mpa = PEENED if peened else UNPEENED, SHEAR_SHARE * tensile_mpa
    if wire_mm > ZIMMERLI_THICKEST_MM or rupture_mpa <= strength.midrange_mpa:
        return None
    endurance_mpa = strength.amplitude_mpa / (1.0 - strength.midrange_mpa / rupture_mpa)
    amplitude_mpa = (highest_mpa - lowest_mpa) / 2.0
    midrange_mpa = (highest_mpa + lowest_mpa) / 2.0
    return 1.0 / (amplitude_mpa / endurance_mpa + midrange_mpa / rupture_mpa)


USUAL_RATIOS = 6.0, 11.0  # ordinary valve springs at the highest speed: common practice, no source


def coil_mass_g(wire_mm: float, coil_diameter_mm: float, coils: float) -> float:
    """Mass of coils of steel wire, pi^2 d^2 D N rho/4: Shigley, chapter 10."""
    volume_mm3 = math.pi**2 * wire_mm**2 * coil_diameter_mm * coils / 4.0
    return volume_mm3 * STEEL_KG_PER_M3 * 1e-6  # kg/m^3 is 1e-6 g/mm^3


def masses_g(coil: Coil | None, weighed_g: float | None) -> tuple[float | None, float | None]:
    """Mass of a whole spring with squared and ground ends, and of its active coils."""
    if coil is None:
        return weighed_g, None
    whole_g, coils = weighed_g, coil.active_coils + DEAD_COILS
    if whole_g is None and coil.coil_diameter_mm is not None:
        whole_g = coil_mass_g(coil.wire_mm, coil.coil_diameter_mm, coils)
    return whole_g, None if whole_g is None else whole_g * coil.active_coils / coils


def surge_hz(rate_n_per_mm: float, active_g: float) -> float:
    """First own frequency of its active coils between two plates, sqrt(k/m)/2: Shigley, ch. 10.

    The rate is taken as the same at every height.
    """
    return 0.5 * math.sqrt(rate_n_per_mm * 1e3 / (active_g * 1e-3))


# Shear moduli between which spring steels are published: oil-tempered and alloy wire in Shigley,
# table 10-5, and patented drawn wire in EN 13906-1. A set's steel is seldom known.
LEAST_MODULUS_MPA, MOST_MODULUS_MPA = 77_200.0, 81_500.0
STEEL_MODULUS_MPA = 0.5 * (LEAST_MODULUS_MPA + MOST_MODULUS_MPA)
# How well a caliper reads a coiled wire, a mean coil diameter, and how well coils are counted,
# k = 1; common practice, no source.
WIRE_U_MM, COIL_U_MM, COILS_U = 0.02, 0.1, 0.1
OUTSIDE_SHARE = 0.35  # ours, of the wire: so near to the outside diameter it was given for the mean


def handbook_rate(
    wire_mm: float,
    coil_diameter_mm: float,
    active_coils: float,
    measured_n_per_mm: float,
    measured_u_n_per_mm: float,
    shear_modulus_mpa: float | None = None,
) -> HandbookRate:
    """Compare a measured rate, above 0 (u: 95 %), with the one computed from the dimensions.

    The coil diameter is the mean one, outside less wire. A shear modulus that is given is taken as
    known; without one the middle of the published ones is taken, and how far they lie apart.
    """
    modulus, half_mpa = STEEL_MODULUS_MPA, MOST_MODULUS_MPA - STEEL_MODULUS_MPA
    if shear_modulus_mpa is not None:
        modulus, half_mpa = shear_modulus_mpa, 0.0
    rate = rate_from_dimensions(wire_mm, coil_diameter_mm, active_coils, modulus)
    shares = (
        half_mpa / modulus / math.sqrt(3.0),
        4.0 * WIRE_U_MM / wire_mm,
        3.0 * COIL_U_MM / coil_diameter_mm,
        COILS_U / active_coils,
    )
    u = 2.0 * rate * math.hypot(*shares)
    ratio = measured_n_per_mm / rate
    coil_mm = coil_diameter_mm * ratio ** (-1.0 / 3.0)
    return HandbookRate(
        modulus,
        rate,
        u,
        measured_n_per_mm,
        measured_u_n_per_mm,
        abs(measured_n_per_mm - rate) <= math.hypot(u, measured_u_n_per_mm),
        active_coils / ratio,
        wire_mm * ratio**0.25,
        coil_mm,
        abs(coil_diameter_mm - coil_mm - wire_mm) < OUTSIDE_SHARE * wire_mm,
    )


def set_limits(placed: PlacedSet, given: WireGiven, crank_rpm: float | None) -> SetLimits:
    """Work out what one set's wire bears at its heights, from what is given."""
    coil = placed.springs.coil
    tensile_mpa: float | None = given.tensile_mpa
    modulus_mpa: float | None = given.shear_modulus_mpa
    geometric = None
    if coil is not None and given.wire is not None:
        if tensile_mpa is None:
            tensile_mpa = given.wire.tensile_mpa(coil.wire_mm)
        if modulus_mpa is None:
            modulus_mpa = given.wire.shear_modulus_mpa(coil.wire_mm)
    if coil is not None and coil.coil_diameter_mm is not None and modulus_mpa is not None:
        size = coil.wire_mm, coil.coil_diameter_mm, coil.active_coils
        geometric = rate_from_dimensions(*size, modulus_mpa)
    rates = [_rate(placed, curve) for curve in placed.springs.curves]
    mass_g, active_g = masses_g(coil, given.spring_mass_g)
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
        _rate_check(coil, rates, given.shear_modulus_mpa),
        springs,
    )


def _rate_check(
    coil: Coil | None, rates: Sequence[Rate | None], modulus_mpa: float | None
) -> HandbookRate | None:
    """Compare the mean rate, with the largest of the uncertainties, with the handbook's rate."""
    known = [rate for rate in rates if rate is not None]
    if coil is None or coil.coil_diameter_mm is None or not known:
        return None
    mean = math.fsum(rate.rate_n_per_mm for rate in known) / len(known)
    if mean <= 0.0:
        return None
    u = max(rate.rate_u_n_per_mm for rate in known)
    size = coil.wire_mm, coil.coil_diameter_mm, coil.active_coils
    return handbook_rate(*size, mean, u, modulus_mpa)


def _spring_limits(
    placed: PlacedSet,
    curve: SpringCurve,
    given: WireGiven,
    tensile_mpa: float | None,
    active_g: float | None,
    crank_rpm: float | None,
) -> SpringLimits:
    rate, coil = _rate(placed, curve), placed.springs.coil
    own_hz = own_u_hz = ratio = None
    if rate is not None and active_g is not None and rate.rate_n_per_mm > 0.0:
        own_hz = surge_hz(rate.rate_n_per_mm, active_g)
        own_u_hz = own_hz * rate.rate_u_n_per_mm / rate.rate_n_per_mm / 2.0
        ratio = None if crank_rpm is None else own_hz / cam_hz(crank_rpm)
    factor, (shut_mpa, open_mpa, solid_mpa, solid_plain_mpa) = (
        None,
        _stresses_mpa(placed, curve, rate),
    )
    if coil and shut_mpa is not None and open_mpa is not None and tensile_mpa is not None:
        peened = given.shot_peened is True
        factor = fatigue_factor(shut_mpa, open_mpa, tensile_mpa, coil.wire_mm, peened=peened)
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


def _stresses_mpa(placed: PlacedSet, curve: SpringCurve, rate: Rate | None) -> list[float | None]:
    """Stress shut, at full lift and solid, corrected; and solid without the correction.

    The load at solid is that at full lift, carried on at the rate: a spring that stiffens towards
    solid pushes more.
    """
    coil, solid = placed.springs.coil, placed.springs.solid_of(curve.label)
    if coil is None or coil.coil_diameter_mm is None:
        return [None] * 4
    shut_n, open_n = (_load_n(curve, mm) for mm in (placed.seat_height_mm, placed.open_height_mm))
    solid_n = None
    if open_n is not None and rate is not None and solid is not None:
        solid_n = open_n + rate.rate_n_per_mm * (placed.open_height_mm - solid.height_mm)
    stresses = (shear_stress_mpa, shear_stress_mpa, shear_stress_mpa, plain_stress_mpa)
    return [
        None if load_n is None else stress(load_n, coil.wire_mm, coil.coil_diameter_mm)
        for stress, load_n in zip(stresses, (shut_n, open_n, solid_n, solid_n), strict=True)
    ]


def _load_n(curve: SpringCurve, height_mm: float) -> float | None:
    with suppress(HeightNotMeasured):
        return curve.load_at(height_mm).load_n
    return None


def _rate(placed: PlacedSet, curve: SpringCurve) -> Rate | None:
    """The rate between valve shut and full lift, else the curve's own, else None."""
    try:
        return curve.rate_between(placed.seat_height_mm, placed.open_height_mm)
    except HeightNotMeasured:
        return curve.rate
