"""A set that was removed at one bench while another goes on with it returns, whole."""

from __future__ import annotations

import pytest

from coilbench.capture.book.by_hand import edit_set
from coilbench.capture.book.keyed_readings import store_readings
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, find_set, new_set, remove_set
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.tables.keyed import KeyedReading
from support.shop_books import content, make_empty, press


def reads(db) -> None:
    readings = [KeyedReading("fir-01", 200.0, height_mm=38.5)]
    store_readings(db, find_set(db, "fir"), readings, KeyedSetup())


def notes(db) -> None:
    edit_set(db, find_set(db, "fir"), {"note": "rusty"})


def nothing(_) -> None:
    pass


@pytest.mark.parametrize("gives", [reads, notes, nothing])
def test_a_removed_set_returns_when_another_bench_gives_something_of_it(
    tmp_path, larch, share, gives
) -> None:
    with open_book(larch) as db:
        edit_set(db, new_set(db, SetPlan("fir", "inner", ("fir-01",))), {"wire_mm": 3.1})
    share(larch)
    bob = make_empty(tmp_path / "bob.db")
    share(bob)
    with open_book(larch) as db:
        remove_set(db, find_set(db, "fir"))
    with open_book(bob) as db:
        gives(db)
    press(bob, "larch-02", 71)
    share(bob)
    done = share(larch)
    assert done.left == ()
    said = [str(note) for note in done.pulled.notes if "fir" in str(note)]
    if gives is nothing:
        assert said == []  # what one bench removes stays away for it
        return
    assert any("fir was removed from this book and is back" in one for one in said)
    assert share(bob).left == ()
    assert content(bob) == content(larch)
