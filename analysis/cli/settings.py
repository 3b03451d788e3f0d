"""The options before a command's name, and where the book is. Light to import."""

from __future__ import annotations

from pathlib import Path
from typing import NamedTuple, cast

import click

from coilbench.analysis.report.units import Units


class Settings(NamedTuple):
    """The options before the command's name; book_given is None for the per-user default."""

    book_given: Path | None
    units: Units


def settings() -> Settings:
    """Return the options given before the command's name."""
    return cast(Settings, click.get_current_context().find_root().obj)


def units() -> Units:
    """Return the display units."""
    return settings().units


def book_path() -> Path:
    """Return the book's file: --book, COILBENCH_BOOK, or the one in the user's data folder."""
    given = settings().book_given
    return default_book_path() if given is None else given


def default_book_path() -> Path:
    """Return the book in the user's data folder."""
    from platformdirs import user_data_path

    return user_data_path("coilbench") / "book.db"
