"""A changed mind travels: of two words the later one holds, in whatever order books are merged."""

from __future__ import annotations

import itertools
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from sqlite_utils import Database

from coilbench.capture.book.by_hand import edit_set, keep_of_springs
from coilbench.capture.book.counting import uncount
from coilbench.capture.book.keyed_readings import store_readings
from coilbench.capture.book.merging import merge_books, settling
from coilbench.capture.book.nominals import NominalLoad, SetNominal
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import tell_set_rests
from coilbench.capture.book.rests import rests_of_sets
from coilbench.capture.book.sets import SetPlan, SetRecord, find_set, new_set, rename_set, set_names
from coilbench.capture.book.soundness import check_book
from coilbench.capture.book.sweeps import StrokeRow
from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.tables.keyed import KeyedReading
from coilbench.capture.tables.spring_lines import SpringEntry
from support.edits import change

Word = Callable[[Database, SetRecord], object]
BOOKS = ("a", "b", "c")


def sets(db: Database) -> dict[str, SetRecord]:
    """Return the set of each chain, whatever it is called by now: its first label stays."""
    found = (find_set(db, name) for name in set_names(db))
    return {one.labels[0].removesuffix("-01"): one for one in found}


def ruled(word: Any) -> Word:
    return lambda db, of: StrokeRow.keep_rulings(db, of, [(of.labels[0], 1, word)])


def called(name: str) -> Word:
    return lambda db, of: rename_set(db, of, name)


def labelled(label: str) -> Word:
    return lambda db, of: of.rename_spring(db, of.labels[1], label)


def nominal(load_n: float | None) -> Word:
    said = None if load_n is None else SetNominal((NominalLoad(38.5, load_n),))
    return lambda db, of: of.keep_nominal(db, said)


def free(length_mm: float) -> Word:
    return lambda db, of: edit_set(db, of, {"free_length_mm": length_mm}, sure=True)


def noted(words: str) -> Word:
    return lambda db, of: edit_set(db, of, {"note": words})


def marked(words: str) -> Word:
    return lambda db, of: keep_of_springs(db, of, [SpringEntry(of.labels[0], "mark", words=words)])


def rests(rests_n: float | None) -> Word:
    return lambda db, of: tell_set_rests(db, of.set_id, rests_n)


# Each about a set of its own: three words, the second said by one who knew of the first, the third
# of the second. The order that settles two words at once, or the alphabet, would take another than
# the last.
CHAINS: dict[str, tuple[Word, Word, Word, Callable[[Database, SetRecord], object], object]] = {
    "ruling": (
        ruled("use"), ruled("leave"), ruled(None),
        lambda db, of: StrokeRow.of_set(db, of)[of.labels[0]][0].ruling, None,
    ),
    "name": (called("yew"), called("oak"), called("fir"), lambda db, of: of.name, "fir"),
    "label": (labelled("y"), labelled("x"), labelled("b"), lambda db, of: of.labels[1], "b"),
    "nominal": (nominal(240.0), nominal(230.0), nominal(None), lambda db, of: of.nominal, None),
    "length": (free(54.0), free(53.5), free(53.0), lambda db, of: of.free_length_mm, 53.0),
    "note": (noted("rusty"), noted("no"), noted("a"), lambda db, of: of.note, "a"),
    "mark": (marked("w"), marked("r"), marked("b"), lambda db, of: of.springs[0].mark, "b"),
    "rests": (rests(3.0), rests(2.0), rests(None), lambda db, _: rests_of_sets(db), {}),
}  # fmt: skip


