"""The sentence of each finding of a guided calibration: tasks, readings, questions, and why not."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from coilbench.analysis.report.document import filled
from coilbench.analysis.report.units import Units, fixed
from coilbench.capture.units import counted

GUIDE_PHRASES: dict[str, str] = {
    "points_read": "all {points} are read",
    "point_wanted": "{point} of {points}: {task}",
    "quill_to_stop": "let the quill rise to its stop",
    "press_read": "the press is read",
    "press_block": "put a gauge or block in place of the spring, stop nuts just below the "
    "crosshead, press slowly to at least {least_n} but never above what the cell or the press is "
    "rated for, and let go slowly",
    "stored_soon": "{task}; stored in {grace_s:g} s unless the last one is undone",
    "no_sample_yet": "no sample yet",
    "unsure_load": "the amplifier's readings are not sure: waiting for sure ones",
    "unsure_travel": "the travel scale gives no valid reading: is it switched on?",
    "standing": "{counts:.0f} counts: {why}",
    "stop_awaited": "waiting for the quill at its stop: {seen}",
    "mass_still_on": "as at the last reading: mass still on?",
    "cell_empty": "nothing is on the cell: waiting for {mass_kg}",
    "quill_not_moved": "where it was at the last reading: waiting for the next gauge",
    "at_stop": "the quill rests: at its stop? Waiting for it on the {length_mm} gauge; if it "
    "stands on one already, let it up to its stop first",
    "lift_once": "lift it once, then repeat",
    "in_question": "not taken, see above",
    "nothing_to_take": "no reading is in question",
    "no_touch": "not a gauge: the load on the cell rose by {rise_n} only as the quill came down, "
    "so it touches nothing. Bring it down on the {length_mm} gauge, lightly",
    "no_gauge": "that is hardly a gauge: {load_n} more than at the quill's stop lay on the cell "
    "before the quill stood there, and {now_n} with it. A spring? Take it out and put the gauge in",
    "leaning": "pressed with {load_n}, and the press gives: hold more lightly",
    "steady": "{counts:.0f} counts, steady for {still_s:.1f} of {hold_s:g} s",
    "unsure_press": "no sure reading of load and travel: waiting for one",
    "loaded_already": "{load_n} on the cell already: let the quill up and take everything off; if "
    "nothing is on it, its zero has moved: coilbench rig weigh",
    "press_awaited": "{load_n}: waiting for the quill to press on the block",
    "load_seen": "{load_n}, the highest so far {largest_n}: press to {least_n}",
    "let_go_awaited": "{load_n}, the highest so far {largest_n}: enough, let go to below {end_n}",
    "no_give": "up to {largest_n}, and the quill did not go down: every press gives. Was the block "
    "pressed by the quill, and does the travel scale follow it?",
    "block_read": "read {samples} samples up to {largest_n}",
    "pressed_over": "up to {load_n}, more than the {rating_n} that the {part} may bear: not taken "
    "unasked; see first that the cell comes back to its zero",
    "spring_no_block": "that is a spring, not a block: it gives way at {load_n} already. Let the "
    "quill up, take it out and put a solid block in; nothing is taken of this press",
    "pressed_fast": "only {samples} samples of this press, too few to see how late the load is "
    "shown: not taken. Press and let go again, so slowly that {fewest} come",
    "pressed_too_little": "only {largest_n}: press again, harder",
    "stop_at": "The quill's upper stop was read at {stop_mm}, by which the next calibration is "
    "compared",
    "as_closed": "The heights differ from the datum before by just what a closing press showed: "
    "{moved_mm:+}",
    "heights_agree": "The heights agree with the calibration before: {moved_mm:+} at the most",
    "heights_moved": "The heights are not those of the calibration before: {moved_mm:+}, where "
    "{allowed_mm} would be chance",
    "offset_unchecked": "A shift of all lengths alike was not checked: the faces were not put "
    "together, and no calibration before tells",
    "zero_unchecked": "Whether the cell was empty at the zero was not checked: no calibration "
    "before tells, and what lies on it all the time shifts all masses alike",
    "nothing_to_undo": "nothing is read yet: nothing to undo",
    "point_undone": "point {point} is undone: lift the quill or mass once, then repeat it",
    "press_undone": "the press is undone",
}


def _seems(facts: Mapping[str, Any], name: str, units: Units) -> str:
    """Write a mass or length that a point reads as; "-" where the points before don't tell."""
    kg, mm = facts.get(f"{name}_kg"), facts.get(f"{name}_mm")
    if kg is None:
        return units.length_text(mm)
    return f"{fixed(units.mass_value(kg), 2)} {units.mass}"


def _read(facts: Mapping[str, Any], words: str, units: Units) -> str:
    seems = _seems(facts, "seems", units)
    words = filled(words, facts, units)
    return words if seems == "-" else f"{words}; {seems} by the points before"


