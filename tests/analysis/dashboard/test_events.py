"""What happened, on screens of many sizes: whole or not there, and nothing hides a rescue."""

from __future__ import annotations

import re

import pytest
from msgspec.structs import replace

from coilbench.analysis.dashboard.frame import reason_lines
from coilbench.analysis.dashboard.scene import SetTable, SpringRow
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding
from coilbench.capture.running.commands import Event, EventKind
from support.alarms import ALARMS, GONE, LIVE, REFUSED, SCENE, drawn, is_large

SIZES = ((40, 20), (60, 20), (80, 24), (200, 60))
RESCUE = {"label": "larch-02", "set": "larch", "samples": 292, "seconds": 3.1}
RESCUED = Event.of(EventKind.RESCUED, "strokes_rescued", strokes=1, rescued=[RESCUE])
CUT_OFF = Event.of(EventKind.RESCUED, "cut_off_before", kept=2, unread=1)
UP = Event.of(EventKind.LINK, "connected", source="/dev/ttyUSB0", firmware="own-1", device_id="A")
DATUM_LOST = Event.of(EventKind.FAULT, "datum_lost")
LINK_LOST = Event.of(EventKind.LINK, "link_lost", cause=GONE | {"where": "/dev/ttyUSB0"})
NO_SAMPLE = Event.of(EventKind.LINK, "no_sample", quiet_s=4.2, source="/dev/ttyUSB0")
OVER = Finding("overload", ALARMS["overload"])
KEPT = Event.of(
    EventKind.KEPT, "stroke_kept", label="larch-01", purpose="measured", stroke=1, strokes=3,
    findings=[], peak_n=431.0, lowest_mm=25.94, next_label=None,
)  # fmt: skip


def after(*events: Event, **changes: object) -> object:
    snapshot = replace(LIVE, events=(), **changes)
    for event in events:
        snapshot = snapshot.after(event)
    return replace(SCENE, snapshot=snapshot)


def says(text: str, event: Event) -> bool:
    """Whether its words stand there in their order, no word cut."""
    return describe(event.what, Units()) in " ".join(text.split())


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("event", [REFUSED, DATUM_LOST, RESCUED, CUT_OFF, LINK_LOST])
def test_the_cause_of_a_refusal_or_a_fault_is_whole(event: Event, size: tuple[int, int]) -> None:
    link = "lost" if event is LINK_LOST else "up"
    datum = DATUM_LOST.what if event is DATUM_LOST else None
    text = drawn(after(KEPT, event, link=link, datum=datum, phase="idle"), *size)
    assert says(text, event)
    assert len(text.splitlines()) == size[1]


def test_a_stroke_that_could_not_be_rescued_is_told() -> None:
    lost = "1 unfinished stroke could not be rescued"
    assert lost in describe(CUT_OFF.what, Units())
    assert lost in describe(with_facts(RESCUED, unread=1), Units())
    assert "rescued" not in describe(with_facts(CUT_OFF, unread=0), Units())


def with_facts(event: Event, **facts: object) -> Finding:
    return Finding(event.what.kind, dict(event.what.facts) | facts)


@pytest.mark.parametrize("size", SIZES)
def test_what_no_longer_holds_is_cleared(size: tuple[int, int]) -> None:
    """A refusal or a fault with the next press, from its touch on; a question once it is none."""
    fault = Event.of(EventKind.FAULT, "zero_moved", load_n=20.0, moved_n=20.0)
    for event in (REFUSED, fault):
        assert says(drawn(after(KEPT, event, phase="idle"), *size), event)
        for phase in ("touch", "press", "release"):
            assert not says(drawn(after(KEPT, event, phase=phase), *size), event)
        assert not says(drawn(after(event, KEPT, phase="idle"), *size), event)
    assert not says(drawn(after(KEPT, DATUM_LOST, phase="idle"), *size), DATUM_LOST)
    asked = Event.of(EventKind.QUESTION, "finish_unfinished", left=1, labels=["a"], springs=2)
    assert not says(drawn(after(KEPT, asked), *size), asked)


@pytest.mark.parametrize("size", SIZES)
def test_an_alarm_that_stands_is_told_while_it_is_pressed(size: tuple[int, int]) -> None:
    near = Event.of(EventKind.FAULT, "overload_near", load_n=1.0, rating_n=2.0, part="cell")
    assert says(drawn(after(near, alarm=near.what), *size), near)
    assert not says(drawn(after(near), *size), near)