@pytest.fixture(scope="module")
def base(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("edits") / "base.db"
    with open_book(path, create=True) as db:
        for what in CHAINS:
            one = new_set(db, SetPlan(what, "outer", (f"{what}-01", f"{what}-02")))
            reading = KeyedReading(one.labels[0], 220.0, height_mm=38.5)
            store_readings(db, one, [reading], KeyedSetup())
    return path


def three(base: Path, folder: Path) -> dict[str, Path]:
    folder.mkdir(exist_ok=True)
    return {name: Path(shutil.copyfile(base, folder / f"{name}.db")) for name in BOOKS}


def say(path: Path, what: str, *words: Word) -> None:
    """Say words of one chain's set."""
    with open_book(path) as db:
        for word in words:
            word(db, sets(db)[what])


def say_all(path: Path, number: int) -> None:
    """Say the word of that number of each chain."""
    with open_book(path) as db:
        for what, chain in CHAINS.items():
            chain[number](db, sets(db)[what])


def heard(path: Path) -> dict[str, object]:
    """Return what each chain's words have left."""
    with open_book(path) as db:
        return {what: CHAINS[what][3](db, of) for what, of in sets(db).items()}


def rows(path: Path) -> list[list[tuple[Any, ...]]]:
    tables = ("sets", "springs", "sweeps", "hand_entries", "set_rests")
    with closing(sqlite3.connect(path)) as plain:
        return [sorted(plain.execute(f"SELECT * FROM {table}"), key=repr) for table in tables]


def test_the_last_word_holds_in_every_book_in_any_order_of_merging(
    base: Path, tmp_path: Path
) -> None:
    """Also where the clocks of those who came later go behind."""
    books = three(base, tmp_path)
    say_all(books["a"], 0)
    merge_books(books["b"], [books["a"]])
    say_all(books["b"], 1)
    merge_books(books["c"], [books["b"]])
    say_all(books["c"], 2)
    for table, column in (("hand_entries", "made_utc"), ("set_rests", "told_utc")):
        for book in books.values():
            sql = f"UPDATE {table} SET {column} = '2026-05-0' || (4 - edits) || 'T10:00:00+00:00'"
            change(book, sql)
    expected = {what: chain[4] for what, chain in CHAINS.items()}
    for number, order in enumerate(itertools.permutations(BOOKS)):
        mine = three(base, tmp_path / str(number))
        for name in BOOKS:
            shutil.copyfile(books[name], mine[name])
        one, two, last = (mine[name] for name in order)
        merge_books(one, [two])
        merge_books(one, [last])
        assert heard(one) == expected, order
        assert rows(one) == rows(books["c"])
        assert check_book(one).findings == []


def test_two_words_at_once_settle_the_same_everywhere(base: Path, tmp_path: Path) -> None:
    books = three(base, tmp_path)
    for number, name in enumerate(BOOKS):
        say_all(books[name], number)
    found = []
    for number, order in enumerate((("a", "b", "c"), ("c", "b", "a"), ("b", "c", "a"))):
        mine = three(base, tmp_path / str(number))
        for name in BOOKS:
            shutil.copyfile(books[name], mine[name])
        one, two, last = (mine[name] for name in order)
        merge_books(one, [two])
        merge_books(one, [last])
        again = rows(one)
        merge_books(one, [last, two])
        assert rows(one) == again
        found.append((heard(one), again))
    assert found[0] == found[1] == found[2]


def test_a_redone_stroke_that_was_let_count_again_counts_in_every_book(
    base: Path, tmp_path: Path
) -> None:
    """Before, what counted in one book only no longer counted, whoever spoke last."""
    books = three(base, tmp_path)
    redone: Word = lambda db, of: uncount(db, of.springs[0].spring_id, last_only=True)  # noqa: E731
    say(books["a"], "ruling", redone)
    merge_books(books["b"], [books["a"]])
    change(books["b"], "UPDATE sweeps SET counted = 1 WHERE NOT counted")
    for order in itertools.permutations(BOOKS):
        mine = three(base, tmp_path / "".join(order))
        for name in BOOKS:
            shutil.copyfile(books[name], mine[name])
        merge_books(mine[order[0]], [mine[name] for name in order[1:]])
        with open_book(mine[order[0]]) as db:
            assert strokes_of(db, "ruling") == [(1, 2)]


def strokes_of(db: Database, what: str) -> list[tuple[Any, ...]]:
    """Return of the strokes of a chain's set whether they count, and how often that changed."""
    sql = "SELECT counted, sweeps.edits FROM sweeps JOIN springs ON springs.id = spring_id"
    return db.execute(f"{sql} WHERE set_id = ?", [sets(db)[what].set_id]).fetchall()


def test_only_a_change_counts_and_a_merge_counts_none(base: Path, tmp_path: Path) -> None:
    book = three(base, tmp_path)["a"]
    say(book, "name", called("yew"), called("oak"), ruled("use"), ruled("use"), nominal(None))
    with open_book(book) as db:
        set_id = sets(db)["name"].set_id
        counts = "SELECT name_edits, label_edits, nominal_edits FROM sets WHERE id = ?"
        assert db.execute(counts, [set_id]).fetchall() == [(2, 0, 0)]
        assert strokes_of(db, "name") == [(1, 1)]
        with settling(db.conn):
            db.execute("UPDATE sets SET name = 'fir' WHERE id = ?", [set_id])
        change_label = "UPDATE springs SET label = label || 'x' WHERE turn = 1 AND set_id = ?"
        db.execute(change_label, [set_id])
        assert db.execute(counts, [set_id]).fetchall() == [(2, 1, 0)]
