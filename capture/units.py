"""Quantities that people type with a unit, read into newtons and millimetres."""

from __future__ import annotations

import math
import re

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.unit_factors import INCH_MM, KGF_N, LBF_N

LOAD_IN_N: dict[str, float] = {"kg": KGF_N, "kgf": KGF_N, "n": 1.0, "lbf": LBF_N}
LOAD_IN_N |= dict.fromkeys(("lb", "lbs"), LBF_N)
LENGTH_IN_MM: dict[str, float] = {"mm": 1.0, "in": INCH_MM, '"': INCH_MM}
MASS_IN_G: dict[str, float] = {"g": 1.0, "kg": 1000.0, "oz": 28.349523125, "lb": 453.59237}  # exact
MASS_IN_G["lbs"] = MASS_IN_G["lb"]
WEIGHT_IN_N: dict[str, float] = LOAD_IN_N | {"g": KGF_N / 1000.0, "oz": LBF_N / 16.0}
STRESS_IN_MPA: dict[str, float] = {"mpa": 1.0, "ksi": 1000.0 * LBF_N / INCH_MM**2}

_NUMBER = r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?"
_QUANTITY = re.compile(rf"^\s*({_NUMBER})\s*([A-Za-z\"%]*)\s*$")
_THOUSANDS = re.compile(r"^[+-]?[1-9][0-9]{0,2},[0-9]{3}$")
MOST = 1e12  # of any unit and of counts: far above what can be meant


def parse_number(text: str) -> float:
    """Read one number typed by a person; a decimal comma is allowed.

    Raises:
        CoilbenchError: not a number, one that is too large, in a unit of what is asked for, or one
            comma before exactly three digits ("1,234"), which is a thousand in one country and a
            decimal in another.
    """
    stripped = text.strip()
    if not re.fullmatch(_NUMBER, stripped):
        raise CoilbenchError(f"{text!r} is not a number", hint="Write it like 38.5 or 38,5")
    if _THOUSANDS.match(stripped):
        raise CoilbenchError(
            f"{text!r} is ambiguous: a thousand or a decimal",
            hint="Write it with a point, or without the comma",
        )
    number = float(stripped.replace(",", "."))
    if not abs(number) <= MOST:
        raise CoilbenchError(f"{text!r} is too large", hint="Write a number that can be")
    return number


def _parse_quantity(text: str, units: dict[str, float], what: str, example: str) -> float:
    match = _QUANTITY.match(text)
    if match is None:
        raise CoilbenchError(f"{text!r} is not a {what}", hint=f"Write it like {example}")
    number, unit = match.groups()
    if not unit:
        raise CoilbenchError(f"{text!r} has no unit", hint=f"Write it like {example}")
    factor = units.get(unit.lower())
    if factor is None:
        raise CoilbenchError(
            f"{text!r} has the unit {unit!r}, which is not a unit of {what}",
            hint=f"Write it like {example}",
        )
    return parse_number(number) * factor


def parse_length_mm(text: str) -> float:
    """Read a length with its unit ("38.5mm", "1.5in"), in mm; raises as parse_number."""
    return _parse_quantity(text, LENGTH_IN_MM, "length", "38.5mm or 1.5in")


def parse_load_n(text: str) -> float:
    """Read a load with its unit ("34 kg", "330N", "75lbf"), in N; raises as parse_number."""
    return _parse_quantity(text, LOAD_IN_N, "load", "34kg, 330N or 75lbf")


def parse_weight_n(text: str) -> float:
    """Read the weight of a small part ("142 g", "5oz", "0.142kg"), in N; raises as parse_number."""
    return _parse_quantity(text, WEIGHT_IN_N, "weight", "142g, 0.142kg or 5oz")


def parse_rate_n_per_mm(text: str) -> float:
    """Read a rate ("1.6 kg/mm", "90lbf/in"), in N/mm; raises as parse_number."""
    load, slash, length = text.partition("/")
    mm = LENGTH_IN_MM.get(length.strip().lower())
    if not slash or mm is None:
        raise CoilbenchError(
            f"{text!r} is not a rate", hint="Write it like 1.6kg/mm, 16N/mm or 90lbf/in"
        )
    return parse_load_n(load) / mm


def parse_mass_g(text: str) -> float:
    """Read a mass with its unit ("42.5 g", "1.5oz"), in g; raises as parse_number."""
    return _parse_quantity(text, MASS_IN_G, "mass", "42.5 g or 1.5 oz")


def parse_stress_mpa(text: str) -> float:
    """Read a stress with its unit ("1900 MPa", "275 ksi"), in MPa; raises as parse_number."""
    return _parse_quantity(text, STRESS_IN_MPA, "stress", "1900 MPa or 275 ksi")


def parse_fraction(text: str) -> float:
    """Read a percentage ("5%", "5 %") as a fraction; raises as parse_number."""
    return _parse_quantity(text, {"%": 0.01}, "percentage", "5%")


def counted(count: int, one: str) -> str:
    """Write how many there are of something whose plural takes an s: "1 spring", "3 springs"."""
    return f"{count} {one}" if count == 1 else f"{count} {one}s"


def known_to(value: float, u: float) -> float:
    """Round to the second digit of an uncertainty, more tells nothing (JCGM 100:2008, 7.2.6)."""
    if not (u > 0.0 and math.isfinite(u)):
        return value
    return round(value, 1 - math.floor(math.log10(u)))
