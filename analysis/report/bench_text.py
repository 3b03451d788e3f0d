"""The sentence of each finding of a running capture: strokes, alarms, questions, turns, link."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from coilbench.analysis.report.document import describe, filled, first_few
from coilbench.analysis.report.question_text import QUESTION_SENTENCES, presses_of, presses_text
from coilbench.analysis.report.units import Units
from coilbench.capture.running.commands import Event
from coilbench.capture.running.kinds import COUNTS, EventKind
from coilbench.capture.strokes.judging import Purpose, Turn
from coilbench.capture.units import counted

WHY_DATUM = "the rig restarted and counts travel from 0 again, so heights are unknown"
AS_LOADED = "treat the spring as loaded"
LET_UP = "let the quill up"
_OTHER = "the datum is wrong, or this is another spring"

BENCH_PHRASES: dict[str, str] = {
    # strokes
    "released_late": "not released in time: let the quill up until the spring is free",
    "zero_loaded": "{load_n} lay on the cell before the press: the spring was touched already, or "
    "the cell's zero has moved; before each press let the quill up until the spring is free",
    "cut_short": "cut short before it was released",
    "capture_unclosed": "the capture ended without closing the book",
    "touched_at_start": "the samples began with the spring already touched",
    "stopped_early": "stopped at {lowest_mm}, {reach_height_mm} is required",
    "pressed_short": "pressed {depth_mm} deep, the others {usual_depth_mm}",
    "load_saturated": "the load exceeded the amplifier's range: press less hard",
    "travel_steps_missed": "the scale missed steps, heights are uncertain: check its wires",
    "zero_not_regained": "the load ended {zero_return_n:+} from where it began: before each press "
    "let the quill up fully; where it was up, the cell or its amplifier drifts",
    "few_samples": "only {samples} usable samples",
    "too_fast": "only {samples} samples: over before the rig's conversions could follow",
    "pressed_again": "pressed {presses} times before the release",
    "redone": "redone",
    "datum_replaced": "read by a datum that another one contradicts",
    "left_out": "left out, the spring's other strokes agree without it",
    "measured_again": "measured again",
    "reading_replaced": "replaced by another reading",
    "reading_removed": "removed by hand",
    "free_length_changed": "typed as a depth: with the free length of today it is another height",
    "a_copy": "a copy of another stroke of this spring",
    "damaged": "damaged in the book",
    # what cannot be right in the press
    "datum_lost": f"{WHY_DATUM}: no press counts until the datum is set (d)",
    "overload_near": "{load_n} is near the {rating_n} that the {part} may bear: press no further",
    "overload": "{load_n} is more than the {rating_n} that the {part} may bear",
    "amplifier_at_limit": "the load is beyond the amplifier's range, so nobody knows how hard the "
    "press pushes",
    "load_still": "the height moved by {moved_mm} and the load stands still at {load_n}, so it is "
    "not known: check the cell and its amplifier",
    "below_faces": "the faces cannot be at {height_mm}: the datum is wrong, or the travel scale "
    "runs backwards",
    "below_solid": f"{{height_mm}} lies below the solid height of {{solid_height_mm}}: {_OTHER}",
    "above_free": "{load_n} at {height_mm}, above the free length of {free_length_mm}: something "
    f"lies on the cell, {_OTHER}",
    "travel_dead": "the load rose to {load_n} and the height did not move: check the travel "
    "scale's wires and its reading head",
    "travel_reversed": "the load rose to {load_n} while the height rose by {rose_mm}: the travel "
    "scale runs backwards",
    "load_dead": "pressed from {touch_mm} to {height_mm} and no load: check spring, cell "
    "and amplifier (a gauge, for a datum? press d first)",
    "zero_moved": "with nothing pressed the cell now reads {load_n} ({moved_n:+}), which counts as "
    "nothing from here on: what lies on it? nothing: the cell or its amplifier drifts",
    "lies_on_cell": "{load_n} on the cell with the quill at its stop; take off what lies there. "
    "Nothing does: the cell's zero has moved, coilbench rig weigh. A spring that reaches up to the "
    "quill: set the stop higher",
    "travel_jumped": "the travel scale jumped by {jump_mm:+} at {height_mm}, from one sample to "
    "the next",
    "datum_doubted": "heights are in doubt: {why}",
    "touched_low": "touched only at {touch_mm}, where {free_length_mm} is the free length: another "
    "spring, or the datum is wrong",
    "loaded_from_start": "{load_n} on the cell, and no moment without load was seen since the "
    "reading began or was interrupted: let the quill up until the spring is free; where nothing "
    "is pressed, the cell's zero has moved: coilbench rig weigh",
    "load_reversed": "the load falls to {load_n} as the quill goes down: the cell is wired "
    "backwards",
    "no_travel": "the rig says that its travel scale is absent, so no sample counts; check the "
    "scale's cable and its battery",
    "no_reading": "samples arrive, but none has a load that can be used; check the cell and its "
    "amplifier",
    # the link
    "rig": "{firmware}, rig {device_id}",
    "connected": "connected to {source}: {firmware}, rig {device_id}",
    "capture_silent": "the capture has written nothing for {silent_s:.0f} s: is it still running?",
    # turns
    "no_spring_has_the_turn": "the set is done: no spring has the turn",
    "only_spring_left": "{label} is the only spring left",
    "first_spring": "this is the first spring of the set",
    "no_such_spring": "the set has no spring {label}",
    "rename_refused": "{label} can't be called {new_label}: a label has 1 to 60 printable "
    "characters, no comma or semicolon, no blank at its ends, no dash first, and belongs to one "
    "spring of the set",
    "stroke_after_end": "the set is done; this stroke was not kept",
    "stroke_before_up": "this press was not kept: let the quill up fully, so that others count",
    "set_done": "the set {set} is done",
    "set_done_before": "the set {set} is done already",
    "held_open": "its last stroke can be redone for {linger_s:.0f} s; then the capture ends",
    "accept_alone": "accept: nothing is asked, and a press that is kept counts by itself; accept "
    "twice within 2 s skips this spring",
    "nothing_to_redo": "no press to take back: none counted since",
    "redo_wanted": "{label}: the last press did not count, so it is still wanted: press it again",
    "worked_short": "it works the spring: the press before went {short_mm} less deep",
    "counts_once_up": "counts for good once the quill is seen at its stop: let it up fully",
    "other_taken_out": "{label}: its presses no longer count; it comes after the others; press "
    "{now} again",
    "redo": "{label}: the last stroke no longer counts",
    "redo_before": "{label}: the press before the last no longer counts, nor does "
    "the last; press it again",
    "those_before_taken_out": "{label}: its presses no longer count; press it from its first one",
    "back": "{label} is next again",
    "back_to_first_stroke": "{label} again from its first stroke; the earlier ones count until "
    "then",
    "renamed": "{label} is now called {new_label}",
    "accepted": "{label}: the press counts, as you said",
    "taken_out": "{label}: that press does not count; take the spring out and put {label} in",
    "not_counted": "{label}: that press does not count",
    "solid_seen": "the coils of {label} touched near {solid_mm} (± {u_mm}): keep that as its solid "
    "height? The load of that press does not count",
    "solid_kept": "{label}: solid height {solid_mm} ± {u_mm} is kept",
    "solid_left": "{label}: no solid height is kept of that press",
    "solid_refused": "{label}: {solid_mm} can't be its solid height, beside what is known of it",
    "gauge_awaited": "bring the quill lightly down on the gauge",
    "gauge_not_awaited": "no gauge is awaited now",
    "datum_kept": "the datum stays as it was",
    "datum_holds": "the datum has not moved: the spring is pressed at the heights it had, and the "
    "quill's stop is where it was",
    "datum_at_stop": "the travel scale did not slip: the quill is at its stop again",
    "press_was_another": "another spring was pressed, as you said: that says nothing of the travel "
    "scale",
    "datum_said": "the datum holds, as you said",
    "stop_was_lower": "before it the quill rested {moved_mm} lower than it does since: a hand held "
    "it, or the travel scale slipped; a gauge tells (d)",
    "waits_for_next": "{label}: the press waits for the spring's next one, which shows whether the "
    "travel scale slipped: the quill rested {moved_mm} higher than where its stop was taken to be",
    "gauge_said": "counts by your word that a gauge was {height_mm}: it made heights {moved_mm:+} "
    "other, and only ± {u_mm} can be explained",
    "heights_said": "counts by your word that its heights are right; against it: {why}",
    "stop_moved": "let up, the quill stands {moved_mm:+} from where its stop was: the travel scale "
    "slipped, or a hand held the quill where its stop seemed to be",
    "quill_low": "the quill reads {moved_mm:abs} below its stop since: not let up, or the scale "
    "slipped",
    "given_back": "{label}: the press counts: the travel scale did not slip",
    "datum_to_set": "no press counts until the datum is set again (d)",
    "goes_on": "the capture goes on",
}
_MARKS = {
    EventKind.KEPT: "+ ",
    EventKind.WAITS: "~ ",
    EventKind.REFUSED: "! ",
    EventKind.FAULT: "! ",
    EventKind.QUESTION: "? ",
}
_STATUSES = {"gapped": "samples are missing", "interrupted": "interrupted"}
_CURES = {
    "press_again": "press it again",
    "look_at_it": "look which spring it is; if it is the right one, set the datum again",
    "press_less": "press it again, less hard",
    "press_shorter": "press it again, less far",
    "press_slower": "press it again, more slowly",
    "let_up": "let the quill up fully: then it counts; if it is up, set the datum (d)",
    "set_datum": "set the datum (d), then press it again",
    "mend_rig": "mend that first, then press it again",
    "answer_first": "answer the question first",
    "answer": "answer what is asked, or set the datum (d); else press it again",
}
_DATUM_REFUSED = {
    "below_cups": "the cups meet above that length: give that of the gauge on the spring's seats",
    "not_steady": "the quill moves: hold it still on the gauge, then give the length again",
    "leaning": "the quill presses: bring it down lightly, then give the length again",
    "no_touch": "the quill stands in the air: bring it down on the gauge until it touches lightly",
    "not_seen_down": "let the quill up, then bring it lightly down on the gauge",
    "no_reading": "the rig gives no reading now: look at the link first",
    "absolute": "this travel scale keeps its own datum: calibrate it with coilbench rig gauge",
    "spring_pressed": "a spring is pressed: let it up, and take it out first",
    "out_of_range": "no gauge of that length fits this press",
}


@describe.register
def _(turn: Turn, units: Units) -> str:  # noqa: ARG001
    return f"{turn.label}, {stroke_text(turn)}"


def event_mark(event: Event) -> str:
    """Return what an event's line begins with: + a press counts, ~ it waits, ! it was refused, or
    a fault, ? a question.
    """
    return _MARKS.get(event.kind) or ("+ " if event.what.kind in COUNTS else "  ")


def stroke_text(turn: Turn) -> str:
    """Return which stroke of a spring it is: "stroke 2 of 3"."""
    kind = "conditioning press" if turn.purpose is Purpose.CONDITIONING else "stroke"
    return f"{kind} {turn.number} of {turn.wanted}"


def slipped(f: Mapping[str, Any], units: Units) -> str:
    """Say that the load jumped in mid stroke, or that heights did."""
    if "moved_mm" in f:
        words = "heights moved by {moved_mm:+} inside the press, near {height_mm}"
        words += " on the way {way}" if f.get("way") else ""
        return filled(words + ": the travel scale or the spring slipped", f, units)
    word = "lost" if f["step_n"] < 0.0 else "gained"
    words = "the load suddenly {word} {step_n:abs} near {height_mm} on the way {way}: it slipped "
    return filled(words + "in its cup, or the cup did", f, units, word=word)


def cocked(f: Mapping[str, Any], units: Units) -> str:
    """Say that a spring stood askew, and how that showed."""
    if "loop_share" in f:
        words = "its friction loop is {loop_share:.1%} of the load wider than the others': the "
        words += "spring was tilted and rubbed"
    else:
        words = "it was touched {early_mm} early: the spring was tilted; its loads are up to "
        words += "{off_share:.1%} off the others'"
    return filled(words, f, units)


def apart(f: Mapping[str, Any], units: Units) -> str:
    """Say that a stroke differs from the spring's others."""
    words = "its loads are up to {off_share:.1%} off the other strokes' over most heights: the "
    words += "spring sat otherwise, the rig moved, or it is another spring"
    if f["others"] == 1:
        words = "its loads are {off_share:.1%} off the other stroke's: press it once more to tell "
        words += "which is the odd one"
    return filled(words, f, units)


