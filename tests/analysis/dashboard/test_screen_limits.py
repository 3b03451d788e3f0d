"""Where what the dashboard says or draws turns over, a case to either side. Ours, no source."""

from __future__ import annotations

import io
import re
from typing import Any

import pytest
from msgspec.structs import replace
from rich.console import Console

from coilbench.analysis.dashboard.frame import frame
from coilbench.analysis.dashboard.scene import HeightBar, Scene, SetTable, SpringRow
from coilbench.analysis.report.units import Units
from coilbench.capture.running.commands import Event, EventKind, Snapshot
from coilbench.capture.strokes.judging import Purpose, Turn
from demo_scene import LOW, RESCUED, WAITS

LIVE = Snapshot(
    "larch", "x", link="up", turn=Turn("larch-01", Purpose.MEASURED, 1, 3), samples=10_000,
    sample_age_s=0.1, load_n=220.0, height_mm=38.5, phase="press", springs=2,
    curve=tuple((53.0 - at * 0.25, at * 4.0) for at in range(100)),
)  # fmt: skip

DATUM_SET = Event.of(
    EventKind.TURN, "datum_set", height_mm=30.0, moved_mm=None, u_mm=None, presses=12,
    differs=False, others=["larch", "birch"],
)  # fmt: skip


def shown(width: int = 100, height: int = 30, solid_mm: float | None = None, **changes: Any) -> str:
    snapshot = replace(LIVE, **changes)
    scene = Scene(snapshot, SetTable((38.5,), 3, (), solid_mm), Units(), (38.5, 27.6))
    out = io.StringIO()
    console = Console(file=out, width=width, height=height)
    console.print(frame(scene, width=width, height=height, ascii_only=True))
    return out.getvalue()


def said(**changes: Any) -> str:
    return shown(**changes).splitlines()[1].partition("  ")[0]


def test_losses_of_the_link() -> None:
    good, fair, poor = (said(lost_share=share) for share in (0.0, 0.005, 0.1))
    assert len({good, fair, poor}) == 3
    assert said(lost_share=0.0004) == good  # five in ten thousand are fair
    assert said(lost_share=0.0006) == fair
    assert said(lost_share=0.0099) == fair  # one in a hundred is poor
    assert said(lost_share=0.0101) == poor


@pytest.mark.parametrize(("age_s", "now"), [(0.49, True), (0.51, False)])
def test_a_number_older_than_half_a_second_is_not_shown_as_now(age_s: float, now: bool) -> None:
    text = shown(sample_age_s=age_s, free_length_mm=53.0)
    assert bool(re.search(r"load +22\.43 kg.*height 38\.50 mm.*14\.50 mm.*pressing", text)) == now
    assert ("height       --" in text) != now
    assert ("NO SAMPLE for 0.5 s" in text) != now
    assert ("treat the spring as loaded" in text) != now


def test_near_coil_bind_begins_two_millimetres_above_solid() -> None:
    for height_mm, stop in ((26.01, False), (25.99, True)):
        text = shown(height_mm=height_mm, solid_mm=24.0)
        assert ("near coil bind" in text) == stop
        assert ("NOW: larch-01" in text) != stop
    # a quill that presses nothing binds nothing: the faces may come together
    assert "near coil bind" not in shown(height_mm=0.1, solid_mm=24.0, phase="idle", load_n=0.0)


@pytest.mark.parametrize(("height_mm", "left"), [(38.56, True), (38.54, False)])
def test_a_mark_is_reached_within_a_twentieth_of_a_millimetre(height_mm: float, left: bool) -> None:
    assert ("seat" in HeightBar(height_mm, 53.0, 24.0, (38.5, 27.6)).words(Units())) == left


@pytest.mark.parametrize(("solid_mm", "asked"), [(26.6, True), (26.7, False)])
def test_nobody_is_sent_within_a_millimetre_of_solid(solid_mm: float, asked: bool) -> None:
    bar = HeightBar(40.0, 53.0, solid_mm, (27.65,))
    assert ("12.35 mm" in bar.words(Units())) == asked


def drawn(width: int, height: int) -> str:
    rows = tuple(SpringRow(f"larch-{n:02d}", 3, (222.0,), (), ()) for n in (1, 2))
    scene = Scene(
        LIVE,
        SetTable((38.5,), 3, rows, band=((53.0, 0.0, 0.0), (28.0, 390.0, 410.0))),
        Units(),
        (38.5,),
        "",
        "",
    )
    out = io.StringIO()
    console = Console(file=out, width=width, height=height)
    console.print(frame(scene, width=width, height=height, ascii_only=True))
    return out.getvalue()


def test_what_a_larger_screen_shows_more() -> None:
    assert "*" not in drawn(69, 24)  # the curve, from 70 characters on
    assert "*" in drawn(70, 24)
    assert "NOW:" in drawn(120, 31)  # whose turn it is in large type, from 32 lines on
    assert "NOW:" not in drawn(120, 32)
    large = [sum(line.count("#") for line in drawn(120, rows).splitlines()) for rows in (43, 44)]
    assert large[1] > 1.5 * large[0]  # load and height too, from 44 lines on


@pytest.mark.parametrize(("width", "height"), [(80, 24), (40, 12), (100, 30), (200, 60), (60, 20)])
@pytest.mark.parametrize("news", [(), (RESCUED,), (WAITS,), (RESCUED, WAITS), (WAITS, DATUM_SET)])
def test_the_way_out_stands_on_every_screen_that_says_let_it_up(
    width: int, height: int, news: tuple[Event, ...]
) -> None:
    """A scale that slipped reads as a quill that is not let up does."""
    events = tuple(enumerate(news, start=1))
    text = " ".join(
        shown(width, height, quill_low=LOW, phase="idle", load_n=0.1, events=events).split()
    )
    assert "not let up, or the scale slipped" in text
    assert "it is up? press d and set the datum" in text
    assert "the quill stood" not in text
