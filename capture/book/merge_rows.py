"""Rows of one book into another by SQL: what is new goes in, what differs is settled or refused.

Raw counts, calibrations and readings never change once stored, so rows of one id must be the same
in both books. What may differ, since a copied book goes on to be used, is settled by an order that
no book's place has a part in: so that merging is the same in any order, and again changes nothing.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from sqlite_utils import Database

from coilbench.capture.errors import CoilbenchError

Row = Mapping[str, Any]


@dataclass(frozen=True)
class TableRule:
    """How a table is merged.

    Attributes:
        keys: what makes a row the same in two books.
        mutable: the columns that may differ, all taken from the row that goes before.
        rank: the larger goes before; of equals, the one whose mutable columns sort last.
        has_rowid: whether its rows have a place in the order of storing.
    """

    keys: tuple[str, ...] = ("id",)
    mutable: tuple[str, ...] = ()
    rank: Callable[[Row], tuple[Any, ...]] = lambda _: ()
    has_rowid: bool = True


# In the order in which keys allow them in. `sets.name` and `springs.label` are settled by
# merge_names, `springs.solid_height_mm` follows from the strokes.
RULES: dict[str, TableRule] = {
    "calibration_parts": TableRule(),
    "calibration_points": TableRule(keys=("part_id", "point")),
    "calibrations": TableRule(),
    "scales": TableRule(),
    "scale_points": TableRule(keys=("scale_id", "point")),
    "mass_checks": TableRule(),
    "sets": TableRule(
        mutable=("nominal_json",), rank=lambda row: (row["nominal_json"] is not None,)
    ),
    "springs": TableRule(),
    "sessions": TableRule(
        mutable=(
            "seen_utc",
            "ended_utc",
            "ended_reason",
            "samples",
            "samples_lost",
            "lines_bad",
            "restarts",
            "live_json",
        ),
        rank=lambda row: (row["ended_utc"] is not None, row["seen_utc"]),
    ),
    "sweeps": TableRule(
        mutable=("counted", "status", "note", "ruling"),
        rank=lambda row: (not row["counted"], row["ruling"] is not None),
    ),
    "curve_rows": TableRule(keys=("sweep_id", "branch", "point"), has_rowid=False),
}
SETTLED_ELSEWHERE = {
    "sets": ("name",),
    "springs": ("label", "solid_height_mm", "solid_reason"),
}


def columns_of(db: Database, table: str) -> list[str]:
    """Return a table's columns."""
    return [row[1] for row in db.execute(f"PRAGMA main.table_info({table})")]


def insert_new(db: Database, other: str, table: str) -> int:
    """Insert the rows of another book that this one lacks; returns how many.

    They get places before the book's own in the order of storing, so that the calibration in
    force, and the last stroke, stay this book's.
    """
    rule = RULES[table]
    columns = columns_of(db, table)
    names = ", ".join(columns)
    values = [f"o.{column}" for column in columns]
    if table in SETTLED_ELSEWHERE:  # not taken by anyone, until the names are settled
        stand_in = SETTLED_ELSEWHERE[table][0]
        values[columns.index(stand_in)] = "o.id"
    if rule.has_rowid:
        names = f"rowid, {names}"
        values.insert(0, f"o.rowid - {_room(db, other, table)}")
    cursor = db.execute(
        f"INSERT INTO main.{table} ({names}) SELECT {', '.join(values)} FROM {other}.{table} AS o"  # noqa: S608
        f" WHERE NOT EXISTS (SELECT 1 FROM main.{table} AS m WHERE {_same_key(rule)})"
    )
    return int(cursor.rowcount)


def _room(db: Database, other: str, table: str) -> int:
    first, last = db.execute(
        f"SELECT (SELECT min(rowid) FROM main.{table}), (SELECT max(rowid) FROM {other}.{table})"  # noqa: S608
    ).fetchone()
    return 0 if first is None or last is None else int(last) - int(first) + 1


def _same_key(rule: TableRule) -> str:
    return " AND ".join(f"m.{key} = o.{key}" for key in rule.keys)


def refuse_unlike(db: Database, other: str, table: str, name: str) -> None:
    """Refuse a book where a row that never changes is not the same.

    Raises:
        CoilbenchError: it names the table, the row and what differs.
    """
    rule = RULES[table]
    settled = {*rule.keys, *rule.mutable, *SETTLED_ELSEWHERE.get(table, ())}
    fixed = [column for column in columns_of(db, table) if column not in settled]
    if not fixed:
        return
    unlike = " OR ".join(f"m.{column} IS NOT o.{column}" for column in fixed)
    row = next(
        db.query(
            f"SELECT {_flags(fixed)}, {_keys(rule)} AS of_row FROM main.{table} AS m"  # noqa: S608
            f" JOIN {other}.{table} AS o ON {_same_key(rule)} WHERE {unlike} LIMIT 1"
        ),
        None,
    )
    if row is not None:
        which = next(column for column in fixed if row[column])
        raise CoilbenchError(
            f"{table} {row['of_row']} has another {which} than in this book, though it never "
            "changes: one of the two was changed by another program, or is damaged",
            where=name,
            hint="See which with: coilbench book check",
        )


def _flags(columns: list[str]) -> str:
    return ", ".join(f"m.{column} IS NOT o.{column} AS {column}" for column in columns)


def _keys(rule: TableRule) -> str:
    return " || ' ' || ".join(f"m.{key}" for key in rule.keys)


@dataclass(frozen=True)
class Settled:
    """A row that differed in its mutable columns, as it was here, there, and is now."""

    table: str
    row_id: str
    ours: Row
    theirs: Row
    taken: Row


def settle(db: Database, other: str, table: str) -> Iterator[Settled]:
    """Settle the rows of both books that differ in their mutable columns."""
    rule = RULES[table]
    if not rule.mutable:
        return
    unlike = " OR ".join(f"m.{column} IS NOT o.{column}" for column in rule.mutable)
    places = [f"{book}.{column}" for book in ("m", "o") for column in rule.mutable]
    rows = db.execute(
        f"SELECT m.id, {', '.join(places)} FROM main.{table} AS m"  # noqa: S608  our own names
        f" JOIN {other}.{table} AS o ON m.id = o.id WHERE {unlike}"
    ).fetchall()
    for row_id, *values in rows:
        half = len(rule.mutable)
        ours = dict(zip(rule.mutable, values[:half], strict=True))
        theirs = dict(zip(rule.mutable, values[half:], strict=True))
        taken = max(ours, theirs, key=lambda row: (*rule.rank(row), json.dumps(row)))
        if taken is theirs:
            db.execute(
                f"UPDATE main.{table} SET {', '.join(f'{c} = ?' for c in rule.mutable)}"  # noqa: S608
                " WHERE id = ?",
                [*theirs.values(), row_id],
            )
        yield Settled(table, row_id, ours, theirs, taken)
