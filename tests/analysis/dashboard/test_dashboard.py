"""One frame of the dashboard: what it says, and that it fits the screen."""

from __future__ import annotations

import io
import re
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from rich.console import Console

from coilbench.analysis.dashboard.frame import frame
from coilbench.analysis.dashboard.scene import Scene, SetTable, SpringRow
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding
from coilbench.capture.running.commands import Event, EventKind, Snapshot
from coilbench.capture.strokes.judging import Purpose, Turn
from coilbench.capture.unit_factors import LBF_N

CURVE = tuple((60.0 - i * 0.3, max(0.0, (53.0 - 60.0 + i * 0.3) * 16.0)) for i in range(100))


def stroke(what: str, number: int, **facts: object) -> Event:
    kind = EventKind.KEPT if what == "stroke_kept" else EventKind.REFUSED
    whose = {"label": "larch-01", "purpose": "measured", "stroke": number, "strokes": 3}
    return Event(kind, Finding(what, {**whose, "findings": [], **facts}))


GONE = Finding.of("control_closed", cause="folder_shared", path="gone " * 40)
LIVE = Snapshot(
    set_name="larch",
    source="serial:///dev/ttyUSB0",
    link="up",
    link_what=Finding.of("rig", firmware="coilbench-0.1.0", device_id="A"),
    rate_hz=93.1,
    samples=1200,
    sample_age_s=0.05,
    load_n=222.8,
    height_mm=38.5,
    free_length_mm=53.0,
    phase="press",
    turn=Turn("larch-02", Purpose.MEASURED, 1, 3),
    springs_done=1,
    springs=12,
    events=(
        (1, stroke("stroke_kept", 2, peak_n=431.0, lowest_mm=25.94, next_label=None)),
        (2, stroke("stroke_refused", 3, status="aborted")),
        (3, stroke("stroke_kept", 3, peak_n=431.3, lowest_mm=25.94, next_label="larch-02")),
    ),
    curve=CURVE,
)
TABLE = SetTable(
    (38.5, 27.6),
    3,
    tuple(
        SpringRow(
            f"larch-{n:02d}",
            3,
            (222.0, None),
            ("weak",) if n == 4 else (),
            ("18.1% below the set's middle",) if n == 4 else (),
        )
        for n in range(1, 13)
    ),
    solid_mm=24.0,
    band=tuple((53.0 - d, d * 15.8, d * 16.3) for d in range(28)),
)
SCENE = Scene(
    LIVE,
    TABLE,
    Units(),
    (38.5, 27.6),
    "calibrated 3 days ago; check with 20 kg passed a day ago",
    "r redo  s skip  b back  n rename  f finish  q leave",
)


def drawn(
    scene: Scene | Snapshot, width: int = 80, height: int = 24, *, ascii_only: bool = False
) -> str:
    if isinstance(scene, Snapshot):
        scene = replace(SCENE, snapshot=scene)
    out = io.StringIO()
    console = Console(file=out, width=width, height=height, force_terminal=False)
    console.print(frame(scene, width=width, height=height, ascii_only=ascii_only))
    return out.getvalue()


@pytest.mark.parametrize(
    "words",
    [
        "set larch",
        r"\b1 of 12 springs",
        r"link good.*\b0\.1 s",
        r"\b3 days.*\b20 kg",
        r">larch-02",
        r"stroke 1 of 3",
        r"22\.72 kg",  # 222.8 N / 9.80665 = 22.719
        r"height 38\.50 mm",
        r"depth 14\.50 mm",
        "pressing",
        r"S seat 38\.50 mm",
        r"\b10\.90 mm.*\b27\.60 mm.*\b14\.50 mm.*\b24\.00 mm",
        r"larch-04 weak: 18\.1% below",
        r"larch-01.*\b3 of 3.*\b43\.98 kg",
        "r redo",
        "Eye protection",
    ],
)
def test_a_frame_says(words: str) -> None:
    assert re.search(words, drawn(SCENE))


def test_a_large_screen_says_whose_turn_it_is_in_large_type() -> None:
    lines = drawn(SCENE, 200, 60, ascii_only=True).splitlines()
    assert "NOW:" not in "\n".join(lines)
    assert sum("#   #" in line for line in lines) > 5
    assert any(line.strip() == "stroke 1 of 3" for line in lines)
    assert any(re.search(r"larch-01.*\b2 of 3", line) for line in lines)  # events before the last


