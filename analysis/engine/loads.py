"""Loads that are averaged over a set or added in parallel, with what they share. Pure.

One bench read all the springs. What its errors have in common (calibration, zero, travel) no mean
lessens, and in a sum it adds plainly; what is each reading's own adds by root sum of squares
(JCGM 100:2008, 5.2.2, correlation 1 and 0).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

from coilbench.analysis.curves.curve import Reading
from coilbench.analysis.curves.own_part import common_u, split


class Load(NamedTuple):
    """A load with the two parts of its expanded uncertainty, k = 2."""

    load_n: float
    own_u_n: float
    common_u_n: float

    @property
    def load_u_n(self) -> float:
        """The whole expanded uncertainty."""
        return math.hypot(self.own_u_n, self.common_u_n)


def load_of(reading: Reading) -> Load:
    """Return one spring's load at a height."""
    measured = split(reading.load_n, reading.budget)
    return Load(reading.load_n, measured.own_u, common_u(measured))


def mean_load(loads: Sequence[Load]) -> Load:
    """Return the mean of several springs' loads."""
    count = len(loads)
    return Load(
        math.fsum(load.load_n for load in loads) / count,
        math.hypot(*(load.own_u_n for load in loads)) / count,
        math.fsum(load.common_u_n for load in loads) / count,
    )


def parallel_load(loads: Sequence[Load]) -> Load:
    """Return the load of springs that act in parallel: the sum."""
    return Load(
        math.fsum(load.load_n for load in loads),
        math.hypot(*(load.own_u_n for load in loads)),
        math.fsum(load.common_u_n for load in loads),
    )