def _left_out(f: Mapping[str, Any], units: Units) -> str:
    found = "; ".join(describe(one, units) for one in f["findings"])
    return f"{f['label']}: its stroke {f['stroke']} no longer counts ({found}); press once more"


def _coils_bind(f: Mapping[str, Any], units: Units) -> str:
    words = "the load leaps to {load_n} at {height_mm}, many times as steeply as before"
    if f.get("solid_mm") is None:
        return filled(f"COILS BIND? {words}", f, units)
    words += ", far above the solid height of {solid_mm}: does the travel scale stand still, or is "
    return filled(words + "this another spring?", f, units)


def _beside_the_set(f: Mapping[str, Any], units: Units) -> str:
    word = "weak" if f["off_share"] < 0.0 else "stiff"
    words = "{word}? {load_n} at {height_mm}, where the other {others} have about {usual_n}"
    return filled(words, f, units, word=word)


def _datum_set(f: Mapping[str, Any], units: Units) -> str:
    words, presses = "the datum is set: the faces stand at {height_mm}", f.get("presses", 0)
    if f.get("moved_mm") is not None:
        words += "; heights are {moved_mm:+} other than before (± {u_mm})"
        if f.get("as_closed"):
            words += ", as the closing press showed: the first spring's presses before that count"
    elif presses:
        words += "; nothing tells whether the datum before agrees, by which {many} read: a spring "
        words += "that has one is compared when it is pressed again"
    if f.get("differs") and f.get("others"):
        words += "; presses of {others} were read by the one before, too"
    many = f"{presses_text(presses)} {'was' if presses == 1 else 'were'}"
    return filled(words, f, units, many=many, others=first_few(f.get("others", ())))


