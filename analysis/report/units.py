"""The units a person wants to see: kg, N or lbf, mm or in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from coilbench.capture.units import LENGTH_IN_MM, LOAD_IN_N

LoadUnit = Literal["kg", "N", "lbf"]
LengthUnit = Literal["mm", "in"]


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

    def load_text(self, load_n: float | None) -> str:
        """Write a load with its unit; "-" where it is unknown."""
        if load_n is None:
            return "-"
        places = {"kg": 2, "N": 1, "lbf": 1}[self.load]
        return f"{self.load_value(load_n):.{places}f} {self.load}"

    def length_text(self, length_mm: float | None) -> str:
        """Write a length with its unit; "-" where it is unknown."""
        if length_mm is None:
            return "-"
        places = {"mm": 2, "in": 3}[self.length]
        return f"{self.length_value(length_mm):.{places}f} {self.length}"

    def rate_text(self, rate_n_per_mm: float | None) -> str:
        """Write a rate with its unit; "-" where it is unknown."""
        if rate_n_per_mm is None:
            return "-"
        places = 1 if self.length == "in" else 3
        return f"{self.rate_value(rate_n_per_mm):.{places}f} {self.load}/{self.length}"


SI = Units("N", "mm")  # what JSON documents are written in
