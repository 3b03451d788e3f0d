"""The units a person wants to see: kg, N or lbf, mm or in."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from coilbench.capture.units import KGF_N, LBF_N, LENGTH_IN_MM, LOAD_IN_N

LoadUnit = Literal["kg", "N", "lbf"]
LengthUnit = Literal["mm", "in"]
LOAD_PLACES: dict[LoadUnit, int] = {"kg": 2, "N": 1, "lbf": 1}
LENGTH_PLACES: dict[LengthUnit, int] = {"mm": 2, "in": 3}


@dataclass(frozen=True)
class Units:
    """The units a person wants to see."""

    load: LoadUnit = "kg"
    length: LengthUnit = "mm"

    def load_value(self, load_n: float) -> float:
        """Return a load in the display unit."""
        return load_n / LOAD_IN_N[self.load.lower()]

    def length_value(self, length_mm: float) -> float:
        """Return a length in the display unit."""
        return length_mm / LENGTH_IN_MM[self.length]

    def rate_value(self, rate_n_per_mm: float) -> float:
        """Return a rate in load unit per length unit."""
        return self.load_value(rate_n_per_mm) * LENGTH_IN_MM[self.length]

    def load_number(self, load_n: float | None) -> str:
        """Write a load without its unit; "-" where it is unknown."""
        if load_n is None:
            return "-"
        return f"{self.load_value(load_n):.{LOAD_PLACES[self.load]}f}"

    def length_number(self, length_mm: float | None) -> str:
        """Write a length without its unit; "-" where it is unknown."""
        if length_mm is None:
            return "-"
        return f"{self.length_value(length_mm):.{LENGTH_PLACES[self.length]}f}"

    def rate_number(self, rate_n_per_mm: float | None) -> str:
        """Write a rate without its unit; "-" where it is unknown."""
        if rate_n_per_mm is None:
            return "-"
        places = 1 if self.length == "in" else 3
        return f"{self.rate_value(rate_n_per_mm):.{places}f}"

    def load_text(self, load_n: float | None) -> str:
        """Write a load with its unit; "-" where it is unknown."""
        return "-" if load_n is None else f"{self.load_number(load_n)} {self.load}"

    def length_text(self, length_mm: float | None) -> str:
        """Write a length with its unit; "-" where it is unknown."""
        return "-" if length_mm is None else f"{self.length_number(length_mm)} {self.length}"

    def mass_text(self, mass_kg: float) -> str:
        """Write a mass with its unit: lb beside lbf, else kg."""
        if self.load == "lbf":
            return f"{mass_kg * KGF_N / LBF_N:.4g} lb"
        return f"{mass_kg:g} kg"

    def rate_text(self, rate_n_per_mm: float | None) -> str:
        """Write a rate with its unit; "-" where it is unknown."""
        if rate_n_per_mm is None:
            return "-"
        return f"{self.rate_number(rate_n_per_mm)} {self.load}/{self.length}"

    def load_and_u(self, load_n: float, u_n: float) -> tuple[str, str]:
        """Write a load, and its expanded uncertainty to two digits of it or fewer, unit-less."""
        u, places = self.load_value(u_n), 1
        if u > 0.0:
            places = min(LOAD_PLACES[self.load], max(0, 1 - math.floor(math.log10(u))))
        return f"{self.load_value(load_n):.{places}f}", f"±{u:.{places}f}"


SI = Units("N", "mm")  # what JSON documents are written in
