"""Quantities of a build file: texts with their units, read into N, mm, g and MPa. Pure."""

from __future__ import annotations

import math
from typing import ClassVar, Self

from coilbench.capture import units
from coilbench.capture.errors import CoilbenchError

MOST = 1e6  # mm, N or anything: beyond it is a typing error


class Refused(CoilbenchError, ValueError):
    """What the reader of a quantity raises: msgspec passes a ValueError on with its place."""


class Quantity(float):
    """A number that stands in the file as a text with its unit."""

    parse: ClassVar[staticmethod[[str], float]]
    like: ClassVar[str]
    least: ClassVar[float] = math.ulp(0.0)  # above 0
    most: ClassVar[float] = MOST

    @classmethod
    def read(cls, text: str) -> Self:
        """Read a text.

        Raises:
            CoilbenchError: it isn't such a quantity.
        """
        return cls(cls.parse(text))


class LoadN(Quantity):
    """A load, N."""

    parse, like = staticmethod(units.parse_load_n), "34 kg"


class OpenLoadN(LoadN):
    """A load at full lift, N."""

    like = "72 kg"


class MassG(Quantity):
    """A mass, g."""

    parse, like = staticmethod(units.parse_mass_g), "42.5 g"


class StressMpa(Quantity):
    """A stress, MPa."""

    parse, like = staticmethod(units.parse_stress_mpa), "1900 MPa"


class LengthMm(Quantity):
    """A length above 0, mm."""

    parse, like = staticmethod(units.parse_length_mm), "38.5 mm"


class LiftMm(LengthMm):
    """A lift, mm."""

    like = "10.2 mm"


class SmallMm(LengthMm):
    """A shim's thickness, or how well a length is known, mm."""

    like = "0.5 mm"


class LengthMmOrZero(LengthMm):
    """A length of 0 or more, mm."""

    least = 0.0


class SignedLengthMm(LengthMm):
    """A length of either sign, mm."""

    least = -MOST


class Share(Quantity):
    """A percentage from 0 to below a half, as a fraction."""

    parse, like = staticmethod(units.parse_fraction), "3%"
    least, most = 0.0, 0.5


class Tolerance(Quantity):
    """How far a load may be away: N, or a fraction of that load where is_share."""

    parse, like = staticmethod(units.parse_load_n), '2 kg" or "5%'
    is_share = False

    @classmethod
    def read(cls, text: str) -> Self:
        """Read a load or a percentage.

        Raises:
            CoilbenchError: it is neither.
        """
        if not text.rstrip().endswith("%"):
            return super().read(text)
        share = cls(Share.read(text))
        if share > Share.most:
            raise CoilbenchError(f"{text!r} is out of range", hint='Write it like "5%"')
        share.is_share = True
        return share

    def of(self, load_n: float) -> float:
        """Return it in N, of a load."""
        return self * load_n if self.is_share else float(self)


def read_quantity(kind: type[Quantity], value: object) -> Quantity:
    """Read a text with its unit; msgspec calls this for each quantity. 0 needs no unit.

    Raises:
        Refused: not a text, no unit, or out of range.
    """
    like = f'Write it like "{kind.like}"'
    if kind.least <= 0.0 and _is_zero(value):
        return kind(0.0)
    if not isinstance(value, str):
        raise Refused(f"{shortened(value)} has no unit", hint=f"{like}, in quotes")
    try:
        number = kind.read(value)
    except CoilbenchError as error:
        raise Refused(error.what, hint=error.hint) from error
    if not abs(number) <= kind.most:
        raise Refused(f"{value!r} is out of range", hint=like)
    if number < kind.least:
        raise Refused(f"{value!r} must be {'above 0' if kind.least else '0 or more'}", hint=like)
    return number


def _is_zero(value: object) -> bool:
    return value == "0" or (isinstance(value, int | float) and value is not False and value == 0)


def shortened(value: object) -> str:
    """Write a value on one line, cut where it is long."""
    try:
        text = repr(value)
    except ValueError:  # a whole number of thousands of digits
        text = "this"
    return text if len(text) <= 60 else f"{text[:60]}..."
