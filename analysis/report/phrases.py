"""The sentence of each finding of the rig, of a running capture and of a guided calibration.

Import `describe` from here, so that it knows them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from coilbench.analysis.report.build_text import BUILD_SENTENCES
from coilbench.analysis.report.document import describe as describe
from coilbench.analysis.report.input_phrases import INPUT_PHRASES, INPUT_SENTENCES
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import FaultCode, Finding
from coilbench.capture.book.notes import remarks_of
from coilbench.capture.strokes.judging import Purpose, Turn
from coilbench.capture.units import counted

_RIG_FIND = "then: coilbench rig find"
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
    "rate/slow": (
        "{measured_hz:.1f} samples a second arrive, the rig states {nominal_hz:g}",
        "Set the HX711's RATE pin high (many boards tie it low, which means 10 a second)",
    ),
    "rate/fast": (
        "{measured_hz:.1f} samples a second arrive, the rig states {nominal_hz:g}",
        "Set the rate in the firmware's configuration to that of the amplifier",
    ),
    "gap": (
        "no sample arrived for {gap_s:.1f} s",
        "Check the amplifier's supply and wires for a loose contact",
    ),
    "no cell/at_limit": (
        "every load reading is at the limit of the amplifier's range: no cell is connected, one "
        "of its wires is broken, or it is far overloaded",
        "Take all load off, then check the cell's four wires",
    ),
    "no cell/constant": (
        "the load reading never changes ({counts} counts): the cell does not respond",
        "Check the cell's four wires and the amplifier's supply; a working cell always shows "
        "some noise",
    ),
    "no cell/no_response": (
        "the quill moved but the load did not: no cell, or nothing to press on",
        "Press on something springy; check the cell's four wires",
    ),
    "saturated": (
        "{flagged} of {samples} load readings are at the limit of the amplifier's range",
        "Look for a loose wire, or press less hard",
    ),
    "torn words": (
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
    "bad lines": ("{lines} lines are corrupted", "Try another cable or port; check the baud rate"),
    "restarts": ("the rig restarted {restarts} times", "Check its power"),
    "encoder/steps": (
        "the scale made {steps} impossible steps at rest",
        "Check its wires and its reading head",
    ),
    "encoder/no_response": (
        "the load moved but the travel did not: the encoder does not respond",
        "Check the scale's wires and that its reading head moves with the quill",
    ),
    "no travel": (
        "{absent} of {samples} samples have no travel reading",
        "Check the scale's wires and battery",
    ),
    "no press": (
        "neither load nor travel moved: nothing was pressed, or neither responds",
        "Press again; if that does not help, check the wires of both",
    ),
    "backwards/either": (
        "the load falls as the quill goes down: the cell or the encoder is wired backwards",
        "Find out which: coilbench rig check --port PORT",
    ),
    "backwards/encoder": (
        "travel counts fall as the quill goes down: the encoder is wired backwards",
        "Swap the encoder's wires A and B, then calibrate the travel again",
    ),
    "backwards/encoder_swapped": (
        "the height grows as the quill goes down: the encoder's wires were swapped after it was "
        "calibrated",
        "Swap the encoder's wires A and B, then calibrate the travel again",
    ),
    "backwards/cell": (
        "the load falls as the quill goes down: the cell is wired backwards",
        "Swap the cell's two signal wires (often green and white), then calibrate again",
    ),
    "backwards/cell_swapped": (
        "the load falls as the quill goes down: the cell's wires were swapped after it was "
        "calibrated",
        "Swap the cell's two signal wires (often green and white), then calibrate again",
    ),
}

_PHRASES: dict[str, str] = INPUT_PHRASES | {
    # strokes
    "released_late": "not released in time",
    "cut_short": "cut short before it was released",
    "touched_at_start": "the samples began with the spring already touched",
    "stopped_early": "stopped at {lowest_mm}, {reach_height_mm} is required",
    "pressed_short": "pressed {depth_mm} deep, the others {usual_depth_mm}",
    "load_saturated": "the load exceeded the amplifier's range: press less hard",
    "travel_steps_missed": "the scale missed steps, heights are uncertain: check its wires",
    "zero_not_regained": "the load ended {zero_return_n:+} from where it began: let the quill up "
    "fully before each press",
    "few_samples": "only {samples} usable samples",
    "pressed_again": "pressed {presses} times before the release",
    "datum_lost": "the rig restarted and its travel count began again from 0, so heights are "
    "unknown; set the datum with: coilbench rig gauge --port PORT --datum LENGTH",
    "redone": "redone",
    "measured_again": "measured again",
    "a_copy": "a copy of another stroke of this spring",
    # a running capture
    "rig": "{firmware}, rig {device_id}",
    "connected": "connected to {source}: {firmware}, rig {device_id}",
    "capture_silent": "the capture has written nothing for {silent_s:.0f} s: is it still running?",
    "control_closed": "other windows can watch but not give commands ({reason})",
    "refused": "{reason}",
    "spring_pressed": "{action}: let the spring up first",
    "stroke_after_end": "the set is done; this stroke was not kept",
    "set_done": "the set {set} is done",
    "set_done_before": "the set {set} is done already",
    "held_open": "its last stroke can be redone for {linger_s:.0f} s; then the capture ends",
    "nothing_to_redo": "the last press did not count: nothing to redo",
    "redo": "{label}: the last stroke no longer counts",
    "back": "{label} is next again",
    "back_to_first_stroke": "{label} again from its first stroke; the earlier ones count until "
    "then",
    "renamed": "{label} is now called {new_label}",
    # a guided calibration
    "points_read": "all {points} are read",
    "point_wanted": "{point} of {points}: {task}",
    "quill_to_stop": "let the quill rise to its stop",
    "press_read": "the press is read",
    "press_block": "put a solid block under the quill, press slowly to at least {least_n} but "
    "never above what the cell or the press is rated for, and let go slowly",
    "stored_soon": "{task}; stored in {grace_s:g} s unless the last one is undone",
    "no_sample_yet": "no sample yet",
    "moving": "{counts:.0f} counts, moving",
    "steady": "{counts:.0f} counts, steady for {still_s:.1f} of {hold_s:g} s",
    "load_seen": "{load_n}, the highest so far {largest_n}",
    "block_read": "read {samples} samples up to {largest_n}",
    "pressed_too_little": "only {largest_n}: press again, harder",
    "nothing_to_undo": "nothing is read yet: nothing to undo",
    "point_undone": "point {point} is undone: move the quill or mass away once, then repeat it",
    "press_undone": "the press is undone",
    # a build file
    "lash_assumed": "lash isn't given: {lash_mm} assumed",
    "inner_offset_assumed": "inner_offset isn't given: {offset_mm} assumed, both springs stand at "
    "one height",
    "coil_bind_margin_assumed": "coil_bind_margin isn't given: {limit_mm} assumed, common practice",
    "max_shims_assumed": "max_shims isn't given: {shims} assumed",
    "min_clearance_assumed": "min_clearance isn't given: {limit_mm} assumed, common practice",
    # the calibration
    "scale_old": "the calibration of the scale {scale} is {age_days:.0f} days old, the limit is "
    "{limit_days:g}: calibrate it again before you measure, with coilbench rig weigh --scale",
    "check_failed": "the last check of the rig FAILED ({made_utc:.10}: {mass_kg} read "
    "{error_percent:+.2f} % off, {allowed_percent:.2f} % allowed): find the cause, then calibrate "
    "again with coilbench rig weigh",
}


class _Quantity(str):
    """A number with its unit; the format `+` writes its sign always."""

    __slots__ = ()

    def __format__(self, spec: str) -> str:
        return f"+{self!s}" if spec == "+" and not self.startswith("-") else str(self)


def _shown(facts: Mapping[str, Any], units: Units) -> dict[str, Any]:
    """Return facts as a phrase takes them: with units, and findings in them described."""
    writers: dict[str, Callable[[Any], str]] = {
        "n": units.load_text,
        "mm": units.length_text,
        "kg": units.mass_text,
    }
    shown: dict[str, Any] = {}
    for name, value in facts.items():
        writer = writers.get(name.rpartition("_")[2]) if "_" in name else None
        if isinstance(value, Mapping) and "kind" in value:
            shown[name] = describe(Finding.from_document(value), units)
        else:
            shown[name] = value if writer is None else _Quantity(writer(value))
    return shown


@describe.register
def _(finding: Finding, units: Units) -> str:
    what, hint = what_and_hint(finding, units)
    return what if hint is None else f"{what}. {hint}"


@describe.register
def _(sentence: str, units: Units) -> str:  # noqa: ARG001  as older books keep a finding
    return sentence


@describe.register
def _(turn: Turn, units: Units) -> str:  # noqa: ARG001
    return f"{turn.label}, {stroke_text(turn)}"


def stroke_text(turn: Turn) -> str:
    """Return which stroke of a spring it is: "stroke 2 of 3"."""
    kind = "conditioning press" if turn.purpose is Purpose.CONDITIONING else "stroke"
    return f"{kind} {turn.number} of {turn.wanted}"


def what_and_hint(finding: Finding, units: Units) -> tuple[str, str | None]:
    """Return what a finding says and, of the rig's health, what to do; without full stops.

    Raises:
        KeyError: there is no phrase of its kind.
    """
    facts, kind = finding.facts, finding.kind
    if kind in _SENTENCES:
        return _SENTENCES[kind](facts, units), None
    if kind in _PHRASES:
        return _PHRASES[kind].format_map(_shown(facts, units)), None
    if kind in ("fault", "rig_fault"):
        code = facts["code"]
        unknown = f"the rig reports the unknown fault {code:02X}", "Update coilbench"
        return _FAULTS.get(code, unknown)
    what, hint = _RIG[f"{kind}/{facts['cause']}" if "cause" in facts else kind]
    return what.format_map(_shown(facts, units)), hint


def note_text(note: str | None, units: Units) -> str | None:
    """Describe a stroke's note as the book keeps it: None for none."""
    return "; ".join(describe(one, units) for one in remarks_of(note)) or None