def _presses(f: Mapping[str, Any], words: str) -> str:
    whose = f", {presses_of(f)}" if f.get("labels") else ""
    by = "before the closing press" if f.get("closing") else "by the datum before"
    return f"{presses_text(f['presses'])} {by}{whose}: {words}"


def _press_open(f: Mapping[str, Any]) -> str:
    more = ", and the next capture asks whether heights are right" if f["heights"] else ""
    return f"{f['label']}: nobody said whether the last press counts: it does not{more}"


def _presses_kept(f: Mapping[str, Any], _units: Units) -> str:
    words = "they count, as you said"
    if f.get("by") == "slipped_later":
        words = "they count: the quill was at its stop after each, and the scale slipped later"
    return _presses(f, words)


def _counts_now(f: Mapping[str, Any], _units: Units) -> str:
    do = "counts" if f["presses"] == 1 else "count"
    return f"the quill is at its stop again: {presses_text(f['presses'])} that waited {do} for good"


def _waits_for_stop(f: Mapping[str, Any], _units: Units) -> str:
    one = f["presses"] == 1
    many = "the press waits, and counts" if one else f"{f['presses']} presses wait, and count"
    return f"{f['label']}: {many} for good once the quill is seen at its stop: let it up fully"


def _rivals(f: Mapping[str, Any], _units: Units) -> str:
    many = f.get("presses", 1)
    count = "an earlier press counts" if many == 1 else f"{many} earlier presses count"
    return f"{f['label']}: {count}, too, agreeing with this one"


