"""The last lines in the terminal: what was kept, whether the set is closed, what is next."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from coilbench.analysis.cli import capture_lines
from coilbench.analysis.cli.capture_lines import capture_ended
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding
from coilbench.capture.running.commands import Event, EventKind, Snapshot
from coilbench.capture.strokes.judging import Purpose, Turn

LAST = {"label": "larch-01", "presses": 6, "u_mm": 0.02}
CLOSED = Finding("set_closed", {**LAST, "moved_mm": -0.01, "load_n": -0.16, "load_u_n": 0.32})
DIFFERS = Finding("closing_differs", {**LAST, "moved_mm": 0.09, "load_n": 1.4})
OPEN = Finding("sets_not_closed", {"sets": ["larch"], "label": "larch-01"})
ENDED = Snapshot("larch", "usb:", springs=3, springs_done=3, strokes=6, samples=900)
QUESTION = {"presses": 2, "labels": ["larch-02"], "each": [2], "closing": "larch-01"}


@pytest.fixture(autouse=True)
def book(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(capture_lines, "book_path", lambda: "bench.db")
    monkeypatch.setattr(capture_lines, "units", Units)


def lines(snapshot: Snapshot, seen: int | None = None) -> str:
    return "\n".join(capture_ended(snapshot, (38.5,), seen))


def test_what_was_kept_is_said() -> None:
    assert lines(ENDED).startswith("3 of 3 springs done, 6 strokes kept, ")


def test_of_a_closed_set_the_check_is_next() -> None:
    said = lines(replace(ENDED, closed=CLOSED))
    assert "larch: closed: larch-01, pressed once more, lies -0.01 mm" in said
    assert said.endswith("Next: coilbench set check larch --at 38.5mm")


@pytest.mark.parametrize("closed", [OPEN, DIFFERS])
def test_of_one_that_is_not_its_press_is_next(closed: Finding) -> None:
    said = lines(replace(ENDED, closed=closed))
    assert "larch: NOT CLOSED: " in said
    again = "the same command again, to press larch-01 once more"
    assert f"Next: {again}; then coilbench set check larch --at 38.5mm" in said


def test_where_no_press_can_close_it_none_is_asked_for() -> None:
    said = lines(replace(ENDED, closed=Finding(OPEN.kind, {**OPEN.facts, "label": None})))
    assert "NOT CLOSED" in said
    assert "the same command again" not in said


def test_with_springs_left_it_is_said_too_that_the_set_is_not_closed() -> None:
    turn = Turn("larch-03", Purpose.MEASURED, 1, 2)
    said = lines(replace(ENDED, springs_done=2, turn=turn, closed=OPEN))
    assert "NOT CLOSED" in said
    assert said.endswith("Next is larch-03, stroke 1 of 2; go on with the same command.")


def test_what_no_frame_has_shown_is_said_and_nothing_twice() -> None:
    ended = replace(ENDED, closed=CLOSED)
    for event in (
        Event(EventKind.KEPT, Finding("goes_on")),
        Event(EventKind.DONE, CLOSED),
        Event.of(EventKind.TURN, "presses_open", **QUESTION),
    ):
        ended = ended.after(event)
    said = lines(ended, seen=1)
    assert said.count("lies -0.01 mm") == 1
    assert "larch-02 (2): nobody said whether they count" in said
    assert "the capture goes on" not in said
    assert "nobody said" not in lines(ended)  # a daemon has printed it


@pytest.mark.parametrize("closed", [OPEN, DIFFERS])
def test_where_the_datum_is_in_doubt_no_press_is_promised_before_that_is_answered(
    closed: Finding,
) -> None:
    said = lines(replace(ENDED, closed=closed, datum=Finding("datum_doubted")))
    assert "once more; then" not in said
    assert "Next: the same command again, to say whether the datum is right or set it (d)" in said