def _findings(documents: list[dict[str, Any]], units: Units) -> str:
    return "; ".join(describe(Finding.from_document(one), units) for one in documents)


def _stroke(facts: Mapping[str, Any], units: Units) -> tuple[str, str]:
    """Return which stroke of which spring, and in brackets what was found."""
    purpose, number, wanted = Purpose(facts["purpose"]), facts["stroke"], facts["strokes"]
    found = _findings(facts["findings"], units)
    turn = Turn(facts["label"], purpose, number, wanted)
    return describe(turn, units), f" ({found})" if found else ""


def _stroke_kept(facts: Mapping[str, Any], units: Units) -> str:
    which, found = _stroke(facts, units)
    load, height = units.load_text(facts["peak_n"]), units.length_text(facts["lowest_mm"])
    then = "" if facts["next_label"] is None else f". Next spring: {facts['next_label']}"
    return f"{which}: {load} at {height}{found}{then}"


def _stroke_refused(facts: Mapping[str, Any], units: Units) -> str:
    which, found = _stroke(facts, units)
    return f"{which}: {facts['status']}{found}; press it again"


def _samples_missing(facts: Mapping[str, Any], _units: Units) -> str:
    unusable = f", {facts['unusable']} unusable" if facts["unusable"] else ""
    lost = counted(facts["lost"], "sample")
    return f"{lost} lost in it{unusable}, the longest gap {facts['longest_s']:.2f} s"


