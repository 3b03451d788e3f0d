"""The sentence of each question of a running capture."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from coilbench.analysis.report.document import describe, filled, first_few
from coilbench.analysis.report.units import Units
from coilbench.capture.units import counted

WRONG_SPRING = ("another_spring", "touched_low")
QUESTIONS = {
    **dict.fromkeys(WRONG_SPRING, "WRONG SPRING?"),
    "datum_moved": "DATUM RIGHT?",
    "datum_doubted": "DATUM RIGHT?",
    "sits_otherwise": "SAME SPRING?",
    "datum_differs": "GAUGE RIGHT?",
    "strokes_in_doubt": "KEEP THEM?",
    "solid_seen": "SOLID HEIGHT?",
    "same_again": "KEEP IT?",
    "finish_unfinished": "END NOW?",
}
ANY_QUESTION = "YES OR NO?"


def presses_text(presses: int) -> str:
    """Return how many presses, in words."""
    return "1 press" if presses == 1 else f"{presses} presses"


_SPRINGS_NAMED = 12  # whose presses are about to go


def presses_of(f: Mapping[str, Any]) -> str:
    """Name springs and how many presses of each."""
    labels = f.get("labels", ())
    each = f.get("each") or [None] * len(labels)
    of = zip(labels, each, strict=True)
    named = [label if many is None else f"{label} ({many})" for label, many in of]
    return first_few(named, _SPRINGS_NAMED)


def _same_again(f: Mapping[str, Any], units: Units) -> str:
    found = "; ".join(describe(one, units) for one in f["findings"])
    return f"{f['label']}, {f['times']} times running: {found}; is that how this spring is?"


def _one_of_two(f: Mapping[str, Any], units: Units) -> str:
    """Say that two springs, all that are known, do not press alike, and what tells which is odd."""
    if f["reason"] == "crosses":
        word = "stiffer and shorter" if f["off_share"] > 0.0 else "softer and longer"
        words = f"{{label}} is {word} than {{other}}"
    else:
        words = "{label} has {load_n} at {height_mm}, {other} {usual_n}"
    if f.get("alike"):
        words += (
            f"; {first_few(f['alike'])} pressed like {{label}}: {{other}} seems to be the wrong one"
        )
    else:
        third = f.get("third", "a third spring")  # not known yet while it is pressed
        third = "" if third is None else f"{third} (s) or "
        words += f": either may be the wrong one; {third}{{other}} again (b) tells which"
    many = f.get("other_presses")
    if many is not None:
        words += f". If {{other}} is wrong: r, its {presses_text(many)} no longer count"
    return filled(words, f, units)


def _either(f: Mapping[str, Any]) -> str:
    """Say what to do where the spring, or the press before, was the wrong one."""
    if f.get("closes"):  # the press before was another spring's
        return "; press {label} itself once more"
    return "; if the one before was of the wrong spring, r takes that one back"


def _another_spring(f: Mapping[str, Any], units: Units) -> str:
    if f["reason"] == "nominal":
        words = "this does not press like {label}: {load_n} at {height_mm}, nominal is {usual_n}"
        return filled(words, f, units)
    if f["reason"] == "apart":
        words = (
            "are these presses of one spring? its loads are {off_share:+.1%} off those of {label} "
        )
        agree = ", where its presses before agree within {repeat_share:.1%}"
        words += f"before{agree if 'repeat_share' in f else ''}{_either(f)}"
        return filled(words, f, units)
    if f.get("other") is not None:
        return _one_of_two(f, units)
    one, own = f["others"] == 1 or f.get("nearer", False), f.get("own", False)
    others = "the other spring" if one else "the other {others}"
    others = "the nearer one of the other {others}" if f.get("nearer") else others
    if f["reason"] == "crosses":
        word = "stiffer and shorter" if f["off_share"] > 0.0 else "softer and longer"
        of = "it was before" if own else others
        words = f"it is {word} than {of}"
    elif f["reason"] == "shape":
        of = "its presses before" if own else f"th{'at' if one else 'ose'} of {others}"
        words = f"its curve has another shape than {of}"
    elif own:
        words = "{load_n} at {height_mm}, where it had {usual_n} before"
    else:
        words = f"{{load_n}} at {{height_mm}}, where {others} {'has' if one else 'have about'}"
        words += " {usual_n}"
    return filled(
        f"this does not press like {{label}}: {words}{_either(f) if own else ''}", f, units
    )


_MOVED = "{label} moved by {moved_mm:+} in height since its press before"
_INSTEAD = " if it does, its {agree} presses that agree count, and no longer those before"


def _datum_moved(f: Mapping[str, Any], units: Units) -> str:
    words = _MOVED
    if f.get("calibrated_anew", True):
        words += " the travel was calibrated again: was the gauge's length typed right?"
    else:
        words += (
            ": did the travel scale slip, or the seat sink, does the spring sit otherwise, or is "
        )
        words += "it another one?"
    return filled(words + (_INSTEAD if "instead" in f else ""), f, units)


def _sits_otherwise(f: Mapping[str, Any], units: Units) -> str:
    words = f"{_MOVED}, and a gauge agrees with the datum: does it sit otherwise, or on a seat "
    words += "that sank? or is it another spring?"
    return filled(words + (_INSTEAD if "instead" in f else ""), f, units)


def _datum_differs(f: Mapping[str, Any], units: Units) -> str:
    than = "before the restart, by where the quill's stop is" if f.get("by_stop") else ""
    words = "the gauge of {height_mm} makes heights {moved_mm:+} other than {than}, and only "
    words += "± {u_mm} can be explained: is the length right, and the gauge clean?"
    many = f.get("presses", 0)
    if many:
        words += f" Yes leaves out {presses_text(many)} by the datum before, and asks about "
        words += "it" if many == 1 else "them"
    return filled(words, f, units, than=than or "the datum that stands")


def _when(f: Mapping[str, Any]) -> str:
    """Say what the quill's stop shows of when heights moved, and what it can't."""
    if f.get("shown"):
        return "the quill was at its stop after each press, so the scale slipped later if it did"
    if f.get("too_small"):
        return "nobody knows when: the quill's stop shows no slip below {stop_repeats_mm}"
    return "the quill was not seen at its stop after them, so nobody knows when"


def _in_doubt(f: Mapping[str, Any], units: Units) -> str:
    one, many = f["presses"] == 1, presses_text(f["presses"])
    they = "it counts" if one else "they count"
    if f.get("closing"):
        words = "{closing} lies {moved_mm:+} ({load_n:+}) from where it was: scale or seat moved, "
        words += f"or another spring was pressed (its mark tells); {_when(f)}. "
        words += "{many} meanwhile: {whose}: do you know that {they} all the same? "
        words += "No: {many} to be pressed again, by a datum that is set anew"
        return filled(words, f, units, many=many, whose=presses_of(f), they=they)
    words = "{many} by the datum before, {moved_mm:+} other: {whose}. "
    words += "Made before it moved, so that {they} all the same? "
    if f.get("since"):
        words += "Pressed after you said that the scale had not slipped. "
    elif f.get("shown"):
        words += "The quill was at its stop afterwards: if the scale slipped, it was later. "
    elif "shown" in f:
        words += "Nothing has shown since that the scale had not slipped. "
    words += "No: {many} to be pressed again"
    return filled(words, f, units, many=many, whose=presses_of(f), they=they)


def _finish_unfinished(f: Mapping[str, Any], _units: Units) -> str:
    named = first_few(f["labels"])
    more = f["left"] - len(f["labels"])
    return (
        f"{f['left']} of {counted(f['springs'], 'spring')} unfinished: {named}"
        f"{f' and {more} more' if more > 0 else ''}; end the capture all the same?"
    )


QUESTION_SENTENCES: dict[str, Callable[[Mapping[str, Any], Units], str]] = {
    "same_again": _same_again,
    "another_spring": _another_spring,
    "datum_moved": _datum_moved,
    "sits_otherwise": _sits_otherwise,
    "datum_differs": _datum_differs,
    "strokes_in_doubt": _in_doubt,
    "finish_unfinished": _finish_unfinished,
}
