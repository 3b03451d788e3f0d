"""How much of a reading's uncertainty is the spring's own, and how much the whole bench's. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import NamedTuple

from coilbench.analysis.curves.curve import COMMON_SHARE, SIDES, SpringCurve
from coilbench.analysis.curves.uncertainty import COVERAGE_K, expanded, type_a


class Measured(NamedTuple):
    """One spring's load (N) or rate (N/mm), with expanded uncertainties, k = 2.

    Attributes:
        u: of the value.
        own_u: what remains of it when two springs of the same bench are compared: the scatter of
            its strokes and the part of the instrument's errors that is not common to all.
        strokes_rule: whether the strokes' scatter is most of it, so that more strokes help.
    """

    value: float
    u: float
    own_u: float
    strokes_rule: bool


def split(
    curve: SpringCurve, weights_per_height_mm: Mapping[float, float], value: float, u: float
) -> Measured:
    """Split an expanded uncertainty into the spring's own part and what the bench has in common.

    Of the variance of a sampled sweep's instrument errors COMMON_SHARE is taken as common (masses,
    gauges, datum: all springs have the same), of noted points none: they are read one by one.

    Args:
        curve: the spring.
        weights_per_height_mm: the value as a sum of loads: {h: 1} for a load,
            {low: 1/span, high: -1/span} for a rate; empty where it is no such sum.
        value: the load or rate.
        u: its expanded uncertainty, k = 2.
    """
    values, noises = _by_sweep(curve, weights_per_height_mm)
    scatter = min(type_a(values, noises), u / COVERAGE_K) if values else 0.0
    instrument = math.sqrt(max((u / COVERAGE_K) ** 2 - scatter**2, 0.0))
    common = COMMON_SHARE if all(sweep.dense for sweep in curve.sweeps) else 0.0
    own_u = expanded(scatter, len(values), math.sqrt(1.0 - common) * instrument)
    return Measured(value, u, min(own_u, u), scatter > instrument)


def common_u(measured: Measured) -> float:
    """The part of an expanded uncertainty that all springs of a bench share."""
    return math.sqrt(max(measured.u**2 - measured.own_u**2, 0.0))


def _by_sweep(
    curve: SpringCurve, weights: Mapping[float, float]
) -> tuple[list[float], list[float]]:
    """The value as each sweep alone shows it, and its standard error from inside the sweep."""
    for side in SIDES[curve.branch]:
        values, noises = [], []
        for sweep in curve.sweeps:
            looks = [(weight, sweep.look(side, mm)) for mm, weight in weights.items()]
            seen = [(weight, look) for weight, look in looks if look is not None]
            if not seen or len(seen) < len(looks):
                continue
            values.append(math.fsum(weight * look.load_n for weight, look in seen))
            noises.append(math.hypot(*(weight * look.se_n for weight, look in seen)))
        if values:
            return values, noises
    return [], []
