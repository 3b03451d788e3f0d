"""Sets that were removed from the book and return, since another bench gave something of them.

A set without strokes may be removed at one bench while another presses it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping

from coilbench.capture.book.connection import Database
from coilbench.capture.book.rows import first_row
from coilbench.capture.shop.shape import SCHEMA
from coilbench.capture.shop.store import Store

_BY_HAND = ("hand_entries", "set_rests", "label_swaps")
_SETS_OF = {table: f"SELECT set_id FROM {SCHEMA}.{table}" for table in (*_BY_HAND, "sessions")} | {  # noqa: S608  our own names
    "sweeps": f"SELECT s.set_id FROM {SCHEMA}.sweeps JOIN {SCHEMA}.springs s ON s.id = spring_id"  # noqa: S608
}


def gone_sets(
    db: Database,
    store: Store,
    coming: Mapping[str, Collection[str]],
    new: Collection[str] = (),
) -> list[str]:
    """Return the ids of sets that rows on their way belong to and the book lacks.

    Args:
        coming: the rows' ids by table; of sets, those of which something was said.
        new: those sets that are on their way themselves, which are not lacking.
    """
    found = set(coming.get("sets", ()))
    for table, sql in _SETS_OF.items():
        if ids := sorted(coming.get(table, ())):
            asked = f"{sql} WHERE {table}.id = ANY(%s) GROUP BY 1"
            rows = store.query(asked, [ids], (str | None,))  # one of none is left out as it is read
            found.update(set_id for (set_id,) in rows if set_id is not None)
    there = "SELECT 1 FROM main.sets WHERE id = ?"
    return [
        set_id for set_id in sorted(found.difference(new)) if first_row(db, there, [set_id]) is None
    ]


def of_sets(store: Store, set_ids: Collection[str]) -> dict[str, set[str]]:
    """Return the ids of what the store has of sets, but strokes and springs, by table."""
    if not set_ids:
        return {}
    found = {"sets": set(set_ids)}
    for table in _BY_HAND:
        sql = f"SELECT id FROM {SCHEMA}.{table} WHERE set_id = ANY(%s)"  # noqa: S608
        found[table] = {row_id for (row_id,) in store.query(sql, [sorted(set_ids)])}
    return found


def back_again(db: Database, set_ids: Collection[str]) -> Iterator[str]:
    """Say of sets that they are in the book again, as far as they are."""
    for set_id in set_ids:
        row = first_row(db, "SELECT name FROM main.sets WHERE id = ?", [set_id])
        if row is not None:
            yield (
                f"the set {row['name']} was removed from this book and is back: another bench "
                "pressed it, or told something of it, since"
            )
