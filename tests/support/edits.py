"""Change a book by plain SQL: as the program would, or past it, as damage does."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from coilbench.capture.book.digests import register, seal_content


def change(path: Path, sql: str, *values: object) -> int:
    """Change a book as the program would, its digests with it; returns how many rows."""
    with changing(path) as connection:
        return connection.execute(sql, values).rowcount


@contextmanager
def changing(path: Path) -> Iterator[sqlite3.Connection]:
    """Let a book be changed meanwhile as the program would, its digests with it."""
    with closing(sqlite3.connect(path)) as connection:
        register(connection)
        connection.execute("PRAGMA ignore_check_constraints = ON")
        yield connection
        for (sweep_id,) in connection.execute("SELECT id FROM sweeps").fetchall():
            seal_content(connection, sweep_id)
        connection.commit()


def harm(path: Path, sql: str, *values: object) -> int:
    """Change a book and leave its digests as they are; returns how many rows."""
    with closing(sqlite3.connect(path)) as connection:
        triggers = connection.execute(
            "SELECT name, sql FROM sqlite_schema WHERE type = 'trigger'"
        ).fetchall()
        for name, _ in triggers:
            connection.execute(f"DROP TRIGGER {name}")
        changed = connection.execute(sql, values).rowcount
        for _, made in triggers:
            connection.execute(made)
        connection.commit()
    return changed
