"""All that one spring's curve tells, gathered; and its JSON document. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from coilbench.analysis.curves.branch_grid import BranchGrid, common_grid
from coilbench.analysis.curves.branches import Array
from coilbench.analysis.curves.curve import (
    GIVEN_LENGTH_U_MM,
    RATE_WINDOW,
    HeightNotMeasured,
    Rate,
    Reading,
    SpringCurve,
)
from coilbench.analysis.curves.found_height import FoundHeight
from coilbench.analysis.curves.friction import Loop, friction_loop
from coilbench.analysis.curves.length_check import LengthCheck, check_length, length_words
from coilbench.analysis.curves.rates import NamedRate, named_rates
from coilbench.analysis.curves.shape_model import Shape, find_shape
from coilbench.analysis.limits.handbook import Handbook, handbook_rate, handbook_words
from coilbench.capture.units import Units


@dataclass(frozen=True)
class Given:
    """What is known of a spring by other means; None where it isn't."""

    free_length_mm: float | None = None
    solid_height_mm: float | None = None
    wire_mm: float | None = None
    coil_diameter_mm: float | None = None
    active_coils: float | None = None


@dataclass(frozen=True)
class SpringFindings:
    """One spring.

    Attributes:
        shares: the window, as shares of the deflection.
        window_mm: its heights, the higher one first; the whole measured range where the window is
            not known or was not measured whole; None where one height alone was measured.
        window_whole: whether the window is the one asked for.
        rates: each named; two running heights come last.
        loop: friction over the window; None where not both branches were measured.
        length: first contact beside the given free length; None without either.
        handbook: None where dimensions or the rate are not known.
    """

    curve: SpringCurve
    given: Given
    shares: tuple[float, float]
    window_mm: tuple[float, float] | None
    window_whole: bool
    rates: tuple[NamedRate, ...]
    loop: Loop | None
    shape: Shape
    length: LengthCheck | None
    handbook: Handbook | None


def find_all(
    curve: SpringCurve,
    given: Given,
    others: Sequence[SpringCurve] = (),
    *,
    shares: tuple[float, float] = RATE_WINDOW,
    heights_mm: Sequence[float] = (),
) -> SpringFindings:
    """Work out all that a spring's curve tells.

    Args:
        curve: the spring's.
        given: what is known by other means.
        others: the set's other springs.
        shares: the rate's window, as shares of the deflection.
        heights_mm: the two running heights; with fewer there is no rate between them.
    """
    asked = curve.window_mm(shares)
    window = asked if asked is not None else _whole_mm(curve)
    rates = tuple(named_rates(curve, window, heights_mm))
    length = None
    if given.free_length_mm is not None:
        length = check_length(curve, given.free_length_mm, GIVEN_LENGTH_U_MM, others)
    return SpringFindings(
        curve,
        given,
        shares,
        window,
        asked is not None,
        rates,
        None if window is None else friction_loop(curve, *window),
        find_shape(curve),
        length,
        _handbook(given, rates),
    )


def _whole_mm(curve: SpringCurve) -> tuple[float, float] | None:
    """The whole measured range of a spring that is pressed."""
    top, bottom = curve.highest_mm, curve.lowest_mm
    if curve.free_length_mm is not None:
        top = min(top, curve.free_length_mm)
    return (top, bottom) if top > bottom else None


def _handbook(given: Given, rates: Sequence[NamedRate]) -> Handbook | None:
    """Hold the first rate that rests on the whole window, else any, against the dimensions."""
    dimensions = given.wire_mm, given.coil_diameter_mm, given.active_coils
    best = next((each for each in rates if each.method == "least squares"), None)
    best = rates[0] if best is None and rates else best
    if best is None or best.rate.rate_n_per_mm <= 0.0 or None in dimensions:
        return None
    wire, coil, coils = (float(each) for each in dimensions if each is not None)
    return handbook_rate(wire, coil, coils, best.rate.rate_n_per_mm, best.rate.rate_u_n_per_mm)