@pytest.mark.parametrize("size", SIZES)
def test_what_happened_before_is_whole_or_not_there(size: tuple[int, int]) -> None:
    text = drawn(after(DATUM_LOST, REFUSED, KEPT), *size)
    assert says(text, KEPT)
    for event in (DATUM_LOST, REFUSED):
        begins = " ".join(describe(event.what, Units()).split()[:5])
        assert says(text, event) or begins not in " ".join(text.split())
    told = text[text.index("larch-01, stroke") :]
    assert "…" not in told


@pytest.mark.parametrize("ascii_only", [False, True])
@pytest.mark.parametrize("width", [70, 72, 76, 80, 100, 132, 200])
@pytest.mark.parametrize("height", [24, 30, 60])
def test_the_plot_names_what_it_marks_wherever_it_is_drawn(
    width: int, height: int, ascii_only: bool
) -> None:
    text = drawn(after(KEPT), width, height, ascii_only=ascii_only)
    if "height mm" not in text:  # no plot: the table alone
        assert width < 80
        return
    legend = text[text.index("height mm") :]
    for name in ("S seat", "O open"):
        assert name in legend
    assert re.search(r"(line|\*):? (now|this stroke)", legend)
    assert re.search(r"(dots|\.):? .*set", legend)


@pytest.mark.parametrize("size", SIZES)
def test_a_rescue_hides_no_stop_and_a_stop_does_not_end_it(size: tuple[int, int]) -> None:
    """Killed in mid stroke, begun again, and the press goes past what the cell may bear."""
    stop = Event(EventKind.FAULT, OVER)
    text = drawn(after(RESCUED, UP, stop, alarm=OVER), *size)
    assert is_large(text, "STOP")
    assert "".join(describe(OVER, Units()).split()) in "".join(text.split())
    let_up = after(RESCUED, UP, stop)
    assert says(drawn(let_up, *size), RESCUED)
    assert says(drawn(after(RESCUED, UP, DATUM_LOST), *size), RESCUED)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("lost", [LINK_LOST, NO_SAMPLE])
def test_a_loss_is_told_while_it_lasts_and_no_longer(lost: Event, size: tuple[int, int]) -> None:
    gone = {"load_n": None, "height_mm": None, "phase": "unknown", "load_unknown": lost.what}
    if lost is LINK_LOST:
        gone |= {"link": "lost", "link_what": lost.what}
    assert says(drawn(after(KEPT, lost, **gone), *size), lost)
    back = drawn(after(KEPT, lost, UP), *size)
    assert not says(back, lost)
    assert says(back, KEPT)
    assert says(drawn(after(lost, UP), *size), UP)


@pytest.mark.parametrize("ended", [KEPT, REFUSED])
def test_a_rescue_gives_way_once_a_stroke_has_ended(ended: Event) -> None:
    for size in ((60, 20), (80, 24)):
        scene = after(RESCUED, UP, ended, DATUM_LOST, datum=DATUM_LOST.what, phase="idle")
        assert not says(drawn(scene, *size), RESCUED)


@pytest.mark.parametrize("width", [40, 60, 80])
@pytest.mark.parametrize("room", [1, 2, 3, 8])
def test_why_a_spring_is_flagged_is_whole_or_counted(width: int, room: int) -> None:
    why = "18.1 % below the set's middle at 38.50 mm, and its curve has another shape"
    rows = tuple(SpringRow(f"larch-0{n}", 3, (222.0,), ("weak",), (why,)) for n in (1, 2, 3))
    lines = [line.plain for line in reason_lines(SetTable((38.5,), 3, rows), width, room)]
    assert 1 <= len(lines) <= room
    assert max(map(len, lines)) <= width or "LABEL" in lines[-1]
    said = " ".join(" ".join(lines).split())
    whole = said.count(why)
    assert said.count("weak") == whole
    left = 3 - whole
    assert (f"{left} more" in said or f"{left} of them flagged" in said) == (left > 0)


LEFT_OUT = {"label": "larch-01", "purpose": "measured", "stroke": 1, "findings": []}


