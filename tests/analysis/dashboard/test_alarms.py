"""What must never be missed: whole at every size, STOP large, and no number that is not known."""

from __future__ import annotations

import io
import math
import re
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from coilbench.analysis.dashboard.calls import call
from coilbench.analysis.dashboard.frame import frame
from coilbench.analysis.dashboard.keys import HELP
from coilbench.analysis.dashboard.large_type import large
from coilbench.analysis.dashboard.scene import Scene, SetTable, SpringRow, known_now
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import FaultCode, Finding
from coilbench.capture.running.commands import CARE_ONLY, Event, EventKind, Snapshot
from coilbench.capture.strokes.judging import Purpose, Turn

WEAK = SpringRow("larch-04", 3, (222.0, 390.0), ("weak",), ("18.1% below the set's middle",))
ROWS = tuple(replace(WEAK, label=f"larch-{n:02d}") for n in range(1, 13))
BAND = tuple((53.0 - d, d * 15.8, d * 16.3) for d in range(28))
REFUSED = Event.of(
    EventKind.REFUSED, "stroke_refused", label="larch-02", purpose="measured", stroke=1, strokes=3,
    status="aborted", cure="mend_rig", findings=[{"kind": "overload", "load_n": 1971.3,
                                                  "rating_n": 1961.33, "part": "cell"}],
)  # fmt: skip
LIVE = Snapshot(
    "larch", "serial:///dev/ttyUSB0", link="up", rate_hz=92.7, samples=9000, sample_age_s=0.1,
    load_n=222.8, height_mm=38.42, free_length_mm=53.0, phase="press", springs=12, springs_done=1,
    turn=Turn("larch-02", Purpose.MEASURED, 1, 3), restarts=3,
    curve=tuple((53.0 - at * 0.25, at * 4.0) for at in range(60)),
).after(REFUSED)  # fmt: skip
SCENE = Scene(
    LIVE, SetTable((38.5, 27.6), 3, ROWS, 24.0, band=BAND), Units(), (38.5, 27.6),
    "calibrated 3 days ago; check with 20 kg passed a day ago", HELP,
)  # fmt: skip

ALARMS = {
    "overload": {"load_n": 1971.3, "rating_n": 1961.33, "part": "press"},
    "amplifier_at_limit": {},
    "below_faces": {"height_mm": -12.34},
    "below_solid": {"height_mm": 23.12, "solid_height_mm": 24.0},
    "above_free": {"height_mm": 61.23, "free_length_mm": 53.0, "load_n": 204.4},
    "travel_dead": {"load_n": 204.4},
    "travel_reversed": {"load_n": 204.4, "rose_mm": 4.32},
    "load_dead": {"height_mm": 31.23, "touch_mm": 52.87},
    "load_reversed": {"load_n": -204.4},
}
GONE = {
    "kind": "port_gone",
    "where": "/dev/serial/by-id/usb-1a86_USB_Serial-if00-port0",
    "system": "Input/output error",
}
LOST = Finding.of("link_lost", cause=GONE)
NO_LOAD = {"load_n": None, "height_mm": None, "phase": "unknown", "curve": ()}
DATUM = {"datum": Finding.of("datum_lost"), "height_mm": None, "turn": None, "curve": ()}
STATES: dict[str, dict[str, Any]] = {
    **{kind: {"alarm": Finding(kind, facts)} for kind, facts in ALARMS.items()},
    "coil bind": {"height_mm": 25.4},
    "link lost": {**NO_LOAD, "link": "lost", "link_what": LOST, "load_unknown": LOST},
    "no sample": {**NO_LOAD, "sample_age_s": 4.2,
                  "load_unknown": Finding.of("no_sample", quiet_s=4.2, source="x")},
    "no reading": {**NO_LOAD, "load_unknown": Finding.of("no_reading")},
    **{f"fault {code.name}": {**NO_LOAD, "load_unknown": Finding.of("rig_fault", code=code),
                              "link_what": Finding.of("rig_fault", code=code)}
       for code in FaultCode},
    "datum lost": DATUM,
    "another spring": {"question": Finding.of(
        "another_spring", label="larch-02", reason="level", height_mm=38.5, load_n=190.0,
        usual_n=226.0, off_share=0.15, others=4)},
    "finish": {"question": Finding.of("finish_unfinished", left=7, springs=12,
                                      labels=["larch-02", "larch-03", "larch-04"])},
}  # fmt: skip
STOPS = [*ALARMS, "coil bind"]


def scene_of(*states: str) -> Scene:
    changes: dict[str, Any] = {}
    for state in states:
        changes |= STATES[state]
    return replace(SCENE, snapshot=replace(LIVE, **changes))


def drawn(scene: Scene, width: int = 80, height: int = 24, *, ascii_only: bool = False) -> str:
    out = io.StringIO()
    console = Console(file=out, width=width, height=height, force_terminal=False)
    console.print(frame(scene, width=width, height=height, ascii_only=ascii_only))
    return out.getvalue()


def holds(text: str, words: str) -> bool:
    """Tell whether words stand in a frame whole, however their lines are broken."""
    return "".join(words.split()) in "".join(text.split())


# how much narrower than one character a dot, rows of letters, only signs of ASCII
SIZES = (
    (0.5, 10, True),
    (0.5, 10, False),
    (1, 5, True),
    (1, 5, False),
    (1, 3, False),
    (2, 3, False),
)


def is_large(text: str, words: str) -> bool:
    """Tell whether a frame shows words in letters of some size, on one line or more."""
    lines = text.splitlines()
    return any(
        all(_stands(lines, _letters(word, narrow, rows, plain)) for word in words.split())
        for narrow, rows, plain in SIZES
    )


def _letters(word: str, narrow: float, rows: int, plain: bool) -> list[str]:
    whole = large(word, width=200, rows=5, ascii_only=True)
    assert whole is not None
    width = math.ceil(len(whole[0]) / narrow)
    return large(word, width=width, rows=rows, ascii_only=plain) or ["no such size"]


def _stands(lines: list[str], letters: list[str]) -> bool:
    return all(any(row.strip() in line for line in lines) for row in letters)


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


@pytest.mark.parametrize("kind", sorted(CARE_ONLY))
def test_a_load_near_what_the_cell_bears_is_a_warning_at_the_bar_and_no_stop(kind: str) -> None:
    near = Finding.of(kind, load_n=1600.0, rating_n=1961.33, part="cell")
    for size in ((40, 20), (80, 24), (200, 60)):
        text = drawn(replace(SCENE, snapshot=replace(LIVE, alarm=near)), *size)
        assert holds(text, "163.15 kg is near the 200.00 kg that the cell may bear")
        assert not is_large(text, "STOP")


HEIGHTS = re.compile(r"38\.42|14\.58|S seat|\[[=█]|>larch")  # height, depth, marks, the bar, a turn


def test_without_a_datum_there_is_no_height_no_bar_no_turn() -> None:
    assert len(set(HEIGHTS.findall(drawn(SCENE)))) == 5
    for size in ((80, 24), (200, 60)):
        for ascii_only in (False, True):
            text = drawn(scene_of("datum lost"), *size, ascii_only=ascii_only)
            assert not set(HEIGHTS.findall(text)) - {"S seat"}  # the set's plot may still say it
            assert is_large(text, "SET THE DATUM")
            assert holds(text, "--datum 30mm")
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
