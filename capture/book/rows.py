"""Rows in and out of the book: transactions, checked inserts, ids and times.

Light to import: nothing heavy is loaded here.
"""

from __future__ import annotations

import math
import uuid
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from coilbench.capture.errors import CoilbenchError

if TYPE_CHECKING:
    from coilbench.capture.book.connection import Database


@contextmanager
def writing(db: Database) -> Iterator[None]:
    """Make everything inside one transaction: all of it is stored, or nothing.

    It takes the write lock at the start, waiting for it if necessary: a transaction that starts
    to write later fails without waiting when another program has written since. Inside another
    transaction it is part of that one.
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
        CoilbenchError: a number is not finite. SQLite would store NaN as unknown.
    """
    for column, value in row.items():
        if isinstance(value, float) and not math.isfinite(value):
            raise CoilbenchError(f"{column} is {value}, which is not a number; nothing was stored")
    columns, marks = ", ".join(row), ", ".join("?" * len(row))
    sql = f"INSERT INTO {table} ({columns}) VALUES ({marks})"  # noqa: S608  our own names
    db.execute(sql, list(row.values()))


# What a merge brings in from another bench stands at rowids below 1 (`TableRule.insert_new`).
OF_THIS_BENCH = "rowid > 0"
# Of a check with a weight: another bench's was not on a press whose load was calibrated here.
CHECK_COUNTS = (
    f"({OF_THIS_BENCH} OR load_part_id NOT IN"  # noqa: S608  our own words
    f" (SELECT id FROM calibration_parts WHERE {OF_THIS_BENCH}))"
)


def first_row(db: Database, sql: str, values: Iterable[object] = ()) -> dict[str, Any] | None:
    """Return the first row of a query, or None."""
    return next(iter(db.query(sql, list(values))), None)


def new_id() -> str:
    """Return an id that no other book has."""
    return str(uuid.uuid4())


def utc_now() -> str:
    """Return the time now, UTC, ISO 8601 to the millisecond."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")


def later_than(db: Database, table: str, column: str) -> str:
    """Return the time now, or just after the last that a table has, where the clock is behind it.

    So what is newest is so by its time as well, at every bench that it comes to.
    """
    known = f"SELECT max({column}) FROM {table} WHERE {column} < '2100'"  # noqa: S608  our own names
    (last,) = db.execute(known).fetchone()  # of one that cannot be there is nothing later
    now = utc_now()
    return now if last is None or last < now else just_after(str(last))


def just_after(utc: str) -> str:
    """Return the next millisecond."""
    step = timedelta(milliseconds=1)
    return (datetime.fromisoformat(utc) + step).isoformat(timespec="milliseconds")


def refresh_solid_heights(db: Database, spring_ids: Iterable[str]) -> None:
    """Set springs' solid heights from the last stroke that counts and shows one; else unknown."""
    db.conn.executemany(
        """
        UPDATE springs SET (solid_height_mm, solid_reason) = (
          SELECT max(shown.solid_height_mm), shown.solid_reason FROM (
            SELECT solid_height_mm, solid_reason FROM sweeps
            WHERE spring_id = springs.id AND counted AND solid_height_mm IS NOT NULL
            ORDER BY stored_utc DESC, id DESC LIMIT 1) AS shown)
        WHERE id = ?
        """,
        [(spring_id,) for spring_id in spring_ids],
    )
