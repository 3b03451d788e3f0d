"""Which set a name means where it was this bench's own set's before another bench's took it."""

from __future__ import annotations

import sys

import click
from sqlite_utils import Database

from coilbench.analysis.cli.settings import book_path
from coilbench.capture.book.merge_names import FEWEST_FIGURES
from coilbench.capture.book.naming import earlier_namesake
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed


def set_to_store_in(db: Database, name: str) -> SetRecord:
    """Return the set of a name; before anything is stored in another bench's, which took it, ask.

    Raises:
        CoilbenchError: there is no such set, or nobody can be asked; it names both.
    """
    record = find_set(db, name)
    own = earlier_namesake(db, record) if record.name == name else None
    if own is None:
        return record
    theirs = f"{name}~{record.set_id[:FEWEST_FIGURES]}"
    what = f"{name} is another bench's set now; this bench's is called {own}"
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        raise CoilbenchError(
            what,
            hint=f"Say which is meant: --set {as_typed(own)} (this bench's) or "
            f"--set {as_typed(theirs)}",
        )
    click.echo(f"{what}.")
    return find_set(db, own) if click.confirm(f"Is {own} meant?", default=True) else record


def name_to_store_in(name: str) -> str:
    """Return the name of the set that is meant, as `set_to_store_in`; as it is without a book."""
    if not book_path().exists():
        return name
    with open_book(book_path()) as db:
        return set_to_store_in(db, name).name
