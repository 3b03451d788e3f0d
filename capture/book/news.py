"""What a book has that the shop's store may lack: noted by triggers, once the book is shared.

A row each change, so that what changes while it is being sent stays news.

Light to import: nothing heavy is loaded here.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable

from coilbench.capture.book.edits import STROKE_WORDS

# Parents before what refers to them. By kind: the table's columns that change and are sent.
KINDS: dict[str, tuple[str, ...]] = {
    "calibration_parts": (),
    "calibrations": (),
    "scales": (),
    "mass_checks": (),
    "rest_zeros": (),
    "sets": (
        *("name", "nominal_json", "free_length_mm", "solid_height_mm", "solid_height_u_mm"),
        *("wire_mm", "coil_diameter_mm", "active_coils", "role", "set_note", "set_mark"),
    ),
    "springs": (),
    "label_swaps": (),
    "hand_entries": (),
    "set_rests": (),
    "sessions": ("ended_utc",),
    "sweeps": STROKE_WORDS,
}
_SET_OF_STROKE = (
    "(SELECT set_id FROM sweeps JOIN springs ON springs.id = spring_id WHERE sweeps.id = row_id)"
)
_SHARED = "EXISTS (SELECT 1 FROM shop)"


def note_news(connection: sqlite3.Connection) -> None:
    """Make the triggers that note news, in a book that has the tables for it."""
    if not connection.execute("SELECT 1 FROM sqlite_schema WHERE name = 'shop_news'").fetchone():
        return
    for kind, changing in KINDS.items():
        _trigger(connection, f"{kind}_news_made", f"INSERT ON {kind}", kind, "new.id")
        if changing:
            update = f"UPDATE OF {', '.join(changing)} ON {kind}"
            _trigger(connection, f"{kind}_news_kept", update, kind, "new.id")
    for name, event in (("made", "INSERT ON"), ("kept", "UPDATE OF label ON")):
        _trigger(connection, f"labels_news_{name}", f"{event} springs", "sets", "new.set_id")


def _trigger(connection: sqlite3.Connection, name: str, event: str, kind: str, row_id: str) -> None:
    connection.execute(f"DROP TRIGGER IF EXISTS {name}")
    connection.execute(
        f"CREATE TRIGGER {name} AFTER {event} WHEN {_SHARED} BEGIN"  # noqa: S608  our own names
        f" INSERT INTO shop_news (kind, row_id) VALUES ('{kind}', {row_id}); END"
    )


def all_is_news(connection: sqlite3.Connection) -> None:
    """Note everything that the book has; call it in a transaction."""
    connection.execute("DELETE FROM shop_news")
    for kind in KINDS:
        sql = f"INSERT INTO shop_news (kind, row_id) SELECT '{kind}', id FROM {kind}"  # noqa: S608
        connection.execute(sql)


def news_again(connection: sqlite3.Connection, rows: Iterable[tuple[str, str]]) -> bool:
    """Note some rows, by table and id, as far as the book has them; call it in a transaction.

    Returns:
        Whether it has any.
    """
    before = connection.total_changes
    for kind, row_id in rows:
        connection.execute(
            f"INSERT INTO shop_news (kind, row_id) SELECT '{kind}', id FROM {kind} WHERE id = ?",  # noqa: S608
            [row_id],
        )
    return connection.total_changes > before


def last_stamp(connection: sqlite3.Connection) -> int:
    """Return the stamp of the last news; 0 where there is none."""
    sql = "SELECT coalesce(max(stamp), 0) FROM shop_news"
    return int(connection.execute(sql).fetchone()[0])


def news_until(connection: sqlite3.Connection, stamp: int) -> dict[str, list[str]]:
    """Return the ids of what is new up to a stamp, by kind, parents first.

    A capture that has not ended waits, and its strokes with it. Strokes of one set are together,
    since whoever takes some of them settles their sets.
    """
    running = "WHERE sessions.ended_utc IS NULL AND"
    waiting = {  # looked up by the row's id: a search for all that run would read the whole book
        "sessions": f"SELECT 1 FROM sessions {running} sessions.id = row_id",  # noqa: S608
        "sweeps": "SELECT 1 FROM sweeps CROSS JOIN sessions ON sessions.id = session_id"  # noqa: S608
        f" {running} sweeps.id = row_id",
    }
    found = {}
    for kind in KINDS:
        but = f" AND NOT EXISTS ({waiting[kind]})" if kind in waiting else ""
        order = _SET_OF_STROKE if kind == "sweeps" else "''"
        rows = connection.execute(
            f"SELECT row_id FROM (SELECT DISTINCT row_id, {order} AS place FROM shop_news"  # noqa: S608
            f" WHERE kind = ? AND stamp <= ?{but}) ORDER BY place, row_id",
            [kind, stamp],
        )
        if ids := [row_id for (row_id,) in rows]:
            found[kind] = ids
    return found


def no_longer_news(
    connection: sqlite3.Connection, kind: str, ids: Iterable[str], stamp: int, after: int = 0
) -> None:
    """Remove what the store has by now, as it was noted up to a stamp (and after another)."""
    connection.executemany(
        "DELETE FROM shop_news WHERE kind = ? AND row_id = ? AND stamp <= ? AND stamp > ?",
        [(kind, row_id, stamp, after) for row_id in ids],
    )
