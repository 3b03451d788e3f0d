"""How many and how long: what a book takes, at the values of its limits."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from coilbench.capture.book.merging import merge_books
from coilbench.capture.book.nominals import NominalLoad, SetNominal
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, labels_for
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import Command


def taken(call: Callable[[], object]) -> bool:
    try:
        call()
    except CoilbenchError:
        return False
    return True


@pytest.mark.parametrize(
    ("call", "fits"),
    [
        (lambda: labels_for("larch", 999), True),
        (lambda: labels_for("larch", 1000), False),
        (lambda: SetPlan("x" * 60, "outer", ("1",)), True),
        (lambda: SetPlan("x" * 61, "outer", ("1",)), False),
        (lambda: SetPlan("x", "outer", ("1" * 60,)), True),
        (lambda: SetPlan("x", "outer", ("1" * 61,)), False),
        (lambda: Command.from_document({"action": "rename", "new_label": "x" * 100}), True),
        (lambda: Command.from_document({"action": "rename", "new_label": "x" * 101}), False),
        (lambda: SetNominal((NominalLoad(40.0, 99.0), NominalLoad(39.994, 100.0))), True),
        (lambda: SetNominal((NominalLoad(40.0, 99.0), NominalLoad(39.996, 100.0))), False),
    ],
)
def test_what_is_taken_and_what_is_too_much(call: Callable[[], object], fits: bool) -> None:
    assert taken(call) == fits


def test_a_spring_is_pressed_twice_before_three_strokes_count() -> None:
    plan = SetPlan("larch", "outer", ("1",))
    assert (plan.conditioning_strokes, plan.measured_strokes) == (2, 3)


@pytest.mark.parametrize(("books", "fits"), [(8, True), (9, False)])
def test_eight_books_are_merged_at_a_time(tmp_path: Path, books: int, fits: bool) -> None:
    paths = [tmp_path / f"{number}.db" for number in range(books + 1)]
    for path in paths:
        with open_book(path, create=True):
            pass
    assert taken(lambda: merge_books(paths[0], paths[1:])) == fits
