"""Damaged and hostile books: a sample of what tests/fuzz/ flips, and all that it makes up."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import flips
import hostile
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import find_set, set_names
from coilbench.capture.book.soundness import check_book
from coilbench.capture.errors import CoilbenchError
from support.edits import change
from support.shared import made_once


@pytest.fixture(scope="session")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return made_once(tmp_path_factory, "damage", flips.make_book) / "sound.db"


def test_a_flipped_bit_changes_no_answer_unnoticed(sound: Path, tmp_path: Path) -> None:
    """`python tests/fuzz/flips.py --flips 300` for three hundred."""
    found = [what for *_, what in flips.outcomes(tmp_path, sound, 10, 2026)]
    assert not [what for what in found if what.startswith(flips.FAULTS)]
    refused = [what for what in found if what.startswith("refused")]
    assert len(refused) >= 4  # of a value, which are half of them


@pytest.mark.parametrize("name", hostile.BOOKS)
def test_a_strangers_book_is_read_or_refused_in_a_sentence(
    name: str, sound: Path, tmp_path: Path
) -> None:
    """`python tests/fuzz/hostile.py` runs every command on each."""
    book = tmp_path / "book.db"
    shutil.copyfile(sound, book)
    sql, values = hostile.BOOKS[name]
    change(book, sql, *values)
    taken = name in hostile.TAKEN
    assert (check_book(book).findings == []) == taken
    if taken:
        _read_sets(book)
        return
    with pytest.raises(CoilbenchError):
        _read_sets(book)


def _read_sets(book: Path) -> None:
    with open_book(book) as db:
        for name in set_names(db):
            find_set(db, name)