@pytest.mark.parametrize(
    ("taken_back", "stands"),
    [
        (Event.of(EventKind.REFUSED, "stroke_left_out", **LEFT_OUT), False),
        (Event.of(EventKind.REFUSED, "stroke_left_out", **LEFT_OUT | {"stroke": 2}), True),
        (Event.of(EventKind.REDO, "redo", label="larch-01"), False),
        (Event.of(EventKind.REDO, "redo", label="larch-02"), True),
    ],
)
def test_a_stroke_that_was_taken_back_is_not_shown_as_kept(taken_back: Event, stands: bool) -> None:
    text = drawn(after(KEPT, taken_back, phase="idle"), 200, 60)
    assert ("stroke 1 of 3: 43.9" in text) is stands


ACCEPTED = Event.of(EventKind.TURN, "accepted", label="larch-01", purpose="measured", stroke=1)
WAITS_UP = Event.of(EventKind.WAITS, "waits_for_stop", label="larch-01", presses=1)
WAITS_NEXT = Event.of(EventKind.WAITS, "waits_for_next", label="larch-01", moved_mm=0.3)
OUT = Event.of(
    EventKind.REFUSED, "stroke_left_out", label="larch-01", purpose="measured", stroke=1,
    findings=[],
)  # fmt: skip


@pytest.mark.parametrize("counts", [KEPT, ACCEPTED])
@pytest.mark.parametrize("size", SIZES)
def test_that_a_press_counts_is_said_no_more_once_it_waits_or_is_doubted(
    counts: Event, size: tuple[int, int]
) -> None:
    low = Finding.of("quill_low", moved_mm=-0.4)
    doubt = Finding.of("datum_doubted", why={"kind": "slipped"} | ALARMS["slipped"])
    for later, changes in (
        (WAITS_UP, {"quill_low": low}), (WAITS_NEXT, {}), (OUT, {}), (UP, {"datum": doubt}),
    ):  # fmt: skip
        text = drawn(after(counts, later, phase="idle", **changes), *size)
        assert not re.search(r"^\+ ", text, re.MULTILINE)
        assert later is UP or says(text, later)
    assert says(drawn(after(counts, phase="idle"), *size), counts)
    assert not says(drawn(after(WAITS_UP, phase="idle"), *size), WAITS_UP)


PUSHED = Event.of(EventKind.REFUSED, "accept_alone")
NOT_YET = Event.of(EventKind.REFUSED, "spring_pressed", action="skip")
DONE = Event.of(EventKind.DONE, "set_done", set="larch")
WANTED = Event.of(EventKind.TURN, "closing_wanted", label="larch-01")
ASKED = Finding("finish_unfinished", {"left": 1, "labels": ["larch-02"], "springs": 12})


@pytest.mark.parametrize("size", SIZES)
def test_why_a_key_did_nothing_is_shown_also_while_a_spring_is_pressed(
    size: tuple[int, int],
) -> None:
    for event in (PUSHED, NOT_YET):
        assert says(drawn(after(KEPT, event, phase="press"), *size), event)
    assert not says(drawn(after(KEPT, NOT_YET, phase="idle"), *size), NOT_YET)
    assert not says(drawn(after(PUSHED, question=ASKED, phase="idle"), *size), PUSHED)
    assert not says(drawn(after(PUSHED, KEPT, phase="idle"), *size), PUSHED)


def test_that_a_set_is_done_or_a_closing_press_wanted_is_not_said_when_it_is_not() -> None:
    assert says(drawn(after(DONE, phase="idle", springs_done=12), 80, 24), DONE)
    assert not says(drawn(after(DONE, phase="idle", springs_done=11), 80, 24), DONE)
    assert not says(drawn(after(WANTED, phase="idle"), 80, 24), WANTED)


@pytest.mark.parametrize("size", SIZES)
def test_a_question_is_said_once_and_hides_nothing(size: tuple[int, int]) -> None:
    asked = Event(EventKind.QUESTION, ASKED)
    text = drawn(after(REFUSED, asked, question=ASKED, phase="idle"), *size)
    assert says(text, REFUSED)
    assert " ".join(text.split()).count(describe(ASKED, Units())) == 1


@pytest.mark.parametrize("answer", ["presses_kept", "presses_left"])
def test_that_strokes_wait_for_an_answer_is_over_once_it_came(answer: str) -> None:
    asked = Event.of(EventKind.RESCUED, "cut_off_before", kept=2, asked=4)
    facts = {"presses": 4, "labels": ["larch-02"], "each": [4], "closing": None, "by": "accepted"}
    said = Event(EventKind.TURN, Finding(answer, facts))
    assert says(drawn(after(asked), 80, 24), asked)
    text = drawn(after(asked, said), 80, 24)
    assert says(text, said)
    assert not says(text, asked)
