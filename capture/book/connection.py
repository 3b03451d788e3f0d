"""The book's connection: SQL in, rows out, transactions. Light: loads nothing but SQLite.

sqlite-utils makes the tables (`schema.py`); reading and storing rows need not wait till it is
loaded. What is done is the same as there, so that its `Database` serves as well.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

_Values = Sequence[Any] | Mapping[str, Any]
_PART = "coilbench_part"


class Database:
    """A connection that the program asks and stores with.

    Attributes:
        conn: SQLite's own.
    """

    def __init__(self, conn: sqlite3.Connection) -> None:
        self.conn = conn
        conn.execute("PRAGMA recursive_triggers = ON")

    def execute(self, sql: str, values: _Values = ()) -> sqlite3.Cursor:
        """Run one statement; outside a transaction, what it stores is committed at once."""
        alone = not self.conn.in_transaction
        try:
            cursor = self.conn.execute(sql, values)
        except BaseException:
            if alone:
                self.conn.rollback()
            raise
        if alone and self.conn.in_transaction:
            self.conn.commit()
        return cursor

    @property
    def state(self) -> tuple[int, int] | None:
        """What stays the same as long as nobody changes the book; None in a transaction."""
        if self.conn.in_transaction:
            return None
        (others,) = self.conn.execute("PRAGMA data_version").fetchone()
        return self.conn.total_changes, others

    def query(self, sql: str, values: _Values = ()) -> Iterator[dict[str, Any]]:
        """Ask, at once, and give each row by its columns' names as it is taken."""
        cursor = self.conn.execute(sql, values)
        names = [column[0] for column in cursor.description]
        return (dict(zip(names, row, strict=True)) for row in cursor)

    @contextmanager
    def atomic(self) -> Iterator[None]:
        """Make all inside one transaction, or one part of that which runs."""
        begin, end = "BEGIN", "COMMIT"
        undo = ["ROLLBACK"]
        if self.conn.in_transaction:
            begin, end = f"SAVEPOINT {_PART}", f"RELEASE {_PART}"
            undo = [f"ROLLBACK TO {_PART}", end]
        self.conn.execute(begin)
        try:
            yield
            self.conn.execute(end)
        except BaseException:
            for each in undo if self.conn.in_transaction else ():  # SQLite may have undone it all
                self.conn.execute(each)
            raise
