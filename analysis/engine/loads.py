"""A load with what makes it unsure, and loads in parallel. Pure.

One bench measured all the springs. Its common errors (calibration, zero, travel) are not reduced by
averaging, and add linearly in a sum; the errors of single readings add as the root of the sum of
squares (JCGM 100:2008, 5.2.2, correlation 1 and 0).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from coilbench.analysis.curves.readings import Reading
from coilbench.analysis.curves.uncertainty import common_u, split
from coilbench.analysis.engine.shims import HeightError


class Load(NamedTuple):
    """A load with the two parts of its expanded uncertainty, k = 2."""

    load_n: float
    own_u_n: float
    common_u_n: float

    @property
    def load_u_n(self) -> float:
        """The whole expanded uncertainty."""
        return math.hypot(self.own_u_n, self.common_u_n)

    @classmethod
    def of(cls, reading: Reading, errors: Sequence[HeightError] = ()) -> Load:
        """Return one spring's load at a height, which may be unsure itself."""
        reading = reading.at_unsure_height(errors)
        measured = split(reading.load_n, reading.budget)
        shared_n = min(common_u(measured), measured.u)
        own_n = math.sqrt(max(measured.u**2 - shared_n**2, 0.0))
        return cls(reading.load_n, own_n, shared_n)

    @classmethod
    def mean(cls, loads: Sequence[Load]) -> Load:
        """Return the mean of several springs' loads."""
        count, both = len(loads), parallel_load(loads) or cls(0.0, 0.0, 0.0)
        return cls(both.load_n / count, both.own_u_n / count, both.common_u_n / count)


def parallel_load(loads: Iterable[Load | None]) -> Load | None:
    """Return the load of springs that act in parallel, the sum; None where one isn't known."""
    known = []
    for load in loads:
        if load is None:
            return None
        known.append(load)
    return Load(
        math.fsum(load.load_n for load in known),
        math.hypot(*(load.own_u_n for load in known)),
        math.fsum(load.common_u_n for load in known),
    )