def _skipped(facts: Mapping[str, Any], kept: str) -> str:
    label, after = facts["label"], facts["next_label"]
    return f"{label} {kept}; {'the set is done' if after is None else f'now {after}'}"


def _rescued(facts: Mapping[str, Any], _units: Units) -> str:
    strokes = counted(facts["strokes"], "unfinished stroke")
    return f"{strokes} rescued from a capture that was cut off; kept, but not counted"


def _last_sample(facts: Mapping[str, Any], units: Units) -> str:
    if facts["last_sample"] is None or facts["last_load_n"] is None:
        return ""
    load = units.load_text(facts["last_load_n"])
    return f" Last sample: number {facts['last_sample']}, {load}."


def _link_lost(facts: Mapping[str, Any], units: Units) -> str:
    return f"{facts['reason']}{_last_sample(facts, units)} Trying again."


def _no_sample(facts: Mapping[str, Any], units: Units) -> str:
    return (
        f"no sample for {facts['quiet_s']:.1f} s on {facts['source']}."
        f"{_last_sample(facts, units)} Check the cable, {_RIG_FIND}"
    )


def _put_mass(facts: Mapping[str, Any], units: Units) -> str:
    mass_kg = facts["mass_kg"]
    task = f"put {units.mass_text(mass_kg)} on" if mass_kg else "take everything off"
    return f"{task}, then hands off"


