"""What one spring's curve tells, in sentences and table rows. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

import numpy as np

from coilbench.analysis.curves.curve import Rate, SpringCurve
from coilbench.analysis.curves.length_check import length_words
from coilbench.analysis.curves.rates import Method
from coilbench.analysis.curves.shape_model import Shape
from coilbench.analysis.limits.handbook import handbook_words
from coilbench.analysis.spring_findings import SpringFindings
from coilbench.capture.units import Units

MOST_ROWS = 12
STEPS = {"mm": (0.25, 0.5, 1.0, 2.0, 2.5, 5.0, 10.0), "in": (0.01, 0.02, 0.05, 0.1, 0.2, 0.5)}
WORDS: dict[Method, str] = {
    "two heights": "between the two heights",
    "window ends": "between the ends of the {window}",
    "least squares": "least squares over the {window}",
    "robust": "robust (bisquare) over the {window}",
}
SOFTENS = (
    "It grows softer as it is pressed, which no sound spring does: look for a crack or a seat that "
    "slips, and don't run it until that is found"
)


def table_heights_mm(curve: SpringCurve, units: Units, asked_mm: Sequence[float]) -> list[float]:
    """Heights for a table, highest first: even ones that were measured, and those asked for.

    Of chosen points those that were read.
    """
    low, high = curve.lowest_mm, curve.highest_mm
    if curve.free_length_mm is not None:
        high = min(high, curve.free_length_mm)
    if not any(sweep.dense for sweep in curve.sweeps):
        fits = [fit for s in curve.sweeps for fit in (s.loading, s.unloading) if fit is not None]
        even = np.unique(np.concatenate([fit.height_mm for fit in fits]))
    else:
        one_mm = 1.0 / units.length_value(1.0)
        steps = [step * one_mm for step in STEPS[units.length]]
        step = next((each for each in steps if (high - low) / each <= MOST_ROWS), steps[-1])
        even = np.arange(math.ceil(low / step), math.floor(high / step) + 1.0) * step
    inside = [mm for mm in asked_mm if low <= mm <= high]
    return sorted({round(float(mm), 6) for mm in (*even, *inside)}, reverse=True)


def rate_text(rate: Rate, units: Units) -> str:
    """Write a rate with its expanded uncertainty."""
    value, u = units.rate_value(rate.rate_n_per_mm), units.rate_value(rate.rate_u_n_per_mm)
    places = 1 if units.length == "in" else 3
    return f"{value:.{places}f} ± {u:.{places}f} {units.load}/{units.length}"


def rate_lines(found: SpringFindings, units: Units) -> Iterator[str]:
    """Write every rate, how it came about, and between which heights."""
    window = "window" if found.window_whole else "measured range"
    for each in found.rates:
        where = f"{units.length_text(each.top_mm)} to {units.length_text(each.bottom_mm)}"
        how = WORDS[each.method].format(window=window)
        yield f"{rate_text(each.rate, units)}  {how}, {where}"
    if not found.rates:
        yield "not known: it takes two heights"


def window_words(found: SpringFindings) -> str:
    """Say what the window is."""
    low, high = (round(100.0 * share) for share in found.shares)
    asked = f"{low} to {high} % of the deflection"
    if not found.window_whole:
        return f"{asked} is not known or was not measured whole: the measured range is taken"
    bottom = "solid height" if found.curve.solid_height_mm is not None else "the lowest height"
    return f"{asked} from free length to {bottom}"


def sentences(found: SpringFindings, units: Units) -> Iterator[tuple[str, str]]:
    """Say what was found: what it is about, and a sentence without a full stop."""
    yield "Free length", _free_words(found, units)
    if found.loop is not None:
        share, u = 100.0 * found.loop.share, 100.0 * found.loop.share_u
        yield (
            "Friction",
            f"the load on the way down is {share:.1f} ± {u:.1f} % above that on the way up; half "
            "of it to either side of the mean",
        )
    yield "Shape", _shape_words(found.shape, units)
    yield "Coil bind", _bind_words(found, units)
    if found.handbook is not None:
        yield "Handbook", handbook_words(found.handbook, units)
    for note in found.curve.notes:
        yield "Note", note


def _free_words(found: SpringFindings, units: Units) -> str:
    contact, given_mm = found.curve.contact, found.given.free_length_mm
    if contact is None:
        seen = "no stroke shows first contact"
        if given_mm is None:
            return f"not known: {seen}"
        return f"{units.length_text(given_mm)} as given; {seen}"
    at, u = units.length_text(contact.height_mm), units.length_text(contact.height_u_mm)
    said = f"{at} ± {u} by first contact"
    return said if found.length is None else f"{said}; {length_words(found.length, units)}"


def _shape_words(shape: Shape, units: Units) -> str:
    if shape.kind == "can't tell" or shape.change is None or shape.upper is None:
        return f"can't tell: {shape.why}"
    change = 100.0 * shape.change.rate_n_per_mm / shape.upper.rate_n_per_mm
    u = 100.0 * shape.change.rate_u_n_per_mm / shape.upper.rate_n_per_mm
    where = f"between {units.length_text(shape.top_mm)} and {units.length_text(shape.bottom_mm)}"
    differs = f"the lowest third's differs from the highest third's by {change:+.1f} ± {u:.1f} %"
    if shape.kind == "one rate":
        return f"one rate {where}: {differs}"
    softens = f". {SOFTENS}" if shape.change.rate_n_per_mm < 0.0 else ""
    if shape.knee is not None and shape.lower is not None:
        knee = f"{units.length_text(shape.knee.height_mm)} ± "
        knee += units.length_text(shape.knee.height_u_mm)
        above, below = rate_text(shape.upper, units), rate_text(shape.lower, units)
        said = f"two rates with a knee at {knee}: {above} above it, {below} below"
        return f"{said}; a rate over a window that holds the knee is neither{softens}"
    if shape.kind == "smooth":
        return f"its rate changes smoothly {where}: {differs}{softens}"
    return f"its rate changes {where}, by a knee or smoothly: {differs}{softens}"


def _bind_words(found: SpringFindings, units: Units) -> str:
    curve, given_mm = found.curve, found.given.solid_height_mm
    given = "" if given_mm is None else f"; {units.length_text(given_mm)} in the book"
    if curve.bind is not None:
        at, u = units.length_text(curve.bind.height_mm), units.length_text(curve.bind.height_u_mm)
        return f"reached, solid height {at} ± {u}{given}"
    low = units.length_text(curve.lowest_mm)
    if not any(sweep.dense for sweep in curve.sweeps):
        return f"chosen heights, down to {low}, don't show it{given}"
    return f"not reached: down to {low} the stiffness keeps to its own trend{given}"
