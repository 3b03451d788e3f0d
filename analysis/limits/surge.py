"""A spring's own frequency, and how far above the cam's it lies. Pure.

A camshaft turns once for two turns of the crank: four-stroke engines.
"""

from __future__ import annotations

import math

from coilbench.analysis.engine.coil import DEAD_COILS, STEEL_KG_PER_M3

CRANK_PER_CAM = 2.0  # turns, four-stroke
LEAST_RATIO = 10.0  # common practice, no source: keep well above it
TEXTBOOK_RATIO = 20.0  # Shigley, chapter 10: 15 to 20 times the forcing frequency
TEXTBOOK_LEAST = 15.0


def cam_hz(crank_rpm: float) -> float:
    """Turns of the camshaft a second, at a speed of the crankshaft."""
    return crank_rpm / CRANK_PER_CAM / 60.0


def coil_mass_g(wire_mm: float, coil_diameter_mm: float, coils: float) -> float:
    """Mass of coils of steel wire, pi^2 d^2 D N rho/4: Shigley, chapter 10."""
    volume_mm3 = math.pi**2 * wire_mm**2 * coil_diameter_mm * coils / 4.0
    return volume_mm3 * STEEL_KG_PER_M3 * 1e-6  # kg/m^3 is 1e-6 g/mm^3


def active_mass_g(spring_mass_g: float, active_coils: float) -> float:
    """What the active coils have of a weighed spring with squared and ground ends."""
    return spring_mass_g * active_coils / (active_coils + DEAD_COILS)


def surge_hz(rate_n_per_mm: float, active_g: float) -> float:
    """First own frequency between two plates, sqrt(k/m)/2: Shigley, chapter 10.

    Args:
        rate_n_per_mm: of the spring, taken as the same at every height.
        active_g: mass of its active coils.
    """
    return 0.5 * math.sqrt(rate_n_per_mm * 1e3 / (active_g * 1e-3))
