"""Benches keep their own books and meet in the store: what one has, the others get, whole."""

from __future__ import annotations

import pytest

from coilbench.capture.book.by_hand import add_springs
from coilbench.capture.book.naming import rename_set
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import find_set
from coilbench.capture.book.soundness import check_book
from coilbench.capture.book.sweeps import StrokeRow
from coilbench.capture.errors import CoilbenchError
from support.shop_books import content, make_empty, press


def test_a_fresh_bench_gets_all_that_another_has_to_the_last_digit(
    tmp_path, larch, share, answers
) -> None:
    first = share(larch)
    assert first.news == ("new_store",)
    assert first.pushed.rows == {
        "calibration_parts": 2, "calibrations": 1, "scales": 1, "sets": 1, "sweeps": 7,
    }  # fmt: skip
    third = tmp_path / "third.db"  # a book is made
    assert share(third).pulled.rows["sweeps"] == 7
    assert content(third) == content(larch)
    assert answers(third) == answers(larch)
    assert check_book(third).findings == []
    again = share(third)
    assert (again.pulled.rows, again.pushed.rows, again.news) == ({}, {}, ())


def test_springs_that_two_benches_added_to_one_set_are_refused_before_they_are_in_the_store(
    tmp_path, server, database, larch, share
) -> None:
    """Else no bench could pull any more."""
    share(larch)
    other = make_empty(tmp_path / "bob.db")
    share(other)
    for path, label in ((larch, "ann-1"), (other, "bob-1")):
        with open_book(path) as db:
            add_springs(db, find_set(db, "larch"), [label])
    share(larch)
    for options in ({}, {"pull": False}):
        with pytest.raises(CoilbenchError, match=r"springs were added to the set 'larch'"):
            share(other, **options)
    fresh = make_empty(tmp_path / "third.db")
    share(fresh)
    assert content(fresh) == content(larch)


def test_a_spring_that_one_bench_added_comes_to_the_others(tmp_path, larch, share) -> None:
    share(larch)
    other = make_empty(tmp_path / "bob.db")
    share(other)
    with open_book(other) as db:
        add_springs(db, find_set(db, "larch"), ["larch-04"])
    press(other, "larch-04", 11)
    press(larch, "larch-01", 12)
    for path in (other, larch, other):
        share(path)
    assert content(larch) == content(other)


def test_only_what_is_new_travels_and_a_changed_mind_with_it(tmp_path, larch, share) -> None:
    share(larch)
    other = make_empty(tmp_path / "bob.db")
    share(other)
    press(other, "larch-02", 9)
    with open_book(other) as db:
        record = find_set(db, "larch")
        StrokeRow.keep_rulings(db, record, [("larch-01", 1, "leave")])
        rename_set(db, record, "fir")
    pushed = share(other).pushed.rows
    assert (pushed["sweeps"], pushed["sets"]) == (1, 1)
    assert share(larch).pulled.rows["sweeps"] == 1
    with open_book(larch) as db:
        record = find_set(db, "fir")
        assert StrokeRow.of_set(db, record)["larch-01"][0].ruling == "leave"
        StrokeRow.keep_rulings(db, record, [("larch-01", 1, None)])
    share(larch)
    share(other)
    third = make_empty(tmp_path / "third.db")
    share(third)
    assert content(third) == content(larch) == content(other)
