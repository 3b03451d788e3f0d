"""Where the book is, for commands that must start at once."""

from __future__ import annotations

from pathlib import Path
from typing import cast

import click
from platformdirs import user_data_path


class Settings:
    """What holds for every command; read once from the options before the command's name.

    Attributes:
        book_given: the file named by --book or COILBENCH_BOOK; None for the per-user default.
        load_unit, length_unit: display units.
    """

    def __init__(self, book_given: Path | None, load_unit: str, length_unit: str) -> None:
        self.book_given = book_given
        self.load_unit = load_unit
        self.length_unit = length_unit


def settings() -> Settings:
    """Return the options given before the command's name."""
    return cast(Settings, click.get_current_context().find_root().obj)


def book_path() -> Path:
    """Return the book's file: --book, COILBENCH_BOOK, or the one in the user's data folder."""
    given = settings().book_given
    return default_book_path() if given is None else given


def default_book_path() -> Path:
    """Return the book in the user's data folder."""
    return user_data_path("coilbench") / "book.db"
