"""Shims as a person counts them out: `0.5mm x 12`. Pure."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

import msgspec

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import parse_length_mm

_TIMES = re.compile(r"(.+?)\s*[x×*]\s*([0-9]{1,6})", re.IGNORECASE)
_SAME_MM = 1e-6


class ShimsTyped(msgspec.Struct, frozen=True):
    """Shims of one thickness as typed, with its unit; count is None for as many as needed.

    Attributes:
        unit_taken: whether the unit was not typed.
    """

    thickness: str
    count: int | None
    unit_taken: bool = False

    def same(self, given: Mapping[str, Any]) -> bool:
        """Tell whether a [[shims]] of a build file has the same thickness, under both springs."""
        try:
            other_mm = parse_length_mm(str(given.get("thickness")))
        except CoilbenchError:
            return False
        alike = math.isclose(parse_length_mm(self.thickness), other_mm, abs_tol=_SAME_MM)
        return alike and given.get("under", "both") == "both"


def parse_shims(text: str, unit: str) -> ShimsTyped:
    """Read a thickness and how many there are; without `x` and a number, as many as needed.

    Args:
        unit: of a thickness without its own.

    Raises:
        CoilbenchError: no thickness can be read.
    """
    match = _TIMES.fullmatch(text.strip())
    thickness, count = (text.strip(), None) if match is None else match.groups()
    bare = re.fullmatch(r"[+-]?[0-9.,]+", thickness) is not None
    thickness = f"{thickness} {unit}" if bare else thickness
    parse_length_mm(thickness)
    return ShimsTyped(thickness, None if count is None else int(count), bare)
