"""A spring's wire and coils: strength and shear modulus, solid height, the gaps it needs. Pure.

Source of A, m, G and elastic limits: Budynas and Nisbett, Shigley's Mechanical Engineering
Design, tables 10-4 and 10-5 (whose elastic limits for A231 stand here for A232). The diameters
over which A and m hold are the same tables', recalled from memory. Published values of G differ
by 1 to 3 %; present-day wire may be stronger than the table's minimum.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

import msgspec

TABLES = "Shigley, tables 10-4 and 10-5"
STEEL_KG_PER_M3 = 7850.0  # carbon and low-alloy steel: EN 13906-1
DEAD_COILS = 2.0  # squared and ground ends: Shigley, table 10-1
DYNAMIC = 1.5  # EN 13906-1: on the smallest sum of gaps of a spring that works fast


class ShearModulus(NamedTuple):
    """A shear modulus for wires up to a diameter."""

    up_to_mm: float
    modulus_mpa: float


class Wire(msgspec.Struct, frozen=True):
    """A kind of spring wire.

    Attributes:
        name: as a build file has it.
        designation: the ASTM standard's number.
        strength_mpa: A of the least tensile strength A / d^m, d in mm; None where not tabulated.
        exponent: m of it.
        thinnest_mm, thickest_mm: between which A and m hold.
        shear_moduli: by diameter, ascending.
        elastic_shares: elastic limit in torsion over tensile strength, from and to.
    """

    name: str
    designation: str
    strength_mpa: float | None
    exponent: float
    thinnest_mm: float
    thickest_mm: float
    shear_moduli: tuple[ShearModulus, ...]
    elastic_shares: tuple[float, float]

    def tensile_mpa(self, wire_mm: float) -> float | None:
        """Least tensile strength, A / d^m; None where the table has none for the diameter."""
        if self.strength_mpa is None or not self.thinnest_mm <= wire_mm <= self.thickest_mm:
            return None
        return self.strength_mpa / math.pow(wire_mm, self.exponent)

    def shear_modulus_mpa(self, wire_mm: float) -> float:
        """Shear modulus G."""
        for up_to_mm, modulus_mpa in self.shear_moduli[:-1]:
            if wire_mm <= up_to_mm:
                return modulus_mpa
        return self.shear_moduli[-1].modulus_mpa


_ALLOY = (ShearModulus(math.inf, 77_200.0),)
_MUSIC = (
    ShearModulus(0.8, 82_700.0),
    ShearModulus(1.6, 81_700.0),
    ShearModulus(3.0, 81_000.0),
    ShearModulus(math.inf, 80_000.0),
)

WIRES = {
    wire.name: wire
    for wire in (
        Wire("music", "A228", 2211.0, 0.145, 0.10, 6.5, _MUSIC, (0.45, 0.60)),
        Wire("oil-tempered", "A229", 1855.0, 0.187, 0.5, 12.7, _ALLOY, (0.45, 0.50)),
        Wire("chrome-vanadium", "A232", 2005.0, 0.168, 0.8, 11.1, _ALLOY, (0.65, 0.75)),
        Wire("chrome-silicon", "A401", 1974.0, 0.108, 1.6, 9.5, _ALLOY, (0.65, 0.75)),
        Wire("valve-quality", "A230", None, 0.0, 0.0, math.inf, _ALLOY, (0.50, 0.60)),
    )
}


class Coil(msgspec.Struct, frozen=True):
    """Dimensions of a spring of round wire.

    Attributes:
        wire_mm: diameter of the wire.
        active_coils: coils that work.
        coil_diameter_mm: mean diameter of the coils; None where it isn't known.
    """

    wire_mm: float
    active_coils: float
    coil_diameter_mm: float | None = None

    @property
    def solid_height_mm(self) -> float:
        """Solid height with squared and ground ends, d (Na + 2): Shigley, table 10-1.

        That a valve spring's ends are squared and ground is common practice, no source.
        """
        return self.wire_mm * (self.active_coils + DEAD_COILS)

    @property
    def smallest_gap_mm(self) -> float | None:
        """Smallest sum of gaps between the coils, cold formed, dynamic load: EN 13906-1.

        1.5 n (0.0015 D^2/d + 0.1 d); None where the coil diameter isn't known.
        """
        if self.coil_diameter_mm is None:
            return None
        one_mm = 0.0015 * self.coil_diameter_mm**2 / self.wire_mm + 0.1 * self.wire_mm
        return DYNAMIC * self.active_coils * one_mm


class SpringSize(NamedTuple):
    """What is known of a set's free length, its highest solid height, and where coils close.

    Attributes:
        own_free_mm: by label, of springs whose own free length was measured by hand.
    """

    free_mm: float | None
    solid_mm: float | None
    closing_mm: float | None = None
    own_free_mm: Mapping[str, float] = MappingProxyType({})
