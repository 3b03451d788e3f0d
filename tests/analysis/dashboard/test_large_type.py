"""Large type: every letter of a label is drawn, all rows alike in width."""

from __future__ import annotations

import string

import pytest

from coilbench.analysis.dashboard.drawing import ROWS, large


@pytest.mark.parametrize("one", string.ascii_letters + string.digits + "-+.,:_ ")
def test_every_character_of_a_plain_label_is_five_rows(one: str) -> None:
    lines = large(one, ascii_only=True)
    assert lines is not None
    assert len(lines) == ROWS
    assert len({len(line) for line in lines}) == 1
    assert set("".join(lines)) <= {"#", " "}
    assert ("#" in "".join(lines)) == (one != " ")


def test_no_two_letters_look_alike() -> None:
    shapes = {one: tuple(large(one, ascii_only=True) or ()) for one in string.ascii_uppercase}
    digits = {one: tuple(large(one, ascii_only=True) or ()) for one in string.digits}
    assert len(set(shapes.values())) == 26
    assert len(set(digits.values())) == 10


def test_what_cannot_be_drawn_is_none() -> None:
    assert large("œuf", ascii_only=True) is None
    assert large("", ascii_only=True) is None


def test_blocks_where_the_terminal_has_them() -> None:
    lines = large("A-1", ascii_only=False)
    assert lines is not None
    assert set("".join(lines)) == {"█", " "}
