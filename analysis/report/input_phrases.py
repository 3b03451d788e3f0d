"""The phrases of what was noticed in files and in fits, by kind; `phrases` takes them in."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from coilbench.analysis.report.units import LENGTH_PLACES, Units
from coilbench.capture.units import counted

INPUT_PHRASES: dict[str, str] = {
    # files
    "load_drop": "spring {label!r}: {load_n} at {height_mm} is less than at a greater height: a "
    "typing error, or a broken spring",
    "file_uncertainty": "Loads are assumed good to {load_u_relative:.1%} and heights to "
    "{height_u_mm} (k = 2), since the file does not say",
    # fits
    "masses_assumed": "Masses without an uncertainty are assumed good to {u_relative:.1%}, k = 2",
    "gauges_assumed": "Gauges without an uncertainty are assumed good to {u_mm}, k = 2",
    "cell_curved": "The cell is not linear (F-test at 1 %): a parabola is used",
    "scale_curved": "The scale is not linear (F-test at 1 %): a parabola is used",
    "scale_steps": "The scale reads in steps of {step_kg}",
    "load_corrected": "Counts fall as the load grows: the cell is wired backwards, which the "
    "calibration corrects",
    "travel_corrected": "Travel counts fall as the quill goes down: the scale is wired backwards, "
    "which the calibration corrects",
    "weak_span": "The masses span only {adc_share:.2%} of the ADC's range: heavier masses or more "
    "gain would reduce the noise",
    "no_light_mass": "No point is near zero, all lie between {low_kg} and {high_kg}: read one with "
    "nothing on the cell as well",
    "masses_one_way": "The masses were read in one direction only: whether up and down agree is "
    "unknown",
    "out_of_order": "Masses out of order: point {point} is {mass_kg} after {before_kg}, marked "
    "{direction}. The curve is not affected, but up and down can be compared only where the points "
    "are in order",
    "gauges_narrow": "The gauges only cover {low_mm} to {high_mm}: heights far from them have a "
    "larger uncertainty, and a gauge near the lowest height measured would help most",
    "two_gauges": "Two gauges cannot show an error in one of them: a third one would",
    "datum_new": "New datum, same scale factor as before",
    "flex_line": "The press flex is not linear, but no monotonic curve fits: a line is used",
    "block_one_way": "The block was pressed one way only: whether it moved is unknown",
}


def _going_down(facts: Mapping[str, Any], units: Units) -> str:
    way = "more" if facts["more_kg"] > -5e-4 else "less"
    more = abs(units.mass_value(facts["more_kg"]))
    return f"Going down, the cell reads {more:.3f} {units.mass} {way} than going up"


def _travel_back(facts: Mapping[str, Any], units: Units) -> str:
    moved, places = units.length_value(facts["moved_mm"]), LENGTH_PLACES[units.length] + 1
    return f"Back at low load the travel differed by {moved:+.{places}f} {units.length}"


def _flex_curved(facts: Mapping[str, Any], _units: Units) -> str:
    degree = facts["degree"]
    curve = "a parabola" if degree == 2 else f"a curve of degree {degree}"
    return f"The press flex is not linear (F-test at 1 %): {curve} is used"


INPUT_SENTENCES: dict[str, Callable[[Mapping[str, Any], Units], str]] = {
    "going_down": _going_down,
    "travel_back": _travel_back,
    "flex_curved": _flex_curved,
    "solid_heights_found": lambda facts, _units: (
        f"Solid heights of {counted(facts['springs'], 'spring')} found: {facts['reason']}"
    ),
}