def readings(curve: SpringCurve, heights_mm: Iterable[float]) -> list[Reading]:
    """Read the load at those heights that were measured."""
    found = []
    for height_mm in heights_mm:
        try:
            found.append(curve.load_at(height_mm))
        except HeightNotMeasured:
            continue
    return found


def to_document(found: SpringFindings, heights_mm: Sequence[float]) -> dict[str, Any]:
    """Write the findings as JSON: N and mm, uncertainties expanded, unknown is None.

    Args:
        found: the spring's.
        heights_mm: where loads are read.
    """
    curve, window = found.curve, found.window_mm
    return {
        "spring": curve.label,
        "branch": curve.branch,
        "strokes": len(curve.sweeps),
        "readings": [
            {
                "height_mm": each.height_mm,
                "load_n": each.load_n,
                "load_u_n": each.load_u_n,
                "notes": list(each.notes),
            }
            for each in readings(curve, heights_mm)
        ],
        "contact": _height(curve.contact),
        "free_length_mm": curve.free_length_mm,
        "free_length_u_mm": curve.free_length_u_mm,
        "free_length_given_mm": found.given.free_length_mm,
        "free_length_finding": (
            None if found.length is None else length_words(found.length, Units("N", "mm"))
        ),
        "bind": _height(curve.bind),
        "solid_height_mm": curve.solid_height_mm,
        "lowest_mm": curve.lowest_mm,
        "window": {
            "shares": list(found.shares),
            "whole_range_instead": not found.window_whole,
            "top_mm": None if window is None else window[0],
            "bottom_mm": None if window is None else window[1],
        },
        "rates": [
            {
                "method": each.method,
                "top_mm": each.top_mm,
                "bottom_mm": each.bottom_mm,
                **_rate(each.rate, "rate"),
            }
            for each in found.rates
        ],
        "hysteresis": None if found.loop is None else found.loop._asdict(),
        "shape": _shape(found.shape),
        "handbook": _handbook_document(found.handbook),
        "curve": _grid(common_grid(curve)),
        "notes": list(curve.notes),
    }


def _height(found: FoundHeight | None) -> dict[str, float] | None:
    return None if found is None else found._asdict()


def _rate(rate: Rate | None, name: str) -> dict[str, float | None]:
    value, u = (None, None) if rate is None else (rate.rate_n_per_mm, rate.rate_u_n_per_mm)
    return {f"{name}_n_per_mm": value, f"{name}_u_n_per_mm": u}


def _shape(shape: Shape) -> dict[str, Any]:
    return {
        "kind": shape.kind,
        "why": shape.why or None,
        "top_mm": shape.top_mm,
        "bottom_mm": shape.bottom_mm,
        "chance_if_straight": shape.bent_chance,
        "knee": _height(shape.knee),
        **_rate(shape.change, "change"),
        **_rate(shape.upper, "upper_rate"),
        **_rate(shape.lower, "lower_rate"),
    }


def _handbook_document(found: Handbook | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "rate_n_per_mm": found.rate_n_per_mm,
        "rate_u_n_per_mm": found.rate_u_n_per_mm,
        "measured_n_per_mm": found.measured_n_per_mm,
        "agrees": found.agrees,
        "words": handbook_words(found, Units("N", "mm")),
    }


def _grid(grid: BranchGrid) -> dict[str, list[float | None]]:
    return {
        "height_mm": _listed(grid.height_mm),
        "loading_n": _listed(grid.loading_n),
        "unloading_n": _listed(grid.unloading_n),
        "hysteresis_share": _listed(grid.loop_share),
        "stiffness_n_per_mm": _listed(grid.stiffness_n_per_mm),
    }


def _listed(column: Array) -> list[float | None]:
    return [float(each) if np.isfinite(each) else None for each in column]
