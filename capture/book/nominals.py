"""What a set's maker prints: loads at heights, a rate, a tolerance; kept with the set. Pure."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from itertools import pairwise

from coilbench.capture.errors import CoilbenchError

SAME_HEIGHT_MM = 0.005  # heights nearer than this are one height, typed or converted


@dataclass(frozen=True)
class NominalLoad:
    """The load asked for at a height."""

    height_mm: float
    load_n: float


@dataclass(frozen=True)
class SetNominal:
    """What a set should push.

    Attributes:
        loads: the highest height first.
        rate_n_per_mm: None where none is printed.
        tolerance_relative: how far from these a spring may be, as a fraction; None where it is
            left to whoever judges.

    Raises:
        CoilbenchError: nothing in it, an impossible number, a height that stands twice, or a load
            that does not fall with height.
    """

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
            raise CoilbenchError("a nominal load, height or rate is not above 0", hint="Correct it")
        if self.tolerance_relative is not None and not 0.0 < self.tolerance_relative < 1.0:
            raise CoilbenchError(
                f"a nominal tolerance of {self.tolerance_relative:.6g} as a fraction is not "
                "between 0 and 1",
                hint="Write it like 10%",
            )
        ordered = tuple(sorted(self.loads, key=lambda load: -load.height_mm))
        for high, low in pairwise(ordered):
            _check_falling(high, low)
        object.__setattr__(self, "loads", ordered)

    def load_at(self, height_mm: float) -> NominalLoad | None:
        """Return what is asked for at a height; None where nothing is."""
        for load in self.loads:
            if abs(load.height_mm - height_mm) < SAME_HEIGHT_MM:
                return load
        return None

    def to_json(self) -> str:
        """Write it for the book."""
        return json.dumps(
            {
                "loads": [vars(load) for load in self.loads],
                "rate_n_per_mm": self.rate_n_per_mm,
                "tolerance_relative": self.tolerance_relative,
            }
        )

    @classmethod
    def from_json(cls, text: str | None) -> SetNominal | None:
        """Read it back; None where the book has none."""
        if text is None:
            return None
        document = json.loads(text)
        return cls(
            tuple(NominalLoad(**load) for load in document["loads"]),
            document["rate_n_per_mm"],
            document["tolerance_relative"],
        )


def _check_falling(high: NominalLoad, low: NominalLoad) -> None:
    if high.height_mm - low.height_mm < SAME_HEIGHT_MM:
        raise CoilbenchError(
            f"the nominal has two loads at {low.height_mm:g} mm", hint="Give one a height"
        )
    if high.load_n >= low.load_n:
        raise CoilbenchError(
            f"the nominal pushes no less at {high.height_mm:g} mm than at {low.height_mm:g} mm",
            hint="Check which load belongs to which height",
        )
