"""Shear stress in a helical spring of round wire, against its strength and in fatigue. Pure.

Formulae: Budynas and Nisbett, Shigley's Mechanical Engineering Design, chapter 10. The curvature
correction used is Bergsträsser's; it is the k of EN 13906-1. Wahl's is there to compare with.
"""

from __future__ import annotations

import math
from typing import NamedTuple

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


def spring_index(wire_mm: float, coil_diameter_mm: float) -> float:
    """C = D/d, mean coil diameter over wire diameter."""
    return coil_diameter_mm / wire_mm


def bergstraesser(index: float) -> float:
    """Bergsträsser's factor (4C + 2)/(4C - 3): Shigley, chapter 10; EN 13906-1's k."""
    return (4.0 * index + 2.0) / (4.0 * index - 3.0)


def wahl(index: float) -> float:
    """Wahl's factor (4C - 1)/(4C - 4) + 0.615/C: Shigley, chapter 10."""
    return (4.0 * index - 1.0) / (4.0 * index - 4.0) + 0.615 / index


def plain_stress_mpa(load_n: float, wire_mm: float, coil_diameter_mm: float) -> float:
    """Uncorrected shear stress 8 F D/(pi d^3)."""
    return 8.0 * load_n * coil_diameter_mm / (math.pi * wire_mm**3)


def shear_stress_mpa(load_n: float, wire_mm: float, coil_diameter_mm: float) -> float:
    """Greatest shear stress, at the inside of the coil: K_B 8 F D/(pi d^3): Shigley, chapter 10."""
    factor = bergstraesser(spring_index(wire_mm, coil_diameter_mm))
    return factor * plain_stress_mpa(load_n, wire_mm, coil_diameter_mm)


def rate_from_dimensions(
    wire_mm: float, coil_diameter_mm: float, active_coils: float, shear_modulus_mpa: float
) -> float:
    """Rate G d^4/(8 D^3 n), N/mm: Shigley, chapter 10; EN 13906-1."""
    return shear_modulus_mpa * wire_mm**4 / (8.0 * coil_diameter_mm**3 * active_coils)


def fatigue_factor(
    lowest_mpa: float, highest_mpa: float, tensile_mpa: float, strength: Zimmerli
) -> float:
    """Safety factor against fatigue: Goodman's line through Zimmerli's point, Shigley ex. 10-4.

    1/n = tau_a/Sse + tau_m/Ssu with Sse = Ssa/(1 - Ssm/Ssu) and Ssu = 0.67 Sut: both stresses
    grow together until the line is met. Below 1 the life is finite.

    Args:
        lowest_mpa, highest_mpa: corrected stresses, valve shut and at full lift.
        tensile_mpa: tensile strength Sut.
        strength: Zimmerli's.

    Raises:
        ValueError: a wire so weak that Zimmerli's point is above its torsional strength.
    """
    rupture_mpa = SHEAR_SHARE * tensile_mpa
    if rupture_mpa <= strength.midrange_mpa:
        raise ValueError("the tensile strength is too low for Zimmerli's data")
    endurance_mpa = strength.amplitude_mpa / (1.0 - strength.midrange_mpa / rupture_mpa)
    amplitude_mpa = (highest_mpa - lowest_mpa) / 2.0
    midrange_mpa = (highest_mpa + lowest_mpa) / 2.0
    return 1.0 / (amplitude_mpa / endurance_mpa + midrange_mpa / rupture_mpa)
