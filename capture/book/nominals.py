"""A set's nominal, as its maker prints it: loads at heights, a rate, a tolerance. Pure."""

from __future__ import annotations

import json
import math
from itertools import pairwise
from typing import ClassVar

import msgspec
from msgspec.structs import force_setattr

from coilbench.capture.errors import CoilbenchError

SAME_HEIGHT_MM = 0.005  # heights nearer than this are one height, typed or converted


class NominalLoad(msgspec.Struct, frozen=True):
    """A nominal load at a height."""

    height_mm: float
    load_n: float


class SetNominal(msgspec.Struct, frozen=True):
    """Nominal values of a set.

    Attributes:
        loads: the highest height first.
        tolerance_relative: largest deviation of a spring from these, as a fraction; None where
            none is printed.

    Raises:
        CoilbenchError: it is empty, or has an impossible number, a duplicate height, or a load
            that does not fall with height.
    """

    in_json: ClassVar = {"tolerance_relative": "tolerance"}
    loads: tuple[NominalLoad, ...] = ()
    rate_n_per_mm: float | None = None
    tolerance_relative: float | None = None

    def __post_init__(self) -> None:
        if not self.loads and self.rate_n_per_mm is None:
            raise CoilbenchError(
                "a nominal needs a load or a rate", hint="Give a load at a height, like 24kg@38.5mm"
            )
        numbers = [n for load in self.loads for n in (load.height_mm, load.load_n)]
        numbers += [] if self.rate_n_per_mm is None else [self.rate_n_per_mm]
        if not all(0.0 < number < math.inf for number in numbers):
            raise CoilbenchError(
                "a nominal load, height or rate is not above 0",
                hint="Give values above 0, like 24kg@38.5mm",
            )
        if self.tolerance_relative is not None and not 0.0 < self.tolerance_relative < 1.0:
            raise CoilbenchError(
                f"a nominal tolerance of {self.tolerance_relative:.6g} as a fraction is not "
                "between 0 and 1",
                hint="Write it like 10%",
            )
        ordered = tuple(sorted(self.loads, key=lambda load: -load.height_mm))
        for high, low in pairwise(ordered):
            _check_falling(high, low)
        force_setattr(self, "loads", ordered)

    def load_at(self, height_mm: float) -> NominalLoad | None:
        """Return the nominal load at a height; None where there is none."""
        near = (load for load in self.loads if abs(load.height_mm - height_mm) < SAME_HEIGHT_MM)
        return next(near, None)

    def to_json(self) -> str:
        """Return it as the book stores it."""
        return json.dumps(msgspec.to_builtins(self))

    @classmethod
    def from_json(cls, text: str | None) -> SetNominal | None:
        """Return the stored nominal; None for None."""
        return None if text is None else msgspec.json.decode(text, type=cls)


def _check_falling(high: NominalLoad, low: NominalLoad) -> None:
    if high.height_mm - low.height_mm < SAME_HEIGHT_MM:
        raise CoilbenchError(
            "the nominal has two loads at {height_mm}",
            hint="Give one load for a height",
            height_mm=low.height_mm,
        )
    if high.load_n >= low.load_n:
        raise CoilbenchError(
            "the nominal load at {high_mm} is not less than at {low_mm}",
            hint="Check which load belongs to which height",
            high_mm=high.height_mm,
            low_mm=low.height_mm,
        )
