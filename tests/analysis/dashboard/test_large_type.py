"""Large type: every letter of a label is drawn, all rows alike in width."""

from __future__ import annotations

import string

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.analysis.dashboard.large_type import ROWS, large

LARGEST = {"width": 200, "rows": ROWS}


@pytest.mark.parametrize("one", string.ascii_letters + string.digits + "-+.,:_?")
def test_every_character_of_a_plain_label_is_five_rows(one: str) -> None:
    lines = large(one, **LARGEST, ascii_only=True)
    assert lines is not None
    assert len(lines) == ROWS
    assert len({len(line) for line in lines}) == 1
    assert set("".join(lines)) <= {"#", " "}
    assert "#" in "".join(lines)


def test_no_two_letters_look_alike() -> None:
    shapes = {
        one: tuple(large(one, **LARGEST, ascii_only=True) or ()) for one in string.ascii_uppercase
    }
    digits = {one: tuple(large(one, **LARGEST, ascii_only=True) or ()) for one in string.digits}
    assert len(set(shapes.values())) == 26
    assert len(set(digits.values())) == 10


def test_what_cannot_be_drawn_is_none() -> None:
    assert large("œuf", **LARGEST, ascii_only=True) is None
    assert large("", **LARGEST, ascii_only=True) is None


def test_blocks_where_the_terminal_has_them() -> None:
    lines = large("A-1", **LARGEST, ascii_only=False)
    assert lines is not None
    assert set("".join(lines)) == {"█", " "}


# What a block character of Unicode (U+2580 to U+259F) fills: upper left, upper right, lower left,
# lower right.
QUADRANTS = {
    " ": "    ", "▘": "#   ", "▝": " #  ", "▀": "##  ", "▖": "  # ", "▌": "# # ", "▞": " ## ",
    "▛": "### ", "▗": "   #", "▚": "#  #", "▐": " # #", "▜": "## #", "▄": "  ##", "▙": "# ##",
    "▟": " ###", "█": "####",
}  # fmt: skip


def dots(lines: list[str], columns: int, rows: int) -> list[str]:
    """Return the dots that block characters show, cut to so many."""
    found = []
    for line in lines:
        for upper in (True, False):
            two = (QUADRANTS[one][:2] if upper else QUADRANTS[one][2:] for one in line)
            found.append("".join(two)[:columns])
    return found[:rows]


@pytest.mark.parametrize("text", ["STOP", "SET THE DATUM", "birch-05", "WRONG SPRING?"])
def test_the_small_sizes_show_the_dots_of_the_large_one(text: str) -> None:
    whole = large(text, **LARGEST, ascii_only=True)
    assert whole is not None
    width = len(whole[0])
    small = large(text, width=width // 2 + 1, rows=3, ascii_only=False)
    assert small is not None
    assert dots(small, width, ROWS) == whole
    middle = large(text, width=width, rows=3, ascii_only=False)
    assert middle is not None
    assert [line[::2] for line in dots(middle, 2 * width, ROWS)] == whole


def test_words_go_on_another_row_of_letters_where_one_is_too_narrow() -> None:
    lines = large("SET THE DATUM", width=40, rows=11, ascii_only=True)
    assert lines is not None
    assert len(lines) == 2 * ROWS + 1
    assert max(map(len, lines)) <= 40
    assert large("SET THE DATUM", width=40, rows=10, ascii_only=True) is None
    assert large("DATUM", width=28, rows=99, ascii_only=True) is None  # 29 wide


@given(st.text(string.ascii_letters + " -?", max_size=20), st.integers(0, 120), st.integers(0, 12))
@settings(max_examples=100, deadline=None)
def test_it_fits_or_is_none(text: str, width: int, rows: int) -> None:
    for ascii_only in (False, True):
        lines = large(text, width=width, rows=rows, ascii_only=ascii_only)
        assert lines is None or (len(lines) <= rows and max(map(len, lines)) <= width)


@pytest.mark.parametrize("ascii_only", [False, True])
def test_where_there_is_room_each_dot_takes_two_characters_both_ways(ascii_only: bool) -> None:
    small = large("STOP", width=45, rows=9, ascii_only=ascii_only)
    assert small is not None
    width = len(small[0])
    assert (len(small), large("STOP", width=2 * width - 1, rows=10, ascii_only=ascii_only)) == (
        5,
        small,
    )
    assert large("STOP", width=2 * width, rows=9, ascii_only=ascii_only) == small
    grown = large("STOP", width=2 * width, rows=10, ascii_only=ascii_only)
    assert grown is not None
    assert [row[::2] for row in grown[::2]] == small
    assert [row[1::2] for row in grown[1::2]] == small
