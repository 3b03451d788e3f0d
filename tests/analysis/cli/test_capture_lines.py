"""What a capture says at its end: also what was refused of what came."""

from __future__ import annotations

import pytest

from coilbench.analysis.cli import capture_lines
from coilbench.analysis.cli.capture_lines import capture_ended, event_line
from coilbench.analysis.report.units import Units
from coilbench.capture.running.commands import Event, EventKind, Snapshot


@pytest.mark.parametrize(
    ("lines_bad", "words"), [(0, "0 lost. "), (1, "1 line corr"), (800, "0 lost, 800 lines corr")]
)
def test_lines_that_were_refused_are_said(
    lines_bad: int, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(capture_lines, "book_path", lambda: "bench.db")
    said = " ".join(capture_ended(Snapshot("larch", "usb:", springs=0, lines_bad=lines_bad)))
    assert words in said
    assert ("corrupted" in said) == (lines_bad > 0)


LABEL = {"label": "larch-01", "next_label": None}
PRESS = {
    **LABEL, "purpose": "measured", "stroke": 1, "strokes": 3, "findings": [], "peak_n": 431.0,
    "lowest_mm": 25.94, "status": "aborted", "cure": "press_again", "times": 1, "waits": False,
}  # fmt: skip
MARKS = [
    (Event.of(EventKind.KEPT, "stroke_kept", **PRESS), "+ "),
    (Event.of(EventKind.WAITS, "stroke_kept", **PRESS), "~ "),
    (Event.of(EventKind.WAITS, "stroke_refused", **{**PRESS, "waits": True}), "~ "),
    (Event.of(EventKind.REFUSED, "stroke_refused", **PRESS), "! "),
    (Event.of(EventKind.FAULT, "datum_lost"), "! "),
    (Event.of(EventKind.QUESTION, "finish_unfinished", left=1, labels=["a"], springs=2), "? "),
    (Event.of(EventKind.TURN, "accepted", **LABEL), "+ "),
    (Event.of(EventKind.WAITS, "accepted", **LABEL), "~ "),
    (Event.of(EventKind.WAITS, "waits_for_stop", presses=2, **LABEL), "~ "),
    (Event.of(EventKind.WAITS, "waits_for_next", moved_mm=0.3, **LABEL), "~ "),
    (Event.of(EventKind.TURN, "counts_now", presses=1, next_label=None), "+ "),
    (Event.of(EventKind.TURN, "not_counted", **LABEL), "  "),
    (Event.of(EventKind.REDO, "redo", **LABEL), "  "),
]


@pytest.mark.parametrize(("event", "mark"), MARKS, ids=[one.what.kind for one, _ in MARKS])
def test_a_press_that_counts_waits_or_was_refused_has_a_mark_of_its_own(
    event: Event, mark: str
) -> None:
    assert event_line(event, Units()).startswith(mark)
