"""The rate a handbook makes of a spring's dimensions, beside the measured one. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

from coilbench.analysis.limits.stress import rate_from_dimensions
from coilbench.capture.units import Units

# Shear moduli between which spring steels are published: oil-tempered and alloy wire in Shigley,
# table 10-5, and patented drawn wire in EN 13906-1. A set's steel is seldom known.
LEAST_MODULUS_MPA, MOST_MODULUS_MPA = 77_200.0, 81_500.0
# How well a caliper reads a coiled wire, a mean coil diameter, and how well coils are counted,
# k = 1; common practice, no source.
WIRE_U_MM, COIL_U_MM, COILS_U = 0.02, 0.1, 0.1
OUTSIDE_SHARE = 0.35  # of a wire's diameter: so near to it a difference is the wire itself; ours


@dataclass(frozen=True)
class Handbook:
    """A rate from dimensions, k = G d^4/(8 D^3 n) (Shigley, chapter 10; EN 13906-1).

    Attributes:
        wire_mm, coil_diameter_mm, active_coils: as given.
        rate_n_per_mm, rate_u_n_per_mm: with the middle of the published moduli, and how far the
            truth may be from it (k = 2): the modulus, and how dimensions are read.
        measured_n_per_mm, measured_u_n_per_mm: the spring's.
    """

    wire_mm: float
    coil_diameter_mm: float
    active_coils: float
    rate_n_per_mm: float
    rate_u_n_per_mm: float
    measured_n_per_mm: float
    measured_u_n_per_mm: float

    @property
    def agrees(self) -> bool:
        """Whether both rates are the same within their uncertainties."""
        off = abs(self.measured_n_per_mm - self.rate_n_per_mm)
        return off <= math.hypot(self.rate_u_n_per_mm, self.measured_u_n_per_mm)


def handbook_rate(
    wire_mm: float,
    coil_diameter_mm: float,
    active_coils: float,
    measured_n_per_mm: float,
    measured_u_n_per_mm: float,
) -> Handbook:
    """Hold a measured rate against the handbook's.

    Args:
        wire_mm: diameter of the wire.
        coil_diameter_mm: mean diameter of the coils, outside less wire.
        active_coils: coils that work.
        measured_n_per_mm, measured_u_n_per_mm: expanded, 95 %.
    """
    modulus = 0.5 * (LEAST_MODULUS_MPA + MOST_MODULUS_MPA)
    rate = rate_from_dimensions(wire_mm, coil_diameter_mm, active_coils, modulus)
    shares = (
        (MOST_MODULUS_MPA - LEAST_MODULUS_MPA) / modulus / math.sqrt(12.0),
        4.0 * WIRE_U_MM / wire_mm,
        3.0 * COIL_U_MM / coil_diameter_mm,
        COILS_U / active_coils,
    )
    u = 2.0 * rate * math.hypot(*shares)
    return Handbook(
        wire_mm,
        coil_diameter_mm,
        active_coils,
        rate,
        u,
        measured_n_per_mm,
        measured_u_n_per_mm,
    )


def handbook_words(found: Handbook, units: Units) -> str:
    """Say whether both rates agree, and if not which dimension would make them."""
    rate, u = (units.rate_text(each) for each in (found.rate_n_per_mm, found.rate_u_n_per_mm))
    ratio = found.measured_n_per_mm / found.rate_n_per_mm
    said = f"its dimensions make {rate} ± {u} (G d^4/(8 D^3 n), steel)"
    if found.agrees:
        return f"{said}: the measured rate, {ratio - 1.0:+.1%} from it, is plausible"
    coils = found.active_coils / ratio
    wire = units.length_text(found.wire_mm * ratio**0.25)
    coil_mm = found.coil_diameter_mm * ratio ** (-1.0 / 3.0)
    hint = f"{coils:.2f} active coils, {wire} wire or {units.length_text(coil_mm)} mean coil"
    words = (
        f"{said}, but {ratio - 1.0:+.1%} from it was measured. It would take {hint}: measure "
        "these again, then doubt the rig's load or travel"
    )
    if abs(found.coil_diameter_mm - coil_mm - found.wire_mm) < OUTSIDE_SHARE * found.wire_mm:
        words += ". The outside diameter given for the mean one would do it: give outside less wire"
    return words
