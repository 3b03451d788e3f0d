"""The sentence of each finding of a closing press, and of heights that nothing shows."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from coilbench.analysis.report.document import describe, first_few
from coilbench.analysis.report.question_text import presses_text
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding

HEIGHTS_PHRASES: dict[str, str] = {
    "quill_rose": "the quill rests {moved_mm} higher than at first: a hand held it, or the travel "
    "scale slipped; a gauge tells (d)",
    "closing_wanted": "press {label} once more: are scale and seat as at its first press? (f: end "
    "without it)",
    "set_closed": "closed: {label} lies {moved_mm:+} (± {u_mm}) from where it was: within that, "
    "scale and seat are as at its first press",
    "closing_differs": "{label}, pressed once more at the end, lies {moved_mm:+} (± {u_mm}) from "
    "where it was, so that loads are {load_n:+} other: scale or seat moved since, or another "
    "spring was pressed",
    "slipped_later": "{label}: the press counts: the quill was at its stop after it, and the scale "
    "slipped later",
    "closing_unread": "it can't be compared with the spring's first presses",
}


def _not_closed(f: Mapping[str, Any], _units: Units) -> str:
    return (
        f"{first_few(f['sets'])}: not closed, so nothing shows that scale and seat were at the end "
        "as at the first press; live on the set asks for the press that does, while its datum holds"
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
    settles = _SETTLES.get(why.kind, "if the running capture shows its heights")
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
    "sets_not_closed": _not_closed,
    "scale_unshown": _unshown,
    "counts_by_word": _by_word,
    "counts_once_shown": lambda f, units: f"waits, and {_settled(f, units)}",
    "never_shown": _never_shown,
    "presses_wait": _presses_wait,
}
