"""Benches keep their own books and meet in the store: what one has, the others get, whole."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from coilbench.capture.book.by_hand import add_springs
from coilbench.capture.book.nominals import NominalLoad, SetNominal
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import find_set, rename_set
from coilbench.capture.book.soundness import check_book
from coilbench.capture.book.sweeps import StrokeRow
from coilbench.capture.book.told import NAME, NOMINAL, Told
from coilbench.capture.shop import pulling, pushing, reading
from coilbench.capture.shop.outcome import Shared
from coilbench.capture.shop.rows import parted
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


def test_what_became_of_a_set_before_it_came_in_is_no_news(tmp_path, ann, share) -> None:
    """A book that has the set hears of each change, one that meets it then of none."""
    bob = tmp_path / "bob.db"
    share(bob)
    heard = []
    for load_n, name in ((290.0, "fir"), (300.0, "elm")):
        with open_book(ann) as db:
            record = find_set(db, heard[-1] if heard else "larch")
            record.keep_nominal(db, SetNominal((NominalLoad(33.0, load_n),)))
            rename_set(db, record, name)
        heard.append(name)
        share(ann)
    told = [one for one in share(bob).pulled.notes if isinstance(one, Told)]
    assert {one.what for one in told} == {NAME, NOMINAL}
    fresh = tmp_path / "third.db"
    assert share(fresh).pulled.notes == []
    assert content(fresh) == content(bob)


@pytest.mark.parametrize("labels", [("larch-04", "larch-05"), ("larch-04", "larch-04")])
def test_springs_that_two_benches_added_to_one_set_all_join_it(
    tmp_path, ann, bob, share, labels
) -> None:
    for path, label in zip((ann, bob), labels, strict=True):
        with open_book(path) as db:
            add_springs(db, find_set(db, "larch"), [label])
        press(path, label, 21)
    for path in (bob, ann, bob):
        share(path)
    fresh = make_empty(tmp_path / "third.db")
    share(fresh)
    assert content(ann) == content(bob) == content(fresh)
    assert turns(ann) == turns(bob) == turns(fresh)
    assert len({label for _, label, _ in turns(fresh)}) == 5
    assert check_book(fresh).findings == []
    for path in (ann, bob, fresh):
        again = share(path)
        assert (again.pulled.rows, again.pushed.rows, again.news) == ({}, {}, ())


def turns(path: Path) -> list[tuple[int, str, str]]:
    with open_book(path) as db:
        return db.execute("SELECT turn, label, id FROM springs ORDER BY turn").fetchall()


def test_a_spring_that_one_bench_added_comes_to_the_others(ann, bob, share) -> None:
    with open_book(bob) as db:
        add_springs(db, find_set(db, "larch"), ["larch-04"])
    press(bob, "larch-04", 11)
    press(ann, "larch-01", 12)
    for path in (bob, ann, bob):
        share(path)
    assert content(ann) == content(bob)


def test_only_what_is_new_travels_and_a_changed_mind_with_it(tmp_path, ann, bob, share) -> None:
    press(bob, "larch-02", 9)
    with open_book(bob) as db:
        record = find_set(db, "larch")
        StrokeRow.keep_rulings(db, record, [("larch-01", 1, "leave")])
        rename_set(db, record, "fir")
    pushed = share(bob).pushed.rows
    assert (pushed["sweeps"], pushed["sets"]) == (2, 1)  # one new, one ruled on
    assert share(ann).pulled.rows["sweeps"] == 1
    with open_book(ann) as db:
        record = find_set(db, "fir")
        assert StrokeRow.of_set(db, record)["larch-01"][0].ruling == "leave"
        StrokeRow.keep_rulings(db, record, [("larch-01", 1, None)])
    share(ann)
    share(bob)
    third = make_empty(tmp_path / "third.db")
    share(third)
    assert content(third) == content(ann) == content(bob)


def test_strokes_go_together_as_far_as_rows_and_bytes_allow() -> None:
    sizes = [("a", 3), ("b", 3), ("c", 9), ("d", 1), ("e", 1), ("f", 1)]
    assert list(parted(sizes, 2, 7)) == [["a", "b"], ["c"], ["d", "e"], ["f"]]
    assert list(parted([], 2, 7)) == []


def test_however_large_strokes_are_they_come_in_a_few_at_a_time(
    tmp_path: Path, larch: Path, share: Callable[..., Shared], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With room for the bytes of two strokes: three pushes of seven strokes, and so pulled."""
    with open_book(larch) as db:
        sizes = [row[0] for row in db.execute("SELECT length(samples_blob) FROM sweeps")]
    usual = max(size for size in sizes if size)
    for module in (pushing, reading):
        monkeypatch.setattr(module, "CHUNK_BYTES", 3 * usual)
    asked: list[int] = []
    real = reading.items_of

    def items_of(store, kind, ids, *more, **options):  # type: ignore[no-untyped-def]
        asked.append(len(ids) if kind.table == "sweeps" else 0)
        return real(store, kind, ids, *more, **options)

    monkeypatch.setattr(pulling, "items_of", items_of)
    share(larch)
    bob = make_empty(tmp_path / "bob.db")
    share(bob, push=False)
    assert content(bob) == content(larch)
    assert sum(asked) == len(sizes)
    assert max(asked) < len(sizes)
