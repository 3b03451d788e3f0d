"""The sentence of each finding of the rig, of files, fits and of a guided calibration."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from coilbench.analysis.report.bench_text import BENCH_PHRASES, BENCH_SENTENCES
from coilbench.analysis.report.build_text import BUILD_SENTENCES
from coilbench.analysis.report.document import describe, filled
from coilbench.analysis.report.guide_text import GUIDE_PHRASES, GUIDE_SENTENCES
from coilbench.analysis.report.heights_text import HEIGHTS_PHRASES, HEIGHTS_SENTENCES
from coilbench.analysis.report.link_text import LINK_SENTENCES
from coilbench.analysis.report.reading_text import READING_PHRASES
from coilbench.analysis.report.units import LENGTH_PLACES, Units
from coilbench.capture.blocks import FaultCode, Finding
from coilbench.capture.book.notes import Remark, remarks_of
from coilbench.capture.units import counted

CAUTION = (
    "A compressed spring can blind. Capture it at both ends, unplug the press and work the quill "
    "by hand, wear eye protection, keep fingers out, and stop before the coils bind."
)
_FAULTS = {
    FaultCode.ADC_SILENT: (
        "the load amplifier makes no conversions",
        "Check its power and its data and clock wires",
    ),
    FaultCode.ADC_STUCK: (
        "the load amplifier's data line is stuck low",
        "Look for a short circuit or a loose data wire",
    ),
    FaultCode.TRAVEL_SILENT: (
        "the travel scale gives no valid reading",
        "Check its wires and its battery, and that it is switched on",
    ),
    FaultCode.WATCHDOG_RESTART: (
        "the rig was restarted by its watchdog",
        "If it happens again, check its power and flash the firmware again",
    ),
}

# By kind, or kind and cause: what, and what to do where that is not said already.
_RIG: dict[str, tuple[str, str]] = {
    "rate_slow": (
        "{measured_hz:.1f} samples a second arrive, the rig states {nominal_hz:g}",
        "Set the HX711's RATE pin high (many boards tie it low, which means 10 a second)",
    ),
    "rate_fast": (
        "{measured_hz:.1f} samples a second arrive, the rig states {nominal_hz:g}",
        "Set the rate in the firmware's configuration to that of the amplifier",
    ),
    "gap": (
        "no sample arrived for {gap_s:.1f} s",
        "Check the amplifier's supply and wires for a loose contact",
    ),
    "no_cell_at_limit": (
        "every load reading is at the limit of the amplifier's range: no cell is connected, one "
        "of its wires is broken, or it is far overloaded",
        "Take all load off, then check the cell's four wires",
    ),
    "no_cell_constant": (
        "the load reading never changes ({counts} counts): the cell does not respond",
        "Check the cell's four wires and the amplifier's supply; a working cell always shows "
        "some noise",
    ),
    "no_cell_no_response": (
        "the quill moved but the load did not: no cell, or nothing to press on",
        "Press on something springy; check the cell's four wires",
    ),
    "saturated": (
        "{flagged} of {samples} load readings are at the limit of the amplifier's range",
        "Look for a loose wire, or press less hard",
    ),
    "torn_words": (
        "{flagged} of {samples} load readings are corrupted",
        "Keep the amplifier's wires short and away from mains cables",
    ),
    "disturbed": (
        "load or travel moved during the rest: noise and drift cannot be measured",
        "Do not touch the rig until asked to, then check again; if nobody touched it, look for a "
        "loose wire",
    ),
    "noise": (
        "noise {noise_counts:.0f} counts exceeds the limit of {limit_counts:.0f}",
        "Check the cell's wires and shield, and that nothing touches the rig",
    ),
    "drift": (
        "the load drifts by {drift_counts:+.0f} counts in {drift_s:g} s at rest",
        "Let the rig warm up for some minutes; keep draught and sunlight off the cell",
    ),
    "silent": (
        "only {samples} samples arrived",
        "Check the amplifier's wires, then press the rig's reset button",
    ),
    "lost": (
        "{lost} of {samples} samples were lost on the way",
        "Try another cable or port, and close busy programs on this computer",
    ),
    "bad_lines": ("{lines} lines are corrupted", "Try another cable or port; check the baud rate"),
    "restarts": ("the rig restarted {restarts} times", "Check its power"),
    "encoder_steps": (
        "the scale made {steps} impossible steps at rest",
        "Check its wires and its reading head",
    ),
    "encoder_no_response": (
        "the load moved but the travel did not: the encoder does not respond",
        "Check the scale's wires and that its reading head moves with the quill",
    ),
    "no_travel": (
        "{absent} of {samples} samples have no travel reading",
        "Check the scale's wires and battery",
    ),
    "no_press": (
        "neither load nor travel moved: nothing was pressed, or neither responds",
        "Press again; if that does not help, check the wires of both",
    ),
    "backwards_either": (
        "the load falls as the quill goes down: the cell or the encoder is wired backwards",
        "Find out which: coilbench rig check --port PORT",
    ),
    "backwards_encoder": (
        "travel counts fall as the quill goes down: the encoder is wired backwards",
        "Swap the encoder's wires A and B, then calibrate the travel again",
    ),
    "backwards_encoder_swapped": (
        "the height grows as the quill goes down: the encoder's wires were swapped after it was "
        "calibrated",
        "Swap the encoder's wires A and B, then calibrate the travel again",
    ),
    "backwards_cell": (
        "the load falls as the quill goes down: the cell is wired backwards",
        "Swap the cell's two signal wires (often green and white), then calibrate again",
    ),
    "backwards_cell_swapped": (
        "the load falls as the quill goes down: the cell's wires were swapped after it was "
        "calibrated",
        "Swap the cell's two signal wires (often green and white), then calibrate again",
    ),
}

_PHRASES: dict[str, str] = {
    **BENCH_PHRASES,
    **HEIGHTS_PHRASES,
    **READING_PHRASES,
    # fits
    "masses_assumed": "Masses without an uncertainty are assumed good to {u_relative:.1%}, k = 2",
    "gauges_assumed": "Gauges without an uncertainty are assumed good to {u_mm}, k = 2",
    "cell_curved": "The cell is not linear (F-test at 1 %): a parabola is used",
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
    "two_gauges": "Linearity was not checked: two gauges cannot show an error in one of them, a "
    "third one would",
    "step_unchecked": "The scale factor was not compared with the scale's own step, which is "
    "unknown",
    "touch_unchecked": "Whether the quill touched each gauge was not checked: the load was not "
    "calibrated",
    "datum_new": "New datum, same scale factor as before",
    "flex_line": "The press flex is not linear, but no monotonic curve fits: a line is used",
    "flex_landed": "From {from_n} on the press gave more for the same load, which no press does: "
    "the crosshead may have met the stop nuts, so that this flex is wrong. Lower each nut by a "
    "twelfth of a turn and press again (hardware/MECHANICS.md)",
    "block_one_way": "The block was pressed one way only: whether it moved is unknown",
    # a build file
    "lash_assumed": "lash isn't given: {lash_mm} assumed",
    "inner_offset_assumed": "inner_offset isn't given: {offset_mm} assumed, both springs stand at "
    "one height",
    "coil_bind_margin_assumed": "coil_bind_margin isn't given: {limit_mm} assumed, common practice",
    "max_shims_assumed": "max_shims isn't given: {shims} assumed",
    "min_clearance_assumed": "min_clearance isn't given: {limit_mm} assumed, common practice",
    # the calibration
    "check_failed": "the last check of the rig FAILED ({made_utc:.10}: {mass_kg} read "
    "{error_percent:+.2f} % off, {allowed_percent:.2f} % allowed): find the cause, then calibrate "
    "again with coilbench rig weigh",
}


@describe.register
def _(finding: Finding, units: Units) -> str:
    what, hint = what_and_hint(finding, units)
    return what if hint is None else f"{what}. {hint}"


@describe.register(Mapping)
def _(found: Mapping[str, Any], units: Units) -> str:
    return describe(Finding.from_document(found), units)


@describe.register
def _(sentence: str, units: Units) -> str:  # noqa: ARG001  as older books keep a finding
    return sentence


def what_and_hint(finding: Finding, units: Units) -> tuple[str, str | None]:
    """Return what a finding says and, of the rig's health, what to do; without full stops.

    Raises:
        KeyError: there is no phrase of its kind.
    """
    facts, kind = finding.facts, finding.kind
    if kind in _SENTENCES:
        return _SENTENCES[kind](facts, units), None
    if kind in _PHRASES:
        return filled(_PHRASES[kind], facts, units), None
    if kind in ("fault", "rig_fault"):
        code = facts["code"]
        unknown = f"the rig reports the unknown fault {code:02X}", "Update coilbench"
        return _FAULTS.get(code, unknown)
    what, hint = _RIG[f"{kind}_{facts['cause']}" if "cause" in facts else kind]
    return filled(what, facts, units), hint


def note_text(note: str | None, units: Units) -> str | None:
    """Describe a stroke's note as the book keeps it: None for none."""
    return "; ".join(_remark_text(one, units) for one in remarks_of(note)) or None


