"""What must never be missed: whole at every size, STOP large, and no number that is not known."""

from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from coilbench.analysis.dashboard.calls import call
from coilbench.analysis.dashboard.keys import answer_help
from coilbench.analysis.dashboard.scene import known_now
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding
from coilbench.capture.running.commands import CARE_ONLY
from coilbench.capture.strokes.watching import WITHOUT_TOUCH
from support.alarms import (
    ALARMS,
    DOUBT,
    LIVE,
    LOST,
    REFUSED,
    SCENE,
    STATES,
    STOPS,
    drawn,
    holds,
    is_large,
    scene_of,
)

sizes = st.tuples(st.integers(40, 200), st.integers(10, 60))


@pytest.mark.parametrize("state", STATES)
@given(sizes, st.booleans())
@settings(max_examples=15, deadline=None)
def test_what_is_called_out_is_whole_on_every_screen(
    state: str, size: tuple[int, int], ascii_only: bool
) -> None:
    width, height = size
    scene = scene_of(state)
    text = drawn(scene, width, height, ascii_only=ascii_only)
    lines = text.splitlines()
    assert len(lines) == height
    assert max(map(len, lines)) <= width
    assert "eye protection" in lines[-1].lower()
    called = call(replace(scene, snapshot=known_now(scene.snapshot)))
    assert called.urgent
    assert holds(text, called.words)
    assert is_large(text, called.large) or called.large in text
    if state in STOPS:
        assert is_large(text, "STOP")


@pytest.mark.parametrize("stop", [*ALARMS])
@pytest.mark.parametrize("other", ["link lost", "datum lost"])
@given(st.integers(40, 200), st.integers(12, 60), st.booleans())
@settings(max_examples=4, deadline=None)
def test_two_at_once_are_both_said(
    stop: str, other: str, width: int, height: int, ascii_only: bool
) -> None:
    text = drawn(scene_of(stop, other), width, height, ascii_only=ascii_only)
    assert is_large(text, "STOP")
    assert other.upper() in text


def test_a_load_near_what_the_cell_bears_is_a_warning_at_the_bar_and_no_stop() -> None:
    near = Finding.of("overload_near", load_n=1600.0, rating_n=1961.33, part="cell")
    for size in ((40, 20), (80, 24), (200, 60)):
        text = drawn(replace(SCENE, snapshot=replace(LIVE, alarm=near)), *size)
        assert holds(text, "163.15 kg is near the 200.00 kg that the cell may bear")
        assert not is_large(text, "STOP")


@pytest.mark.parametrize("kind", sorted(CARE_ONLY - {"overload_near"}))
def test_another_spring_is_called_large_while_it_is_pressed_and_is_no_stop(kind: str) -> None:
    scene = scene_of(f"pressed: {kind}")
    for size in ((40, 12), (40, 20), (80, 24), (200, 60)):
        text = drawn(scene, *size)
        assert is_large(text, "WRONG SPRING?")
        assert not is_large(text, "STOP")
        assert "CARE" not in text


HEIGHTS = re.compile(r"38\.42|14\.58|S seat|\[[=█]|>larch")  # height, depth, marks, the bar, a turn


def test_without_a_datum_there_is_no_height_no_bar_no_turn() -> None:
    assert len(set(HEIGHTS.findall(drawn(SCENE)))) == 5
    for size in ((80, 24), (200, 60)):
        for ascii_only in (False, True):
            text = drawn(scene_of("datum lost"), *size, ascii_only=ascii_only)
            assert not set(HEIGHTS.findall(text)) - {"S seat"}  # the set's plot may still say it
            assert is_large(text, "SET THE DATUM")
            assert holds(text, "press d, bring the quill lightly down on a gauge")
            assert "the set is done" not in text
            assert "22.72 kg" in text or is_large(text, "22.72 kg")  # the load is still known


@pytest.mark.parametrize("state", ["link lost", "no sample", "no reading", "fault ADC_SILENT"])
@pytest.mark.parametrize("phase", ["idle", "press", "unknown"])
def test_a_load_that_is_not_known_is_never_called_free(state: str, phase: str) -> None:
    """Also where the numbers of before are still in the snapshot."""
    stale = {"load_n": 222.8, "height_mm": 38.42, "phase": phase, "curve": LIVE.curve}
    scene = scene_of(state)
    if state != "no reading":  # there the capture itself says that no load can be used
        scene = replace(scene, snapshot=replace(scene.snapshot, **stale))
    if "fault" in state:
        scene = replace(scene, snapshot=replace(scene.snapshot, sample_age_s=0.6))
    for size in ((40, 12), (80, 24), (200, 60)):
        text = drawn(scene, *size)
        assert "22.72" not in text
        assert not re.search(r"38\.42|14\.58|\bfree\b|pressing", text)
        assert holds(text, "treat the spring as loaded")


def test_a_silent_amplifier_is_named_in_the_header_and_not_the_cable() -> None:
    text = drawn(scene_of("fault ADC_SILENT"))
    assert "load amplifier" in text.splitlines()[1]
    assert "cable" not in text


@pytest.mark.parametrize("link", ["up", "lost"])
def test_restarts_are_counted_in_the_header(link: str) -> None:
    snapshot = replace(LIVE, link=link, link_what=LOST if link == "lost" else None)
    for width in (50, 80, 200):
        assert "restarts 3" in drawn(replace(SCENE, snapshot=snapshot), width, 24)