@pytest.mark.parametrize("size", [(80, 24), (200, 60), (120, 35), (60, 20), (40, 15), (300, 100)])
@pytest.mark.parametrize("link", ["up", "lost"])
def test_a_frame_fits_the_screen(size: tuple[int, int], link: str) -> None:
    lines = drawn(replace(LIVE, link=link, link_what=GONE), *size).splitlines()
    assert len(lines) <= size[1]
    assert max(len(line) for line in lines) <= size[0]
    assert lines[-1].startswith("Eye protection")


@pytest.mark.parametrize("height", range(1, 34))
@pytest.mark.parametrize("link", ["up", "lost"])
def test_the_caution_is_the_last_line_of_every_screen(height: int, link: str) -> None:
    lines = drawn(replace(LIVE, link=link, link_what=GONE), 80, height).splitlines()
    assert len(lines) == height
    assert "eye protection" in lines[-1].lower()


@given(st.integers(1, 260), st.integers(1, 90), st.booleans())
@settings(max_examples=80, deadline=None)
def test_any_size_of_screen_is_filled_and_not_overrun(
    width: int, height: int, ascii_only: bool
) -> None:
    lines = drawn(SCENE, width, height, ascii_only=ascii_only).splitlines()
    assert len(lines) <= height
    assert max(len(line) for line in lines) <= width


def test_it_fills_the_screen_so_that_nothing_jumps() -> None:
    heights = {len(drawn(one).splitlines()) for one in (LIVE, replace(LIVE, curve=()))}
    assert heights == {24}


def test_what_was_lost_before_the_last_minute_stays_in_the_counts_alone() -> None:
    assert re.search(r"link good.*\blost 200\b", drawn(replace(LIVE, samples_lost=200), 120))


def test_no_colour_carries_meaning_alone() -> None:
    # Written without colour, a lost link, silence, a refusal and losses are still words and marks.
    what = Finding.of("link_lost", cause={"kind": "no_such_port"})
    lost = Snapshot("larch", "x", link="lost", link_what=what)
    assert re.search("LINK LOST(.|\n)*there is no such port", drawn(lost))
    assert "NO SAMPLE for 4.2 s" in drawn(Snapshot("larch", "x", link="up", sample_age_s=4.2))
    assert "\n! larch-01, stroke 3 of 3: does not count" in drawn(
        replace(LIVE, events=LIVE.events[:2], phase="idle")
    )
    assert "link fair in the last minute" in drawn(replace(LIVE, lost_share=0.0005))
    assert "link poor in the last minute" in drawn(replace(LIVE, lost_share=0.01))


@pytest.mark.parametrize(
    ("height_mm", "said", "unsaid"),
    [
        (45.0, r"6\.50 mm to seat", "near coil"),
        (38.5, r"10\.90 mm to open", "near coil"),
        (27.55, "far enough: let it up", "near coil"),
        (25.5, r"near coil bind, 1\.50 mm", "to open"),
        (23.9, r"at the expected.*\b24\.00 mm", "to open"),
    ],
)
def test_it_warns_before_coil_bind(height_mm: float, said: str, unsaid: str) -> None:
    text = drawn(replace(LIVE, height_mm=height_mm))
    assert re.search(said, text)
    assert unsaid not in text


@given(
    st.floats(0.0, 80.0),
    st.lists(st.floats(5.0, 60.0), max_size=3).map(tuple),
    st.none() | st.floats(5.0, 60.0),
    st.none() | st.floats(5.0, 60.0),
)
@settings(max_examples=100, deadline=None)
def test_nobody_is_told_to_press_to_solid(
    height_mm: float,
    heights_mm: tuple[float, ...],
    reach_mm: float | None,
    solid_mm: float | None,
) -> None:
    snapshot = replace(LIVE, height_mm=height_mm, reach_height_mm=reach_mm, free_length_mm=None)
    scene = replace(
        SCENE, snapshot=snapshot, heights_mm=heights_mm, table=replace(TABLE, solid_mm=solid_mm)
    )
    text = drawn(scene, 100, 30)
    assert len(text.splitlines()) == 30
    wanted = [h for h in (*heights_mm, reach_mm) if h is not None and h < height_mm - 0.05]
    if solid_mm is not None and wanted and max(wanted) - solid_mm < 1.0:
        assert "mm to seat" not in text
        assert "mm to open" not in text
        assert "mm to target" not in text


def test_without_heights_the_nominals_of_the_set_are_marked() -> None:
    plain = replace(SCENE, heights_mm=())
    assert "no height is asked for" in drawn(plain)
    text = drawn(replace(plain, table=replace(TABLE, nominal_mm=(37.0, 28.0))))
    assert "S seat 37.00 mm" in text
    assert "O open 28.00 mm" in text


