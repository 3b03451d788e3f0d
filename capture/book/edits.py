"""How often each thing that may change was changed, so that of two books the later word holds.

A counter goes up by one with each change, kept by the book's own triggers: of two changes, the one
made by somebody who knew of the other has the higher count, whatever the two clocks say. While a
merge settles what two books say, nothing is counted: it changes no one's mind.

Light to import: nothing heavy is loaded here.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Collection

STROKE_WORDS = ("counted", "status", "note", "ruling")  # what may change of a stroke
# by table: the counters, each with the columns whose changes it counts
_COUNTED: dict[str, dict[str, tuple[str, ...]]] = {
    "sweeps": {"edits": STROKE_WORDS},
    "sets": {"name_edits": ("name",), "nominal_edits": ("nominal_json",)},
}
COUNTERS = ("edits", "name_edits", "label_edits", "nominal_edits")
_STEP = "coil_edit"


def register_edits(connection: sqlite3.Connection, step: int = 1) -> None:
    """Give a connection the function that the triggers call: by how much a change counts."""
    connection.create_function(_STEP, 0, lambda: step)


def counting(table: str, columns: Collection[str]) -> str:
    """Return SQL for a trigger after a change of a row: it counts the change.

    Args:
        columns: the table's; none is counted without a counter, as in older books.
    """
    return "".join(
        f" UPDATE {table} SET {counter} = {counter} + {_STEP}() WHERE rowid = new.rowid"  # noqa: S608
        f" AND ({' OR '.join(f'old.{one} IS NOT new.{one}' for one in counted)});"
        for counter, counted in _COUNTED.get(table, {}).items()
        if counter in columns
    )


# One count of a set's labels, on the set: they are taken together.
LABELS_COUNTED = (
    "CREATE TRIGGER springs_label_counted AFTER UPDATE OF label ON springs"  # noqa: S608
    " WHEN old.label IS NOT new.label BEGIN"
    f" UPDATE sets SET label_edits = label_edits + {_STEP}() WHERE id = new.set_id; END"
)


def next_edit(connection: sqlite3.Connection, table: str, same: str, values: list[object]) -> int:
    """Return the count of a new entry that takes the place of others.

    Args:
        same: SQL that is true of those others, with these values.
    """
    sql = f"SELECT 1 + coalesce(max(edits), 0) FROM {table} WHERE {same}"  # noqa: S608
    return int(connection.execute(sql, values).fetchone()[0])
