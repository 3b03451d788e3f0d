"""The sentence of each finding of a closing press, and of heights that nothing shows."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from coilbench.analysis.report.document import describe, filled, first_few
from coilbench.analysis.report.question_text import ANY_QUESTION, QUESTIONS, presses_text
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding
from coilbench.capture.strokes.pressed_again import widened_by_mm

HEIGHTS_PHRASES: dict[str, str] = {
    "quill_rose": "the quill rests {moved_mm} higher than at first: a hand held it, or the travel "
    "scale slipped; a gauge tells (d)",
    "closing_wanted": "press {label} once more: are scale and seat as at its first press? (f: end "
    "without it)",
    "closing_differs": "{label}, pressed once more at the end, lies {moved_mm:+} (± {u_mm}) from "
    "where it was, so that loads are {load_n:+} other: scale or seat moved since, or another "
    "spring was pressed",
    "slipped_later": "{label}: the press counts: the quill was at its stop after it, and the scale "
    "slipped later",
    "closing_skipped": "no closing press of {label} now: the set is not closed; the next live on "
    "it asks for that press again",
    "closing_taken_back": "the closing press was of another spring, as you said: what it put in "
    "doubt counts as before",
    "closing_loads": "its loads are {load_share:+.2%} (± {share_u:.2%}) off those of its first "
    "presses, which no shift of scale or seat makes: another spring (its mark tells), or spring or "
    "load cell are not as they were; press {label} itself once more",
    "borne_out": "{label}, pressed once more later, lay {moved_mm:+} (± {u_mm}) from where it was "
    "at first, which bears the press out",
    "closing_as_said": "{label} lies {moved_mm:+} (± {u_mm}) from where it was, as at the closing "
    "press before: what was pressed since counts as you said, and the set is not closed",
    "closing_unread": "it can't be compared with the spring's first presses",
}


def verdict_text(verdict: Finding, units: Units) -> str:
    """Say whether a set was closed, by what its last closing press showed."""
    if verdict.kind == "set_closed":
        return describe(verdict, units)
    label = verdict.facts["label"]
    if verdict.kind in ("closing_differs", "closing_loads"):
        whose = f"{label}, pressed once more: " if verdict.kind == "closing_loads" else ""
        return f"NOT CLOSED: {whose}{describe(verdict, units)}"
    does = "" if label is None else f"; {label} pressed once more does"
    return f"NOT CLOSED: nothing shows that scale and seat are as at the first press{does}"


def _closed(f: Mapping[str, Any], units: Units) -> str:
    """Say what a closing press shows that closes its set, and from what on it would show more."""
    moved_mm, u_mm = f["moved_mm"], f["u_mm"]
    most = {"most_mm": abs(moved_mm) + u_mm, "most_n": abs(f["load_n"]) + f["load_u_n"]}
    words = "closed: {label}, pressed once more, lies {moved_mm:+} (± {u_mm}) from where it was"
    if widened_by_mm(moved_mm, u_mm):
        words += ", more than that ±: scale or seat may have moved, and the ± of what was pressed "
        words += "since is widened to cover {most_mm} ({most_n})"
    else:
        words += ": within that, scale and seat are as at its first press; of less than {most_mm}"
        words += " ({most_n}) it shows nothing"
    words += "; what was before, or came and went, it does not show"
    return filled(words, {**f, **most}, units)


def _not_closed(f: Mapping[str, Any], _units: Units) -> str:
    return (
        f"{first_few(f['sets'])}: not closed, so nothing shows that scale and seat were at the end "
        "as at the first press; live on the set asks for the press that does, while its datum "
        "holds; else press its springs again"
    )


def _unshown(f: Mapping[str, Any], _units: Units) -> str:
    return (
        f"{first_few(f['sets'])}: nothing showed that the travel scale had not slipped since its "
        "calibration; a gauge does (d in live), till the rig starts again"
    )


_SETTLES = {
    "quill_low": "once the quill is seen at its stop: let it up fully; it is up? set the datum (d)",
    "stop_moved": "if the spring's next press shows that the scale did not slip",
    "datum_doubted": "if the heights are right, which the running capture asks, or a gauge shows",
}


def _settled(f: Mapping[str, Any], units: Units) -> str:
    why = Finding.from_document(f["why"])
    if why.kind == "strokes_in_doubt":
        asked = QUESTIONS[why.kind]
        return f"counts if a person says so: {asked} is open, and live on the set asks it again"
    settles = _SETTLES.get(why.kind)
    if settles is None:
        asked = QUESTIONS.get(why.kind, ANY_QUESTION)
        return f"counts if a person says so, which the running capture asks: {asked}"
    return f"counts {settles} ({describe(why, units)})"


def _presses_wait(f: Mapping[str, Any], units: Units) -> str:
    one = f["presses"] == 1
    return (
        f"{first_few(f['sets'])}: {presses_text(f['presses'])} of {first_few(f['labels'])} "
        f"{'waits and is' if one else 'wait and are'} in no answer here: each "
        f"{_settled(f, units)}"
    )


def _never_shown(f: Mapping[str, Any], units: Units) -> str:
    why = describe(Finding.from_document(f["why"]), units)
    return f"the capture was cut off before its heights were shown: {why}"


def _by_word(f: Mapping[str, Any], _units: Units) -> str:
    one = f["presses"] == 1
    return (
        f"{first_few(f['sets'])}: {presses_text(f['presses'])} "
        f"{'counts' if one else 'count'} by a person's word alone, against what was seen, which no "
        "uncertainty covers; coilbench set strokes says what"
    )


HEIGHTS_SENTENCES: dict[str, Callable[[Mapping[str, Any], Units], str]] = {
    "set_closed": _closed,
    "sets_not_closed": _not_closed,
    "scale_unshown": _unshown,
    "counts_by_word": _by_word,
    "counts_once_shown": lambda f, units: f"waits, and {_settled(f, units)}",
    "never_shown": _never_shown,
    "presses_wait": _presses_wait,
}