def test_a_set_that_is_done_says_how_long_its_end_is_held_open() -> None:
    done = replace(LIVE, turn=None, springs_done=12, ends_in_s=24.3)
    assert "the set is done; ends by itself in 24 s" in drawn(done)
    assert "the set is done" in drawn(done, 200, 60)


def test_a_terminal_without_braille_gets_plain_dots() -> None:
    for size in ((80, 24), (200, 60)):
        text = drawn(SCENE, *size, ascii_only=True)
        assert text.isascii()
        assert "." in text
        assert "*" in text  # the stroke, over the band's dots


def test_the_current_spring_stays_in_view_in_a_long_set() -> None:
    rows = tuple(SpringRow(f"s-{n:03d}", 0, (), ()) for n in range(100))
    snapshot = Snapshot("s", "x", turn=Turn("s-057", Purpose.MEASURED, 1, 3), springs=100)
    text = drawn(Scene(snapshot, SetTable((), 3, rows), Units()), ascii_only=True)
    assert ">s-057" in text


def test_more_flags_than_room_are_counted() -> None:
    rows = tuple(replace(row, flags=("weak",), reasons=("too weak",)) for row in TABLE.rows)
    text = drawn(replace(SCENE, table=replace(TABLE, rows=rows)))
    assert "larch-01 weak: too weak" in text
    assert "and 11 more" in text


def test_the_curve_grows_over_the_band_as_the_stroke_goes_on() -> None:
    frames = [drawn(replace(LIVE, curve=CURVE[:n]), ascii_only=True) for n in (30, 60, 100)]
    stars = [text.count("*") for text in frames]
    assert all(less < more for less, more in pairwise(stars))


def test_the_latest_event_is_told_from_its_beginning_at_80_by_24() -> None:
    lost = Finding.of("datum_lost").to_document()
    refused = stroke("stroke_refused", 2, status="gapped", findings=[lost])
    snapshot = replace(SCENE.snapshot, events=(*SCENE.snapshot.events, (99, refused)), phase="idle")
    text = " ".join(drawn(snapshot, 80, 24).split())
    assert re.search("stroke 2 of .*samples are missing.*heights are unknown", text)


def test_a_press_that_is_kept_says_how_well_load_and_height_are_known() -> None:
    known = {"peak_n": 431.3, "lowest_mm": 25.94, "next_label": None}
    with_u = stroke("stroke_kept", 2, **known, peak_u_n=1.2, lowest_u_mm=0.04)
    rigid = stroke("stroke_kept", 2, **known, peak_u_n=1.2, lowest_u_mm=None)
    said = describe(with_u.what, Units())
    assert "43.98 kg at 25.94 mm (rig: ± 0.12 kg, ± 0.04 mm)" in said
    unsure = describe(rigid.what, Units())
    assert re.search(r"43\.98 kg at 25\.94 mm.*± 0\.12 kg.*give is not measured", unsure)


def test_units_are_the_users() -> None:
    text = drawn(replace(SCENE, units=Units("lbf", "in")))
    assert "50.1 lbf" in text  # 222.8 N / 4.44822
    assert "1.516 in" in text
    assert f"stroke 3 of 3: {431.3 / LBF_N:.1f} lbf at 1.021 in" in text  # 25.94 mm / 25.4
    flag_reason = "larch-04 weak"  # comes ready-made
    assert " mm" not in "".join(one for one in text.splitlines() if flag_reason not in one)


@given(
    st.lists(
        st.tuples(st.floats(0, 200, allow_nan=False), st.floats(-50, 5000, allow_nan=False)),
        max_size=50,
    )
)
@settings(max_examples=50, deadline=None)
def test_any_curve_can_be_drawn(curve: list[tuple[float, float]]) -> None:
    assert "set larch" in drawn(Snapshot("larch", "x", curve=tuple(curve)))


def test_that_the_link_is_up_hides_nothing_that_was_said_before() -> None:
    rescued = Finding.of("strokes_rescued", strokes=1, rescued=[])
    up = Finding.of("connected", source="virtual:", firmware="own-1", device_id="1")
    events = ((1, Event(EventKind.RESCUED, rescued)), (2, Event(EventKind.LINK, up)))
    assert "1 unfinished stroke rescued" in drawn(replace(LIVE, events=events))
    assert "connected to virtual:" in drawn(replace(LIVE, events=events[1:]))
