"""The bar toward the height that is wanted: where marks and press stand, and what is said."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.analysis.dashboard.scene import HeightBar
from coilbench.analysis.report.units import Units

SEAT, OPEN = 38.5, 27.6
MM = Units()


@pytest.mark.parametrize(
    ("heights_mm", "reach_mm", "letters"),
    [
        ((38.5, 27.6), None, "SO"),
        ((27.6, 38.5), 27.6, "SO"),
        ((38.5, 27.6), 26.0, "SOT"),
        ((38.5, 33.0, 27.6), None, "S|O"),
        ((38.5,), None, "T"),
        ((), 30.0, "T"),
        ((), None, ""),
    ],
)
def test_seat_is_the_highest_and_open_the_lowest(
    heights_mm: tuple[float, ...], reach_mm: float | None, letters: str
) -> None:
    bar = HeightBar(None, None, None, heights_mm, reach_mm)
    assert "".join(mark.letter for mark in bar.marks) == letters


def test_marks_and_press_stand_where_they_should() -> None:
    """Hand reckoned: 60 free to 20 low (6 % below 22.264), 41 cells of 1 mm."""
    low_mm = (20.0 + 0.06 * 60.0) / 1.06
    bar, below = HeightBar(40.0, 60.0, low_mm, (50.0, 30.0)).lines(43, Units(), ascii_only=True)
    assert bar == "[==========S=========>---------O-------XXX]"
    assert below.index("S seat 50.00 mm") + len("S seat 50.00 mm") // 2 == 11
    assert len(below) == 43


@given(
    st.none() | st.floats(0, 90),
    st.none() | st.floats(1, 90),
    st.none() | st.floats(1, 90),
    st.lists(st.floats(1, 90), max_size=4),
    st.integers(0, 220),
)
@settings(max_examples=100, deadline=None)
def test_any_bar_is_as_wide_as_asked(
    height_mm: float | None,
    free_mm: float | None,
    solid_mm: float | None,
    heights_mm: list[float],
    width: int,
) -> None:
    bar = HeightBar(height_mm, free_mm, solid_mm, heights_mm)
    for ascii_only in (False, True):
        for line in bar.lines(width, Units(), ascii_only=ascii_only):
            assert len(line) in (0, width)
            assert line.isascii() or not ascii_only
    bar.words(Units())


def test_words_lead_to_the_next_mark_and_then_up() -> None:
    def said(height_mm: float, solid_mm: float | None = None) -> str:
        return HeightBar(height_mm, 53.0, solid_mm, (SEAT, OPEN)).words(Units())

    assert re.search(r"\b1\.50 mm.*\b38\.50 mm", said(40.0))
    assert re.search(r"\b10\.92 mm.*\b27\.60 mm", said(38.52))
    assert said(27.6) == "far enough: let it up"
    assert "don't press that far" in said(30.0, solid_mm=27.0)
    assert said(30.0, solid_mm=26.0) == "2.40 mm to open at 27.60 mm"


def filled(height_mm: float) -> float:
    """Return how far a bar of 40 characters is filled; an eighth block is that much of one."""
    bar, _ = HeightBar(height_mm, 60.0, None, (20.0,)).lines(42, MM, ascii_only=False)
    eighths = {"\u2588": 1.0, **{chr(0x2590 - n): n / 8 for n in range(1, 8)}}  # Unicode's order
    return sum(eighths.get(one, 0.0) for one in bar)


def test_the_bar_moves_by_eighths_of_a_character() -> None:
    at = [filled(mm) for mm in np.linspace(60.0, 22.0, 400)]
    steps = np.diff(at)
    assert set(steps.tolist()) <= {0.0, 0.125}
    assert at[0] == 0.0
    # from free to 6 % beyond the target are 42.4 mm on 40 characters
    assert at[-1] == pytest.approx(38.0 / 42.4 * 40, abs=0.125)


def test_the_warning_before_coil_bind() -> None:
    def said(height_mm: float, solid_mm: float | None, units: Units = MM) -> str:
        return HeightBar(height_mm, None, solid_mm, ()).bind_warning(units) or ""

    assert said(30.0, None) == ""
    assert said(30.0, 24.5) == "5.50 mm to the expected solid height of 24.50 mm"
    assert re.search(r"near coil bind.*\b1\.50 mm.*\b24\.50 mm.*up", said(26.0, 24.5))
    assert re.search(r"at the expected solid height of 24\.50 mm.*up", said(24.5, 24.5))
    assert "0.965 in" in said(24.0, 24.5, Units("lbf", "in"))