def _hasty(f: Mapping[str, Any], _units: Units) -> str:
    usual_s, one = f["usual_s"], f.get("others") == 1
    others = "" if usual_s is None else f", the other{'' if one else 's'} {usual_s:.2f} s"
    least_s = f.get("least_s")
    least = "" if least_s is None else f"; take {least_s:.1f} s or more from touch to turn"
    return f"one way took {f['way_s']:.2f} s{others}: too fast for loads that are well known{least}"


def _stroke(facts: Mapping[str, Any], words: str, units: Units) -> str:
    turn = Turn(facts["label"] or "", Purpose(facts["purpose"]), facts["stroke"], facts["strokes"])
    whose = describe(turn, units) if facts["label"] else "a press"
    if any(one.get("closes") for one in facts["findings"]):
        whose = f"{turn.label}, closing press"
    found = "; ".join(describe(one, units) for one in facts["findings"])
    return filled(f"{{whose}}: {words}", facts, units, whose=whose,
                  found=f" ({found})" if found else "")  # fmt: skip


def _stroke_kept(facts: Mapping[str, Any], units: Units) -> str:
    then = "" if facts["next_label"] is None else ". Next spring: {next_label}"
    waits = any(one["kind"] == "counts_once_up" for one in facts["findings"])
    words = f"{'it waits: ' if waits else ''}{{peak_n}} at {{lowest_mm}}"
    if "peak_u_n" in facts:  # else of an older capture
        give = "± {lowest_u_mm}"
        if facts["lowest_u_mm"] is None:
            give = "the press's give is not measured"
        words += f" (rig: ± {{peak_u_n}}, {give})"
    return _stroke(facts, words + "{found}" + then, units)


def cure_text(facts: Mapping[str, Any]) -> str:
    """Return what to do after a stroke was refused."""
    what, times = facts.get("cure", "press_again"), facts.get("times", 1)
    if times > 1 and what == "press_again":
        what = "mend_rig"  # to press once more has not helped
    said = _CURES.get(what, _CURES["press_again"])
    return f"the same {times} times running: {said}" if times > 1 else said


