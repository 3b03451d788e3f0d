"""A number that may be a height or a depth is asked about before springs are pressed to it."""

from __future__ import annotations

from collections.abc import Callable
from io import StringIO
from typing import Any

import pytest

Call = Callable[..., Any]


@pytest.fixture
def oak(call: Call) -> Call:
    new = ("set", "new", "oak", "--role", "outer", "--count", "2", "--free-length", "53mm")
    assert call(*new).status == 0
    return call


@pytest.mark.parametrize(
    ("at", "answers", "asked", "height_mm"),
    [
        (["15"], "d\n22.4\nq\n", "Is 15.00 mm a height, or how deep to press?", 38.0),
        (["15mm"], "h\n70\nq\n", "Is 15.00 mm a height", 15.0),
        (["15", "25.4"], "d\n22.4\nq\n", "Are 15.00 mm and 25.40 mm heights", 38.0),
        (["38.5"], "22.4\nq\n", None, 38.5),
        (["38.5", "27.6"], "22.4\nq\n", None, 38.5),
        ([], "15 25.4\nd\n22.4\nq\n", "Are 15.00 mm and 25.40 mm heights", 38.0),
    ],
)
def test_of_heights_to_read_at(
    oak: Call,
    monkeypatch: pytest.MonkeyPatch,
    at: list[str],
    answers: str,
    asked: str | None,
    height_mm: float,
) -> None:
    monkeypatch.setattr("sys.stdin", StringIO(answers))
    options = [word for each in at for word in ("--at", each)]
    said = oak("note", "--set", "oak", *options)
    assert said.status == 0
    assert asked in said.out if asked else "how deep" not in said.out
    (row,) = oak("set", "readings", "oak", "--json").document["readings"]
    assert (row["height_mm"], row["depth_mm"]) == (height_mm, None)


def test_nobody_there_to_answer_stores_nothing(oak: Call, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdin", StringIO(""))
    assert oak("note", "--set", "oak", "--at", "15").status != 0


def test_where_the_set_was_read_tells_which_it_is(
    oak: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Springs that are read at 15 mm are not asked about it again."""
    assert oak("note", "--set", "oak", "--yes", "1 15mm 70kg").status == 0
    monkeypatch.setattr("sys.stdin", StringIO("71\nq\n"))
    assert "how deep" not in oak("note", "--set", "oak", "--at", "15").out
