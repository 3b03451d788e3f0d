"""A set's name corrected, and a set that was registered by a slip removed."""

from __future__ import annotations

from coilbench.capture.book.connection import Database
from coilbench.capture.book.rows import first_row, writing
from coilbench.capture.book.sets import SetRecord, find_set, refuse_new_name
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed

_MEASURED = """
SELECT 1 AS found FROM sessions WHERE set_id = ?
UNION ALL
SELECT 1 FROM sweeps JOIN springs ON springs.id = spring_id WHERE set_id = ? LIMIT 1
"""
_OF_A_SET = (
    "hand_entries",
    "set_rests",
    "label_swaps",
    "springs",
)  # in an order that their references allow


def rename_set(db: Database, record: SetRecord, name: str) -> SetRecord:
    """Give a set another name; its springs keep their labels.

    Raises:
        CoilbenchError: the name is taken, or can't be one.
    """
    refuse_new_name(name)
    with writing(db):
        if first_row(db, "SELECT id FROM sets WHERE name = ?", [name]) is not None:
            raise CoilbenchError(f"there is already a set {name!r}", hint="Choose another name")
        db.execute("UPDATE sets SET name = ? WHERE id = ?", [name, record.set_id])
        return find_set(db, name)


def remove_set(db: Database, record: SetRecord) -> None:
    """Remove a set of which nothing was pressed, with what was entered of it by hand.

    Raises:
        CoilbenchError: it has strokes or readings, counted or not; they stay in the book.
    """
    with writing(db):
        if first_row(db, _MEASURED, [record.set_id] * 2) is not None:
            raise CoilbenchError(
                f"the set {record.name!r} has strokes or readings, which stay in the book",
                hint="To call it otherwise: coilbench set edit "
                f"{as_typed(record.name)} --rename NEW",
            )
        for table in _OF_A_SET:
            db.execute(f"DELETE FROM {table} WHERE set_id = ?", [record.set_id])  # noqa: S608
        db.execute("DELETE FROM sets WHERE id = ?", [record.set_id])