def _stroke_refused(facts: Mapping[str, Any], units: Units) -> str:
    what = _STATUSES.get(facts["status"], "does not count")
    if facts.get("cure") == "answer_first":  # that says why
        words = "it waits" if facts.get("waits") else f"{what}{{found}}"
        return _stroke(facts, f"{words}; {cure_text(facts)}", units)
    if facts.get("waits"):
        what = "it waits, and counts if the travel scale did not slip"
    return _stroke(facts, f"{what}{{found}}; {cure_text(facts)}", units)


def _samples_missing(facts: Mapping[str, Any], _units: Units) -> str:
    counts = [f"{counted(facts['lost'], 'sample')} lost"] if facts["lost"] else []
    counts += [f"{facts['unusable']} unusable"] if facts["unusable"] else []
    return f"{', '.join(counts) or 'no sample lost'}, the longest gap {facts['longest_s']:.2f} s"


def _skipped(facts: Mapping[str, Any], kept: str) -> str:
    label, after = facts["label"], facts["next_label"]
    return f"{label} {kept}; {'the set is done' if after is None else f'now {after}'}"


def _asked(facts: Mapping[str, Any]) -> str:
    return str(facts["action"]).replace("_", " ")


def _turn_has_passed(facts: Mapping[str, Any], _units: Units) -> str:
    now = "the set is done" if facts["now"] is None else f"it is {facts['now']}'s turn"
    return f"{_asked(facts)} was meant for {facts['meant']}, but {now}"


def _rescued(facts: Mapping[str, Any], _units: Units) -> str:
    each = [
        f"{one['label']} of set {one['set']}, {counted(one['samples'], 'sample')} over "
        f"{one['seconds']:.1f} s"
        for one in facts.get("rescued", ())
    ]
    whose = f" ({first_few(each)})" if each else ""
    return (
        f"{counted(facts['strokes'], 'unfinished stroke')} rescued from a capture that was cut "
        f"off{whose}; kept, but not counted{_unread(facts)}"
    )


def _unread(facts: Mapping[str, Any]) -> str:
    lost, doubted, asked = (facts.get(name, 0) for name in ("unread", "doubted", "asked"))
    said = (
        f"; {counted(lost, 'unfinished stroke')} could not be rescued, being damaged: press again"
    )
    unsure = f"; {counted(doubted, 'stroke')} left out, the heights being in doubt: press again"
    open_ = f"; {counted(asked, 'stroke')} left out till you say whether they count"
    return (said if lost else "") + (unsure if doubted else "") + (open_ if asked else "")


def _cut_off(facts: Mapping[str, Any], _units: Units) -> str:
    when = "" if facts.get("unread") else " between presses"
    are = "is" if facts["kept"] == 1 else "are"
    return (
        f"the last capture was cut off{when}; {counted(facts['kept'], 'stroke')} of it {are} kept"
        f"{_unread(facts)}"
    )


BENCH_SENTENCES: dict[str, Callable[[Mapping[str, Any], Units], str]] = {
    **QUESTION_SENTENCES,
    "spring_pressed": lambda f, _u: f"{_asked(f)}: let the spring up first",
    "no_question": lambda f, _u: f"{_asked(f)}: nothing was asked",
    "too_soon": lambda f, _u: f"{_asked(f)}: read the question first, then answer it",
    "slipped": slipped,
    "cocked": cocked,
    "apart": apart,
    "stroke_left_out": _left_out,
    "coils_bind": _coils_bind,
    "datum_set": _datum_set,
    "presses_kept": _presses_kept,
    "presses_left": lambda f, _u: _presses(f, "they do not count; press these springs again"),
    "press_open": lambda f, _u: _press_open(f),
    "presses_open": lambda f, _u: _presses(
        f, "nobody said whether they count: they do not, and the next capture asks again"
    ),
    "counts_now": _counts_now,
    "waits_for_stop": _waits_for_stop,
    "rival_agrees": _rivals,
    "hasty": _hasty,
    "beside_the_set": _beside_the_set,
    "cut_off_before": _cut_off,
    "stroke_kept": _stroke_kept,
    "stroke_refused": _stroke_refused,
    "datum_refused": lambda f, _u: f"no datum: {_DATUM_REFUSED[f['reason']]}",
    "samples_missing": _samples_missing,
    "strokes_rescued": _rescued,
    "turn_has_passed": _turn_has_passed,
    "skipped": lambda f, _u: _skipped(f, "postponed: it comes after the others"),
    "skipped_again": lambda f, _u: _skipped(f, "keeps its earlier strokes"),
}
