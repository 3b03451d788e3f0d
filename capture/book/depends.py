"""What an answer about a set, or about all sets, depends on, in digests of the book's rows."""

from __future__ import annotations

import hashlib

from coilbench.capture.book.asked import asked_of
from coilbench.capture.book.connection import Database
from coilbench.capture.book.digests import DIGESTS, WITHOUT, columns_of, tables
from coilbench.capture.book.sets import SetRecord

# A stroke's content_digest covers what has none of its own, a part of a calibration holds what was
# fitted to its points, the set's record what is read of sets and springs; the rest tells nothing.
_APART = frozenset(
    {
        *WITHOUT,
        *("calibration_points", "sets", "springs"),
        *("stroke_chunks", "sessions", "label_swaps", "hand_entries"),
        *("shop", "shop_seen", "shop_news"),
    }
)


def depends_on(db: Database, record: SetRecord) -> bytes | None:
    """Return a digest of all that a set's curves are read from; None where a row has none.

    Of the set's record, its own strokes, and of every other table but those that tell nothing of a
    set: a table that is added later counts until it is named as one that does not. That the rows
    are what their digests say is found as the book is opened and the set read.
    """
    return _digest(
        db,
        [record],
        _APART,
        "WHERE spring_id IN (SELECT id FROM springs WHERE set_id = ?)",
        record.set_id,
    )


def depends_on_sets(db: Database) -> bytes | None:
    """Return a digest of all that the curves of every set are read from, as `depends_on`."""
    return _digest(db, [], _APART - {"sets", "springs"})


def _digest(
    db: Database, found: list[object], apart: frozenset[str], strokes: str = "", *values: str
) -> bytes | None:
    for table in sorted(set(tables(db.conn)) - apart):
        names = [one.name for one in columns_of(db.conn, table) if one.name in DIGESTS]
        if not names:
            return None
        where, given = (strokes, values) if table == "sweeps" else ("", ())
        sql = f"SELECT rowid, {', '.join(names)} FROM {table} {where} ORDER BY rowid"  # noqa: S608
        rows = db.execute(sql, given).fetchall()
        if any(cell is None for row in rows for cell in row):
            return None
        found.append((table, rows))
    found.append(sorted(asked_of(db).items()))  # all that is read of sessions
    return hashlib.blake2b(repr(found).encode(), digest_size=32).digest()
