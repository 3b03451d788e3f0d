"""What the user says of the rig: kept, refused where impossible, and what follows from it."""

from __future__ import annotations

from pathlib import Path

import pytest

from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.errors import CoilbenchError

TOLD = Ratings(cell_n=1961.0, press_n=1100.0, rests_n=1.4, cups_meet_mm=18.0)


def test_a_book_keeps_what_is_told_and_the_last_word_holds(tmp_path: Path) -> None:
    with open_book(tmp_path / "a.db", create=True) as db:
        assert Ratings.of_book(db) == Ratings()
        TOLD.store(db)
        assert Ratings.of_book(db) == TOLD
        Ratings(rests_n=0.0).store(db)
        assert Ratings.of_book(db) == Ratings(rests_n=0.0)


@pytest.mark.parametrize(
    ("told", "what"),
    [
        ({"cell_n": 0.0}, "cell"),
        ({"press_n": -1.0}, "press"),
        ({"rests_n": -0.1}, "rests"),
        ({"cups_meet_mm": float("nan")}, "cups"),
    ],
)
def test_impossible_words_are_refused(told: dict[str, float], what: str) -> None:
    with pytest.raises(CoilbenchError, match=what):
        Ratings(**told)


@pytest.mark.parametrize("lengths_mm", [[0.0, 30.0], [40.0, 18.0]])
def test_no_gauge_stands_where_the_cups_have_met(lengths_mm: list[float]) -> None:
    with pytest.raises(CoilbenchError, match="18 mm"):
        TOLD.refuse_gauges(lengths_mm)
    Ratings().refuse_gauges(lengths_mm)  # where it is not told, nothing is known


def test_a_gauge_just_longer_than_the_cups_is_taken() -> None:
    TOLD.refuse_gauges([18.1, 30.0])
    TOLD.refuse_gauges([])