def _remark_text(remark: Remark, units: Units) -> str:
    try:
        return describe(remark, units)
    except (KeyError, TypeError, ValueError, AttributeError):  # as no program of ours writes it
        return remark if isinstance(remark, str) else remark.kind


def _calibration_old(facts: Mapping[str, Any], _units: Units) -> str:
    days = facts["check_age_days"]
    checked = {
        "never": ", and it was never checked",
        "failed": "",
        "old": f", and the last check is {days or 0.0:.0f} days old, too",
        "passed": f"; a check passed {days or 0.0:.0f} days ago",
    }[facts["last_check"]]
    return (
        f"the load calibration is {facts['age_days']:.0f} days old, the limit is "
        f"{facts['limit_days']:g}{checked}: calibrate again before you measure, with coilbench "
        "rig weigh"
    )


def _calibrated(facts: Mapping[str, Any], units: Units) -> str:
    words = f"calibrated {_ago(facts['age_days'])}"
    if facts["check_kg"] is None:
        words += "; not checked since"
    else:
        verdict = "passed" if facts["check_passed"] else "FAILED"
        words += f"; check with {{check_kg}} {verdict} {_ago(facts['check_age_days'])}"
    words += "" if facts["warning"] is None else ". WARNING: {warning}"
    return filled(words, facts, units)


def _ago(days: float) -> str:
    if days < 0.0:
        return "at a later date than today: check the clock"
    if days < 1.0:
        return "within a day"
    return f"{days:.0f} days ago" if days >= 1.5 else "a day ago"


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


_SENTENCES: dict[str, Callable[[Mapping[str, Any], Units], str]] = {
    **BUILD_SENTENCES,
    **LINK_SENTENCES,
    **BENCH_SENTENCES,
    **HEIGHTS_SENTENCES,
    **GUIDE_SENTENCES,
    "going_down": _going_down,
    "travel_back": _travel_back,
    "flex_curved": _flex_curved,
    "solid_heights_found": lambda facts, _units: (
        f"Solid heights of {counted(facts['springs'], 'spring')} found: {facts['reason']}"
    ),
    "rig_fault_over": lambda f, _u: f"over: {what_and_hint(Finding('rig_fault', f), _u)[0]}",
    "calibration_old": _calibration_old,
    "calibrated": _calibrated,
}
_PHRASES |= GUIDE_PHRASES