@pytest.mark.parametrize("state", ["another spring", "finish"])
def test_a_question_stands_with_its_two_keys(state: str) -> None:
    for size in ((40, 12), (80, 24), (200, 60)):
        text = drawn(scene_of(state), *size)
        keys = text.splitlines()[-4:-1]
        assert re.search(r"\by .*\bx ", " ".join(keys))
        assert is_large(text, "END NOW?" if state == "finish" else "WRONG SPRING?")


@pytest.mark.parametrize("state", ["link lost", "fault ADC_SILENT"])
def test_without_samples_no_rate_is_shown_as_one_of_now(state: str) -> None:
    assert "92.7/s" in drawn(scene_of())
    assert "/s " not in drawn(scene_of(state))


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("width", [40, 60, 80])
def test_no_word_of_what_is_called_out_is_cut_in_two(state: str, width: int) -> None:
    scene = scene_of(state)
    called = call(replace(scene, snapshot=known_now(scene.snapshot)))
    assert set(called.words.split()) <= set(drawn(scene, width, 24).split())


@pytest.mark.parametrize(
    ("phase", "first"), [("idle", False), ("touch", False), ("press", True), ("release", True)]
)
def test_a_quill_that_stands_on_its_gauge_is_not_told_to_go_up(phase: str, first: bool) -> None:
    scene = scene_of("datum lost")
    scene = replace(scene, snapshot=replace(scene.snapshot, phase=phase, load_n=10.0))
    assert ("take the spring out first" in call(scene).words) == first


@pytest.mark.parametrize("kind", sorted(set(ALARMS) - WITHOUT_TOUCH))
@pytest.mark.parametrize(
    ("state", "up"),
    [
        ({"phase": "press"}, False),
        ({"phase": "release"}, False),
        ({"phase": "release", "load_n": 1.0}, True),
        ({"phase": "idle", "load_n": 0.1}, True),
    ],
)
def test_a_quill_that_is_up_is_not_told_to_go_up(
    kind: str, state: dict[str, Any], up: bool
) -> None:
    scene = scene_of(kind)
    words = call(replace(scene, snapshot=replace(scene.snapshot, **state))).words
    assert words.startswith("let the quill up: ") is not up
    alarm = scene.snapshot.alarm
    assert alarm is not None
    refused = replace(REFUSED, what=replace(REFUSED.what, facts=REFUSED.what.facts | {
        "findings": [alarm.to_document()]}))  # fmt: skip
    assert "let the quill up" not in describe(refused.what, Units())


@pytest.mark.parametrize("kind", sorted(WITHOUT_TOUCH & set(ALARMS)))
def test_where_no_load_tells_that_it_is_down_it_is(kind: str) -> None:
    scene = scene_of(kind)
    snapshot = replace(scene.snapshot, phase="idle", load_n=0.1)
    assert call(replace(scene, snapshot=snapshot)).words.startswith("let the quill up: ")


def test_a_datum_in_doubt_shows_no_height_and_says_how_to_settle_it() -> None:
    for size in ((40, 20), (80, 24), (200, 60)):
        text = drawn(scene_of("datum in doubt"), *size)
        assert is_large(text, "DATUM RIGHT?")
        assert "DATUM IN DOUBT" in text
        assert holds(text, "press d")
        if size != (40, 20):  # there the event says it
            assert holds(text, "suddenly lost 2.66 kg near 41.77 mm")
        assert "38.42" not in text
        assert re.search(r"\by .*\bx ", " ".join(text.splitlines()[-4:-1]))
    assert is_large(drawn(scene_of("datum in doubt, and said so")), "SET THE DATUM")


def test_a_gauge_that_is_awaited_is_called_for_and_no_way_is_told() -> None:
    scene = replace(SCENE, snapshot=replace(LIVE, gauge_awaited=True, phase="idle", load_n=0.0))
    text = drawn(scene)
    assert is_large(text, "GAUGE")
    assert "to open at" not in text


@pytest.mark.parametrize("datum", [None, Finding("datum_lost")])
def test_d_shows_that_it_was_heard_and_when_the_gauge_is_touched(datum: Finding | None) -> None:
    comes = replace(LIVE, gauge_awaited=True, datum=datum, phase="idle", load_n=0.0)
    text = drawn(replace(SCENE, snapshot=comes))
    assert is_large(text, "GAUGE")
    assert not holds(text, "press d,")
    text = drawn(replace(SCENE, snapshot=replace(comes, phase="touch", load_n=4.0)))
    assert is_large(text, "GAUGE")
    assert holds(text, "it touches with 0.41 kg: hold still there")


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("other", ["finish", "gauge differs", "datum in doubt"])
def test_the_keys_that_are_shown_answer_the_question_that_is_called_out(
    state: str, other: str
) -> None:
    scene = scene_of(state, other)
    called = call(replace(scene, snapshot=known_now(scene.snapshot)))
    asked = scene.snapshot.question
    assert called.question in (None, asked)
    if called.question is None:
        assert not re.search(r"\by .*\bx ", " ".join(drawn(scene).splitlines()[-4:-1]))
        return
    if called.question.kind != "datum_doubted":  # that one is put in other words
        assert called.words == describe(called.question, Units())
    assert holds(drawn(scene, 200), answer_help(called.question) or "no keys")


def test_a_press_that_may_settle_it_is_named_only_where_one_may() -> None:
    named = Finding("datum_doubted", DOUBT.facts | {"label": "larch-02"})
    for datum in (DOUBT, named):
        scene = replace(SCENE, snapshot=replace(LIVE, datum=datum, question=datum))
        assert ("press larch-02 again" in call(scene).more) == (datum is named)
