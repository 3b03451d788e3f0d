"""A book as sqlite-utils sees it, which its tables are looked at with."""

from __future__ import annotations

from typing import Any

from sqlite_utils import Database


def utils(db: Any) -> Database:
    """Return the book of a connection with all that sqlite-utils knows of it."""
    return Database(db.conn, execute_plugins=False)
