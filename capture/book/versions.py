"""The versions of a book, and the mark of our files.

Light to import: nothing heavy is loaded here.
"""

from __future__ import annotations

import sqlite3

# In order. A book with another name in it was written by a newer program.
MIGRATION_NAMES = (
    "0001_first_book",
    "0002_checks_and_scales",
    "0003_nominals_and_rulings",
    "0004_entries_and_references",
    "0005_sweeps_in_brief",
    "0006_ratings_and_swaps",
    "0007_by_hand",
    "0008_masses_err",
    "0009_what_rests",
    "0010_rest_zeros",
    "0011_set_solid_u",
    "0012_set_rests",
    "0013_digests",
    "0014_edits",
    "0015_shop",
    "0016_order",
    "0017_curves",
    "0018_tallies",
)
APPLICATION_ID = 0x436F696C  # "Coil": identifies our files among SQLite files
LIST = "_sqlite_migrations"  # the table, made by sqlite-utils, of those that a book has had


# Of the list itself: an index of it holds the names once more, and nothing vouches for those.
_NAMES = f"FROM {LIST} NOT INDEXED WHERE migration_set = 'coilbench'"


def versions(connection: sqlite3.Connection) -> list[str]:
    """Return the names of the migrations that a book has had, the oldest first."""
    sql = f"SELECT name {_NAMES} ORDER BY name"
    return [name for (name,) in connection.execute(sql)]


def newest(connection: sqlite3.Connection) -> str:
    """Return the name of the last of them; empty where a book has had none."""
    sql = f"SELECT max(name) {_NAMES}"
    return str(connection.execute(sql).fetchone()[0] or "")