def _point_refused(facts: Mapping[str, Any], units: Units) -> str:
    listed, blamed = _seems(facts, "listed", units), _seems(facts, "blamed", units)
    which = "which is none of the list" if listed == "-" else f"the {listed} of the list"
    by = "by the calibration before, it" if facts.get("standing") else "it"
    wrong = "if an earlier point is wrong, undo it"
    if facts.get("wanted_mm") == 0.0:
        off = _seems({"off_mm": abs(facts["seems_mm"])}, "off", units)
        return (
            f"rejected: the faces together read as {_seems(facts, 'seems', units)}: every length "
            f"is out by {off} alike, or the faces do not touch; undo, or start again with --afresh"
        )
    if blamed != "-":
        wrong = f"without the {blamed} all others agree: see that one first"
    return (
        f"rejected: {by} reads as {_seems(facts, 'seems', units)}, {which}, and "
        f"{_seems(facts, 'wanted', units)} is required; {wrong}"
    )


def _left_on(facts: Mapping[str, Any], units: Units) -> str:
    off, less = _seems({"off_kg": abs(facts["left_kg"])}, "off", units), facts["left_kg"] < 0.0
    if not facts["since"]:
        return (
            f"rejected: by the calibration before, {off} {'less than nothing' if less else ''} "
            "lies on the cell. Take everything off; if nothing is on it, its zero has moved"
        ).replace("  ", " ")
    if less:
        return (
            f"rejected: it reads {off} less than with nothing on it at first. If something was on "
            "it then, undo back to there"
        )
    return (
        f"rejected: it reads {off} more than with nothing on it at first. Is something left on it, "
        "or does the quill touch?"
    )


def _stop_higher(facts: Mapping[str, Any], _units: Units) -> str:
    lost = facts["lost"]
    undone = f", and what was read since is undone ({counted(lost, 'point')})" if lost else ""
    return (
        f"the quill is higher than where it was taken to be at its stop: that was no stop{undone}"
    )


def _quill_moved(facts: Mapping[str, Any], units: Units) -> str:
    moved = units.length_text(facts["moved_mm"])
    by = f"{facts['moved_counts']:.0f} counts" if moved == "-" else moved
    return (
        f"rejected: the quill stands {by} from where it stood with nothing on the cell, and a mass "
        "does not move it: this is no mass, or something pressed then. Let the quill up and put "
        "the mass on; if it is up, it was down when nothing was on the cell: undo back to there (u)"
    )


def _step_off(facts: Mapping[str, Any], units: Units) -> str:
    steps = _steps(facts, units)
    if "wanted_mm" not in facts:
        return f"{steps}, which the gauges contradict: one of them may not be what it was taken for"
    return (
        f"rejected: with the point before, it makes {steps}; by that it reads as "
        f"{_seems(facts, 'seems', units)}, and {_seems(facts, 'wanted', units)} is required. Is "
        "the quill down on it? If the point before is wrong, undo it"
    )


def _steps(facts: Mapping[str, Any], units: Units) -> str:
    gauged, stated = (
        units.length_value(facts[name]) for name in ("mm_per_count", "stated_mm_per_count")
    )
    return f"{gauged:.4g} {units.length} a count, and the scale states {stated:.4g}"


def _moving(facts: Mapping[str, Any], units: Units) -> str:
    by, counts = _seems(facts, "by", units), facts["by_counts"]
    if by == "-" and counts is None:
        return filled("{counts:.0f} counts, moving", facts, units)
    return f"{facts['counts']:.0f} counts, still moving by {by if by != '-' else f'{counts:.0f}'}"


GUIDE_SENTENCES: dict[str, Callable[[Mapping[str, Any], Units], str]] = {
    "put_mass": lambda f, u: filled(
        f"{'put {mass_kg} on' if f['mass_kg'] else 'take everything off'}, then hands off", f, u
    ),
    "put_gauge": lambda f, u: filled(
        "bring the quill down on the {length_mm} gauge on the seats, lightly, and hold"
        if f["length_mm"]
        else "bring the seats together, lightly, and hold (cups meet before: then take a gauge)",
        f,
        u,
    ),
    "load_read": lambda f, u: _read(f, "read {counts:.0f} counts, noise {noise_counts:.0f}", u),
    "travel_read": lambda f, u: _read(f, "read {counts:.1f} counts", u),
    "point_refused": _point_refused,
    "left_on": _left_on,
    "zero_off": lambda f, u: (
        f"At the zero the cell read {_seems(f, 'left', u)} by the calibration before, and it was "
        "taken all the same"
    ),
    "quill_moved": _quill_moved,
    "stop_higher": _stop_higher,
    "step_off": _step_off,
    "step_agrees": lambda f, u: f"By the gauges {_steps(f, u)}",
    "moving": _moving,
}
