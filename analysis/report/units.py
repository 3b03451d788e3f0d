"""The units a person wants to see: kg, N or lbf, mm or in."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Literal, NamedTuple

from coilbench.capture.unit_factors import KGF_N, LBF_N
from coilbench.capture.units import LENGTH_IN_MM, LOAD_IN_N, STRESS_IN_MPA

LoadUnit = Literal["kg", "N", "lbf"]
LengthUnit = Literal["mm", "in"]
LOAD_PLACES: dict[LoadUnit, int] = {"kg": 2, "N": 1, "lbf": 1}
LENGTH_PLACES: dict[LengthUnit, int] = {"mm": 2, "in": 3}
LEAST = 1e-9  # kg, mm, N, lbf or in: no instrument of a bench shows less
RATE_PLACES: dict[LengthUnit, int] = {"mm": 3, "in": 1}


def fixed(value: float, places: int, sign: str = "-") -> str:
    """Write a number to so many decimals; what rounds to zero has no minus."""
    return f"{round(value, places) + 0.0:{sign}.{places}f}"


def significant(value: float, digits: int) -> str:
    """Write a number to so many digits; what is only the computer's rounding is 0."""
    return f"{value if abs(value) >= LEAST else 0.0:.{digits}g}"


def _number(value: float | None, shown: Callable[[float], float], places: int) -> str:
    return "-" if value is None or math.isnan(value) else fixed(shown(value), places)


class Units(NamedTuple):
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
        return _number(load_n, self.load_value, LOAD_PLACES[self.load])

    def length_number(self, length_mm: float | None) -> str:
        """Write a length without its unit; "-" where it is unknown."""
        return _number(length_mm, self.length_value, LENGTH_PLACES[self.length])

    def rate_number(self, rate_n_per_mm: float | None) -> str:
        """Write a rate without its unit; "-" where it is unknown."""
        return _number(rate_n_per_mm, self.rate_value, RATE_PLACES[self.length])

    def load_text(self, load_n: float | None) -> str:
        """Write a load with its unit; "-" where it is unknown."""
        return "-" if load_n is None else f"{self.load_number(load_n)} {self.load}"

    def length_text(self, length_mm: float | None) -> str:
        """Write a length with its unit; "-" where it is unknown."""
        return "-" if length_mm is None else f"{self.length_number(length_mm)} {self.length}"

    def mass_text(self, mass_kg: float) -> str:
        """Write a known mass as it was given: lb beside lbf, else kg."""
        return f"{self.mass_value(mass_kg):{'.4g' if self.load == 'lbf' else 'g'}} {self.mass}"

    def mass_value(self, mass_kg: float) -> float:
        """Return a mass in the display unit."""
        return mass_kg * KGF_N / LBF_N if self.load == "lbf" else mass_kg

    @property
    def mass(self) -> str:
        """The unit of a mass."""
        return "lb" if self.load == "lbf" else "kg"

    def rate_text(self, rate_n_per_mm: float | None) -> str:
        """Write a rate with its unit; "-" where it is unknown."""
        if rate_n_per_mm is None:
            return "-"
        return f"{self.rate_number(rate_n_per_mm)} {self.load}/{self.length}"

    def stress_text(self, stress_mpa: float | None) -> str:
        """Write a stress with its unit: ksi, 1000 lbf/in2, beside lbf or in; else MPa."""
        if self.load == "lbf" or self.length == "in":
            return f"{_number(stress_mpa, lambda mpa: mpa / STRESS_IN_MPA['ksi'], 1)} ksi"
        return f"{_number(stress_mpa, float, 0)} MPa"

    def quantity(self, name: str, value: Any) -> str | None:
        """Write a quantity with the unit its name ends in; None where the name ends in none."""
        end = next((end for end in _WRITERS if name.endswith(end)), None)
        return None if end is None else _WRITERS[end](self, value)

    def small_load_text(self, load_n: float) -> str:
        """Write a load as small as a cup's weight, to a thousandth, with its unit."""
        return f"{self.load_value(load_n):.3f} {self.load}"

    def load_and_u(self, load_n: float, u_n: float) -> tuple[str, str]:
        """Write a load, and its expanded uncertainty to two digits of it or fewer, unit-less."""
        u, places = self.load_value(u_n), 1
        if u > 0.0:
            places = min(2, max(0, 1 - math.floor(math.log10(u))))
        return f"{self.load_value(load_n):.{places}f}", f"±{u:.{places}f}"


_WRITERS: dict[str, Callable[[Units, Any], str]] = {
    "_n_per_mm": Units.rate_text,
    "_n": Units.load_text,
    "_mm": Units.length_text,
    "_kg": Units.mass_text,
    "_mpa": Units.stress_text,
}
SI = Units("N", "mm")  # what JSON documents are written in