def _put_gauge(facts: Mapping[str, Any], units: Units) -> str:
    length_mm = facts["length_mm"]
    task = f"bring the quill down on the {units.length_text(length_mm)} gauge"
    return f"{task if length_mm else 'bring the faces together'}, lightly, and hold"


def _seems(facts: Mapping[str, Any], name: str, units: Units) -> str:
    kg, mm = facts.get(f"{name}_kg"), facts.get(f"{name}_mm")
    return units.length_text(mm) if kg is None else f"{units.mass_text(round(kg, 2) or 0.0)}"


def _read(facts: Mapping[str, Any], words: str, units: Units) -> str:
    seems = _seems(facts, "seems", units)
    return words if seems == "-" else f"{words}; {seems} by the points before"


def _load_read(facts: Mapping[str, Any], units: Units) -> str:
    words = f"read {facts['counts']:.0f} counts, noise {facts['noise_counts']:.0f}"
    return _read(facts, words, units)


def _point_refused(facts: Mapping[str, Any], units: Units) -> str:
    seems, wanted = _seems(facts, "seems", units), _seems(facts, "wanted", units)
    return (
        f"not taken: it reads as {seems}, and {wanted} is required; if an earlier point is wrong, "
        "undo it"
    )


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


def _mixed_rigs(facts: Mapping[str, Any], _units: Units) -> str:
    parts = ", ".join(f"the {kind} on {device}" for kind, device in facts["rigs"].items())
    return (
        f"the calibration is of different rigs ({parts}): calibrate load, travel and flex on the "
        "rig that you measure with"
    )


def _calibrated(facts: Mapping[str, Any], units: Units) -> str:
    words = f"calibrated {_ago(facts['age_days'])}"
    if facts["check_kg"] is None:
        words += "; not checked since"
    else:
        mass = units.mass_text(facts["check_kg"])
        verdict = "passed" if facts["check_passed"] else "FAILED"
        words += f"; check with {mass} {verdict} {_ago(facts['check_age_days'])}"
    warning = facts["warning"]
    if warning is None:
        return words
    return f"{words}. WARNING: {describe(Finding.from_document(warning), units)}"


def _ago(days: float) -> str:
    if days < 0.0:
        return "at a later date than today: check the clock"
    if days < 1.0:
        return "within a day"
    return f"{days:.0f} days ago" if days >= 1.5 else "a day ago"


_SENTENCES: dict[str, Callable[[Mapping[str, Any], Units], str]] = (
    INPUT_SENTENCES
    | BUILD_SENTENCES
    | {
        "stroke_kept": _stroke_kept,
        "stroke_refused": _stroke_refused,
        "samples_missing": _samples_missing,
        "rig_fault_over": lambda f, _u: f"over: {what_and_hint(Finding('rig_fault', f), _u)[0]}",
        "strokes_rescued": _rescued,
        "link_lost": _link_lost,
        "no_sample": _no_sample,
        "skipped": lambda f, _u: _skipped(f, "put off: it comes after the others"),
        "skipped_again": lambda f, _u: _skipped(f, "keeps its earlier strokes"),
        "put_mass": _put_mass,
        "put_gauge": _put_gauge,
        "load_read": _load_read,
        "travel_read": lambda f, u: _read(f, f"read {f['counts']:.1f} counts", u),
        "point_refused": _point_refused,
        "calibration_old": _calibration_old,
        "mixed_rigs": _mixed_rigs,
        "calibrated": _calibrated,
    }
)
