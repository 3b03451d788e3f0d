"""Merging books: what contradicts, is unfit or in use is refused, and nothing is changed."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from coilbench.capture.book.locks import hold_book
from coilbench.capture.book.merging import merge_books
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, new_set
from coilbench.capture.book.soundness import check_book
from coilbench.capture.errors import CoilbenchError
from support.book_changes import copied, makes
from support.edits import change, harm


def refusal(path: Path, *others: Path) -> str:
    before = path.read_bytes()
    with pytest.raises(CoilbenchError) as caught:
        merge_books(path, others)
    assert path.read_bytes() == before
    left = {one.name for one in path.parent.iterdir() if one.name.startswith(".")}
    assert left == set()
    return str(caught.value)


def test_what_is_unfit_is_refused_in_a_sentence(tmp_path: Path, base: Path) -> None:
    other = copied(base, "other.db", makes("rowan"))
    assert "the book itself" in refusal(base, base)
    assert "no book here" in refusal(base, tmp_path / "none.db")
    assert "too many" in refusal(base, *[other] * 9)
    (tmp_path / "text.db").write_text("words, not a book\n" * 99)
    assert "not a readable" in refusal(base, tmp_path / "text.db")
    broken = copied(base, "broken.db")
    harm(broken, "UPDATE sweeps SET samples_blob = x'00', samples_format = 'raw1'"
         " WHERE samples_blob IS NOT NULL")  # fmt: skip
    assert "damaged" in refusal(base, other, broken)
    newer = copied(base, "newer.db")
    harm(newer, "INSERT INTO _sqlite_migrations (migration_set, name, applied_at)"
         " VALUES ('coilbench', '9999_of_tomorrow', 'x')")  # fmt: skip
    assert "newer coilbench" in refusal(base, newer)
    with pytest.raises(CoilbenchError, match="no book here to merge into"):
        merge_books(tmp_path / "nowhere.db", [other])


def test_a_set_called_as_another_is_by_its_id(base: Path) -> None:
    other = copied(base, "other.db", makes("rowan"))
    change(other, "UPDATE sets SET name = 'larch~380d' WHERE name = 'rowan'")
    said = refusal(base, other)
    assert "'larch~380d', which names a set by the first characters of its id" in said
    assert "coilbench set edit 'larch~380d' --rename NAME" in said


def test_a_book_that_a_capture_has_open_is_refused(base: Path) -> None:
    other = copied(base, "other.db")
    with hold_book(base):
        assert re.search("coilbench.*writing", refusal(base, other))
    change(
        other,
        "INSERT INTO sessions (id, set_id, source_url, started_utc, seen_utc, samples,"
        " samples_lost, lines_bad, restarts)"
        " SELECT 's', id, 'virtual:', made_utc, made_utc, 0, 0, 0, 0 FROM sets",
    )
    assert "a capture has this book open" in refusal(base, other)


@pytest.mark.parametrize(
    ("sql", "words"),
    [
        ("UPDATE sweeps SET load_u_n = 9.5 WHERE origin = 'keyed'", "another load_u_n"),
        ("UPDATE curve_steps SET load_n = load_n + 1 WHERE point = 0", "curve_rows"),
        ("UPDATE calibration_parts SET fit_json = replace(fit_json, '0', '0')||' '", "fit_json"),
        ("UPDATE sets SET wire_mm = 4.5", "another wire_mm"),
        ("INSERT INTO springs (id, set_id, label, turn) SELECT 'x', set_id, 'extra', 3 FROM springs"
         " WHERE label = 'larch-01'", "has other springs"),
    ],
)  # fmt: skip
def test_books_that_contradict_each_other_are_refused(base: Path, sql: str, words: str) -> None:
    other = copied(base, "other.db", makes("rowan"))
    change(other, sql)
    assert words in refusal(base, other)


@pytest.mark.parametrize("counter", ["name_edits", "label_edits", "nominal_edits"])
def test_a_count_near_its_end_is_not_merged(tmp_path: Path, counter: str) -> None:
    """Else the next change would count past what a book keeps, and damage it."""
    books = [tmp_path / "a.db", tmp_path / "b.db"]
    for path in books:
        with open_book(path, create=True) as db:
            new_set(db, SetPlan(path.stem, "outer", ("one",)))
    change(books[1], f"UPDATE sets SET {counter} = ?", 2**53)
    assert check_book(books[1]).findings == []
    with pytest.raises(CoilbenchError, match="counts more changes than anybody can have made"):
        merge_books(books[0], books[1:])
    with open_book(books[0]) as db:
        assert db.execute("SELECT count(*) FROM sets").fetchone() == (1,)


@pytest.mark.parametrize("begins", ['{"zzz": 1e999, ', f'{{"zzz": {"1" * 5000}, '])
def test_a_document_that_not_all_can_read_is_damage_not_merged(base: Path, begins: str) -> None:
    """Its digests are right: a program of another's own wrote it."""
    other = copied(base, "other.db", makes("rowan"))
    change(other, f"UPDATE sweeps SET keyed_json = '{begins}' || substr(keyed_json, 2)")
    assert "keyed_json cannot be" in refusal(base, other)
    assert any("keyed_json cannot be" in one for one in check_book(other).findings)
