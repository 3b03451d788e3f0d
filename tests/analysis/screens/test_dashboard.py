"""One frame of the dashboard: what it says, and that it fits the screen."""

from __future__ import annotations

import io

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from coilbench.analysis.screens.dashboard import SetTable, SpringRow, frame
from coilbench.capture.running.snapshot import Snapshot
from coilbench.capture.units import Units

CURVE = tuple((60.0 - i * 0.3, max(0.0, (53.0 - 60.0 + i * 0.3) * 16.0)) for i in range(100))
LIVE = Snapshot(
    set_name="larch",
    source="serial:///dev/ttyUSB0",
    link="up",
    link_words="coilbench-0.1.0",
    rate_hz=93.1,
    samples=1200,
    samples_lost=3,
    lines_bad=2,
    restarts=1,
    sample_age_s=0.05,
    load_n=222.8,
    height_mm=38.5,
    phase="press",
    turn="larch-02, stroke 1 of 3",
    label="larch-02",
    springs_done=1,
    springs=12,
    event="larch-01, stroke 3 of 3: 43.98 kg at 25.94 mm",
    curve=CURVE,
)
TABLE = SetTable(
    (38.5, 27.6),
    3,
    tuple(
        SpringRow(f"larch-{n:02d}", 3, (222.0, None), ("weak",) if n == 4 else ())
        for n in range(1, 13)
    ),
)


def drawn(
    snapshot: Snapshot, width: int = 80, height: int = 24, *, ascii_only: bool = False
) -> str:
    out = io.StringIO()
    console = Console(file=out, width=width, height=height, force_terminal=False)
    console.print(
        frame(snapshot, TABLE, Units(), width=width, height=height, ascii_only=ascii_only)
    )
    return out.getvalue()


def test_a_frame_says_link_turn_load_flags_and_safety() -> None:
    text = drawn(LIVE)
    for words in (
        "set larch",
        "1 of 12 springs done",
        "link good",
        "lost 3",
        "bad 2",
        "restarts 1",
        "NOW: larch-02, stroke 1 of 3",
        "22.72 kg",  # 222.8 N / 9.80665
        "38.50 mm",
        "weak",
        "Eye protection",
    ):
        assert words in text


@pytest.mark.parametrize("size", [(80, 24), (200, 60), (60, 20), (40, 15)])
def test_a_frame_fits_the_screen(size: tuple[int, int]) -> None:
    lines = drawn(LIVE, *size).splitlines()
    assert len(lines) <= size[1]
    assert max(len(line) for line in lines) <= size[0]


def test_no_colour_carries_meaning_alone() -> None:
    # Written without colour, a lost link and silence are still words.
    lost = Snapshot("larch", "x", link="lost", link_words="the port is gone.")
    assert "LINK LOST: the port is gone." in drawn(lost)
    silent = Snapshot("larch", "x", link="up", sample_age_s=4.2)
    assert "NO SAMPLE for 4.2 s" in drawn(silent)


def test_a_terminal_without_braille_gets_plain_dots() -> None:
    text = drawn(LIVE, ascii_only=True)
    assert text.isascii()
    assert "." in text


def test_the_current_spring_stays_in_view_in_a_long_set() -> None:
    rows = tuple(SpringRow(f"s-{n:03d}", 0, (), ()) for n in range(100))
    out = io.StringIO()
    snapshot = Snapshot("s", "x", label="s-057", turn="s-057, stroke 1 of 3", springs=100)
    Console(file=out, width=80, height=24).print(
        frame(snapshot, SetTable((), 3, rows), Units(), width=80, height=24, ascii_only=True)
    )
    assert ">s-057" in out.getvalue()


@given(
    st.lists(
        st.tuples(st.floats(0, 200, allow_nan=False), st.floats(-50, 5000, allow_nan=False)),
        max_size=50,
    )
)
def test_any_curve_can_be_drawn(curve: list[tuple[float, float]]) -> None:
    snapshot = Snapshot("larch", "x", curve=tuple(curve))
    assert "set larch" in drawn(snapshot)
