"""Rows into the book: in one transaction, with finite numbers, an id and a time of its own.

A spring's solid height follows from its strokes: the last one that counts and tells it.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime

from sqlite_utils import Database

from coilbench.capture.errors import CoilbenchError


@contextmanager
def writing(db: Database) -> Iterator[None]:
    """Make everything inside one transaction: all of it is stored, or nothing.

    It takes the write lock at once, waiting for it if need be. A transaction that only starts
    to write half-way fails without a wait when another program has written since. Inside another
    transaction it is a part of that one.
    """
    if db.conn.in_transaction:
        with db.atomic():
            yield
        return
    db.conn.execute("BEGIN IMMEDIATE")
    try:
        yield
        db.conn.execute("COMMIT")
    except BaseException:
        db.conn.rollback()  # does nothing where SQLite has rolled back by itself
        raise


def insert(db: Database, table: str, row: Mapping[str, object]) -> None:
    """Insert one row.

    Raises:
        CoilbenchError: a number is not finite. SQLite would store NaN as "not known".
    """
    for column, value in row.items():
        if isinstance(value, float) and not math.isfinite(value):
            raise CoilbenchError(f"{column} is {value}, no number, and was not stored")
    db.table(table).insert(dict(row))


def new_id() -> str:
    """Return an id that no other book has."""
    return str(uuid.uuid4())


def utc_now() -> str:
    """Return the time now, UTC, ISO 8601 to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def refresh_solid_heights(db: Database, spring_ids: Iterable[str]) -> None:
    """Set springs' solid heights anew from the strokes that count; unknown where none tells it."""
    db.conn.executemany(
        """
        UPDATE springs SET (solid_height_mm, solid_reason) = (
          SELECT max(told.solid_height_mm), told.solid_reason FROM (
            SELECT solid_height_mm, solid_reason FROM sweeps
            WHERE spring_id = springs.id AND counted AND solid_height_mm IS NOT NULL
            ORDER BY stored_utc DESC, id DESC LIMIT 1) AS told)
        WHERE id = ?
        """,
        [(spring_id,) for spring_id in spring_ids],
    )
