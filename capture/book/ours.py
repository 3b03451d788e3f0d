"""Only a book of ours is opened: one with our mark, and tables as our migrations make them.

Light to import: nothing heavy is loaded here.
"""

from __future__ import annotations

import hashlib
import re
import sqlite3
from contextlib import closing
from functools import cache, lru_cache
from pathlib import Path

from coilbench.capture.book.versions import APPLICATION_ID, LIST, MIGRATION_NAMES, versions
from coilbench.capture.errors import CoilbenchError

# What `shape_digest` gives for a book of each version; a test makes each and compares.
_SHAPES = {
    "0001_first_book": "a3945481fef293de4a9a32e2179358ef",
    "0002_checks_and_scales": "8669168968cf9d63230209b895613718",
    "0003_nominals_and_rulings": "d2634ccd8f2bf9992f73a7e06dbe7532",
    "0004_entries_and_references": "adb2b046927f2cf5985858b186ce18ff",
    "0005_sweeps_in_brief": "4328fe2320c0ccd253c58795c6ffc8a6",
    "0006_ratings_and_swaps": "a51da193eaf12eb77368a0df83a1fb3a",
    "0007_by_hand": "f31fe4e278ca32e06ffd372eac9525ca",
    "0008_masses_err": "f2729a0f77bd11dd7d73f0fc0109d755",
    "0009_what_rests": "b4b97c3020021ba9a9ce317207015255",
    "0010_rest_zeros": "83aa7a715e75f1c6bf942c69dc5be145",
    "0011_set_solid_u": "f8db9b65443131f2bd27c718a5f94298",
    "0012_set_rests": "48bb4e185f19e8573bea99aab2e82713",
    "0013_digests": "59eac3822404fb9c22e3225c398d3ef6",
    "0014_edits": "adb0711339dd393e14369862e4b0fb79",
    "0015_shop": "9dca4efa9c0f4d67ed827a60a0fc9203",
    "0016_order": "07eead0c0830a87f9269de04bab7c1be",
    "0017_curves": "2fb37c956c8d07e3f29b328559e68672",
    "0018_tallies": "21d8096d150a854848c9fcf025fb803b",
}
_STATISTICS = ("sqlite_stat1", "sqlite_stat4")
_LIST_COLUMNS = {"migration_set", "name", "applied_at"}  # of any version of sqlite-utils

Shape = tuple[tuple[tuple[str, str], str], ...]  # each object's type and name, and definition


def refuse_strange(connection: sqlite3.Connection, path: Path) -> None:
    """Raise CoilbenchError for another program's database."""
    if connection.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        raise CoilbenchError(
            "this file was not made by coilbench; it is not changed",
            where=str(path),
            hint="Give another file; the book's with --book",
        )


def refuse_reshaped(connection: sqlite3.Connection, path: Path) -> None:
    """Raise CoilbenchError for a book whose tables are not as we made them.

    A trigger could swallow what is stored, and a view or a column show another number.
    """
    what = reshaped(connection)
    if what is not None:
        raise CoilbenchError(
            f"{what}; the book is not changed",
            where=str(path),
            hint="Remove what another program added, or restore a copy: "
            "coilbench book put-back COPY",
        )


def reshaped(connection: sqlite3.Connection) -> str | None:
    """Return what in a book is not as we made it, the first such thing; None where all is.

    A newer program's book is not judged.
    """
    connection.execute("BEGIN")  # else another program could bring it up to date in between
    try:
        shape = _shape(connection)
        listed = connection.execute(f"PRAGMA table_info({LIST})")
        if not {row[1] for row in listed} >= _LIST_COLUMNS:
            return "the book's list of its versions is not one of ours"
        had = versions(connection)
    finally:
        connection.rollback()
    known = len(MIGRATION_NAMES)
    if not had or tuple(had[:known]) != MIGRATION_NAMES[: len(had)]:
        return "the book's list of its versions has a gap, or a name that is none"
    if len(had) > known:
        return None
    if _digest(shape) == _SHAPES[had[-1]]:
        return None
    return _difference(shape, _made(had[-1]))


def shape_digest(connection: sqlite3.Connection) -> str:
    """Return a digest of a book's tables, columns, views, triggers and indexes."""
    return _digest(_shape(connection))


@lru_cache(maxsize=4)  # a program opens its book again and again
def _digest(shape: Shape) -> str:
    plain = sorted((of, _normal(sql)) for of, sql in shape)
    return hashlib.blake2b(repr(plain).encode(), digest_size=16).hexdigest()


def _shape(connection: sqlite3.Connection) -> Shape:
    """Return every definition but of SQLite's statistics and of the list of versions.

    Where damage made bytes of a word, it is another word.
    """
    rows = connection.execute(
        "SELECT type, name, tbl_name, sql FROM sqlite_schema WHERE sql IS NOT NULL"
    )
    return tuple(
        ((str(kind), str(name)), str(sql))
        for kind, name, table, sql in rows
        if not (kind == "table" and name in _STATISTICS)  # what ANALYZE found; SQLite's own name
        and (table != LIST or kind == "trigger")
    )


def _normal(sql: str) -> str:
    """Return a definition without the differences in writing that versions of SQLite make."""
    return re.sub(r"\s+", " ", sql.replace('"', ""))


@cache
def _made(version: str) -> Shape:
    """Return the shape that our own migrations make, up to a version."""
    from coilbench.capture.book.connection import Database
    from coilbench.capture.book.schema import bring_to

    with closing(sqlite3.connect(":memory:")) as connection:
        bring_to(Database(connection), version)
        return _shape(connection)


def _difference(found: Shape, made: Shape) -> str | None:
    ours, theirs = dict(made), dict(found)
    for (kind, name), sql in sorted(found):
        if (kind, name) not in ours:
            return f"the {kind} {name!r} is not one of ours"
        if _normal(sql) != _normal(ours[kind, name]):
            return f"the {kind} {name!r} is not as we made it"
    for kind, name in sorted(ours.keys() - theirs.keys()):
        return f"the {kind} {name!r} is missing"
    return None
