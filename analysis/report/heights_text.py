"""The sentence of each finding of a datum that is set, a closing press, heights not shown."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from coilbench.analysis.report.document import filled, first_few
from coilbench.analysis.report.units import Units

HEIGHTS_PHRASES: dict[str, str] = {
    "quill_rose": "the quill rests {moved_mm} higher than at first: a hand held it, or the travel "
    "scale slipped; a gauge tells (d)",
    "closing_wanted": "press {label} once more: it shows whether scale and seat stayed (f: end "
    "without it)",
    "set_closed": "closed: {label}, pressed once more, lies {moved_mm:+} (± {u_mm}) from where it "
    "was: scale and seat stayed",
    "closing_differs": "{label}, pressed once more at the end, lies {moved_mm:+} (± {u_mm}) from "
    "where it was, so that loads are {load_n:+} other: scale or seat moved, nobody knows when",
    "closing_unread": "it can't be compared with the spring's first presses",
}


def _many(presses: int) -> str:
    return "1 press" if presses == 1 else f"{presses} presses"


def _datum_set(f: Mapping[str, Any], units: Units) -> str:
    words, presses = "the datum is set: the faces stand at {height_mm}", f.get("presses", 0)
    if f.get("moved_mm") is not None:
        words += "; heights are {moved_mm:+} other than before (± {u_mm})"
    elif presses:
        words += "; nothing tells whether the datum before agrees, by which {many} read: a spring "
        words += "that has one is compared when it is pressed again"
    if f.get("differs") and f.get("others"):
        words += "; presses of {others} were read by the one before, too"
    many = f"{_many(presses)} {'was' if presses == 1 else 'were'}"
    return filled(words, f, units, many=many, others=first_few(f.get("others", ())))


def _in_doubt(f: Mapping[str, Any], units: Units) -> str:
    many, whose = _many(f["presses"]), first_few(f["labels"])
    if f.get("closing"):
        words = "{closing} lies {moved_mm:+} ({load_n:+}) from where it was: scale or seat moved. "
        words += "{many} of {whose} since no longer count: do they count all the same?"
        return filled(words, f, units, many=many, whose=whose)
    words = "{many} of {whose} by the datum before, {moved_mm:+} other, no longer count: were they "
    words += "made before it moved, so that they count all the same?"
    if f.get("since"):
        words += " They were pressed after you said that the scale had not slipped"
    return filled(words, f, units, many=many, whose=whose)


def _presses(f: Mapping[str, Any], words: str) -> str:
    since = "since the closing press agreed last" if f.get("closing") else "by the datum before"
    return f"{_many(f['presses'])} {since}: {words}"


def _not_closed(f: Mapping[str, Any], _units: Units) -> str:
    return (
        f"{first_few(f['sets'])}: not closed, so nothing shows that scale and seat stayed as the "
        "springs were pressed; a press of the first one at the end does"
    )


def _unshown(f: Mapping[str, Any], _units: Units) -> str:
    return (
        f"{first_few(f['sets'])}: nothing showed that the travel scale had not slipped since its "
        "calibration; a gauge does (d in live), till the rig starts again"
    )


HEIGHTS_SENTENCES: dict[str, Callable[[Mapping[str, Any], Units], str]] = {
    "datum_set": _datum_set,
    "strokes_in_doubt": _in_doubt,
    "presses_kept": lambda f, _u: _presses(f, "they count, as you said"),
    "presses_left": lambda f, _u: _presses(f, "they do not count; press these springs again"),
    "sets_not_closed": _not_closed,
    "scale_unshown": _unshown,
}
