"""Bring rows of the store into the book: together, or without those that it refuses.

What the book refuses is found by halves: so a row that passes for itself and does not go with the
others is left out alone, whatever it is that speaks against it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from coilbench.capture.book.connection import Database
from coilbench.capture.book.contents import look_into
from coilbench.capture.book.digests import columns_of, stored_rows
from coilbench.capture.book.merge_rows import RULES
from coilbench.capture.book.merging import Note, merge_attached
from coilbench.capture.book.news import last_stamp, no_longer_news
from coilbench.capture.book.rows import writing
from coilbench.capture.book.vouching import IS_READ, refuse_damaged_set
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.shop.left_out import LeftOut
from coilbench.capture.shop.rows import Item
from coilbench.capture.shop.shape import CURVE
from coilbench.capture.shop.store import Store

Unit = tuple[Item, ...]  # what comes in together: a row; a set with its springs
_PULLED = "pulled"
_OF_SETS = ("hand_entries", "set_rests", "label_swaps")
_MOST_BYTES = 1 << 26  # of curves at a time, as they are unpacked


def bring(
    db: Database,
    store: Store,
    units: Iterable[Unit],
    left: LeftOut,
    rows: dict[str, int],
    notes: list[Note],
) -> None:
    """Merge rows into the book, parents first; what it refuses is left out.

    Args:
        rows: gets how many rows of each table came in.
        notes: gets what differed.

    Raises:
        CoilbenchError: what the book itself has of a set is damaged.
    """
    waiting, refused = list(units), [(Unit(), "")]
    while refused and waiting:
        refused = list(_bring_halves(db, store, waiting, rows, notes))
        if len(refused) == len(waiting):
            break
        waiting = [unit for unit, _ in refused]  # one may need what came in after it
    for unit, why in refused if waiting else ():
        for number, item in enumerate(unit):
            left.item(item, why, known=_is_there(db, item), say=number == 0)


def _bring_halves(
    db: Database,
    store: Store,
    units: Sequence[Unit],
    rows: dict[str, int],
    notes: list[Note],
) -> Iterator[tuple[Unit, str]]:
    """Bring units in; yields those that the book refuses, and why."""
    why = "it is too large"
    if sum(item.curve_bytes() for unit in units for item in unit) <= _MOST_BYTES:
        try:
            _bring_in(db, store, [item for unit in units for item in unit], rows, notes)
        except (CoilbenchError, sqlite3.IntegrityError, sqlite3.DataError) as error:
            why = error.what if isinstance(error, CoilbenchError) else _refusal(str(error))
        else:
            return
    if len(units) == 1:
        _refuse_own_damage(db, units[0])
        yield units[0], why
        return
    half = len(units) // 2
    yield from _bring_halves(db, store, units[:half], rows, notes)
    yield from _bring_halves(db, store, units[half:], rows, notes)


def _refusal(said: str) -> str:
    return "what it belongs to was left out" if said.startswith("FOREIGN KEY") else said


def _refuse_own_damage(db: Database, unit: Unit) -> None:
    for item in unit:
        of = "SELECT set_id FROM springs WHERE id = ?"
        row = db.execute(of, [item.fixed.get("spring_id")]).fetchone()
        set_id = item.row_id if item.kind.table == "sets" else item.fixed.get("set_id")
        set_id = set_id if row is None else row[0]
        if db.execute("SELECT 1 FROM sets WHERE id = ?", [set_id]).fetchone():
            refuse_damaged_set(db.conn, str(set_id), {})


def _is_there(db: Database, item: Item) -> bool:
    sql = f"SELECT 1 FROM {item.kind.table} WHERE id = ?"  # noqa: S608  our own names
    return db.execute(sql, [item.row_id]).fetchone() is not None


@contextmanager
def room_for_pulled(db: Database) -> Iterator[None]:
    """Attach tables like the book's, in memory, without keys: the book's own guard what comes."""
    db.execute(f"ATTACH ':memory:' AS {_PULLED}")
    try:
        for table in RULES:
            columns = [f"{one.name} {one.kind}" for one in columns_of(db.conn, table)]
            db.execute(f"CREATE TABLE {_PULLED}.{table} ({', '.join(columns)})")
        db.execute(f"CREATE INDEX {_PULLED}.springs_by_set ON springs (set_id)")
        for table in ("sets", "springs"):
            db.execute(f"CREATE INDEX {_PULLED}.{table}_by_id ON {table} (id)")
        yield
    finally:
        db.execute(f"DETACH {_PULLED}")


def _bring_in(
    db: Database, store: Store, items: Sequence[Item], rows: dict[str, int], notes: list[Note]
) -> None:
    """Merge some rows into the book, all or none; what came is no news for the store."""
    with writing(db):
        stamp = last_stamp(db.conn)
        _refuse_gone(db, items)
        _put(db, items)
        came, noted = merge_attached(db, {_PULLED: store.address})
        _refuse_damaged_content(db, items)
        _forget_news(db, items, stamp)
        for table in RULES:
            db.execute(f"DELETE FROM {_PULLED}.{table}")  # noqa: S608  our own names
    for table, count in came.items():
        if count:
            rows[table] = rows.get(table, 0) + count
    notes += [note for note in noted if note not in notes]


def _refuse_gone(db: Database, items: Sequence[Item]) -> None:
    """Refuse what was said of strokes that were removed from the book after it was read."""
    for item in items:
        if item.kind.table == "sweeps" and CURVE not in item.fixed and not _is_there(db, item):
            raise CoilbenchError("it was removed meanwhile")


def _refuse_damaged_content(db: Database, items: Sequence[Item]) -> None:
    """Refuse strokes of which the samples or the curve can't be read.

    Those that an answer is made of now were looked at with their sets.
    """
    ids = [one.row_id for one in items if CURVE in one.fixed]
    marks = ", ".join("?" * len(ids))
    where = f"WHERE id IN ({marks}) AND NOT {IS_READ}"
    for row in stored_rows(db.conn, "sweeps", where, ids) if ids else ():
        wrong = look_into(db.conn, row.cells).wrong
        if wrong is not None:
            raise CoilbenchError(wrong)


def _put(db: Database, items: Sequence[Item]) -> None:
    by_table: dict[str, list[Item]] = {}
    for item in items:
        by_table.setdefault(item.kind.table, []).append(item)
    for table, own in by_table.items():
        _insert(db, table, ({**item.fixed, **item.words} for item in own))
        child = own[0].kind.points
        if child is not None:
            _insert(db, child[0], (row for item in own for row in item.points))
    strokes = by_table.get("sweeps", [])
    sql = f"INSERT INTO {_PULLED}.curve_rows VALUES (?, ?, ?, ?, ?)"  # noqa: S608
    for item in strokes:
        db.conn.executemany(sql, item.curve_rows())
    _put_sets_of(db, items)


def _insert(db: Database, table: str, rows: Iterable[Mapping[str, Any]]) -> None:
    plain = [{name: cell for name, cell in row.items() if name != CURVE} for row in rows]
    names = dict.fromkeys(name for row in plain for name in row)
    if names:
        marks = ", ".join(f":{name}" for name in names)
        sql = f"INSERT INTO {_PULLED}.{table} ({', '.join(names)}) VALUES ({marks})"  # noqa: S608
        db.conn.executemany(sql, [{**names, **row} for row in plain])


def _put_sets_of(db: Database, items: Sequence[Item]) -> None:
    """Put the book's own row of each set there of which something came: it is settled anew.

    Of a stroke that the book has, its samples are put there likewise, since they never change.
    """
    of_springs = sorted({item.fixed["spring_id"] for item in items if item.kind.table == "sweeps"})
    marks = ", ".join("?" * len(of_springs))
    sql = f"SELECT DISTINCT set_id FROM main.springs WHERE id IN ({marks})"  # noqa: S608
    set_ids = {set_id for (set_id,) in db.execute(sql, of_springs)}
    set_ids |= {item.fixed["set_id"] for item in items if item.kind.table in _OF_SETS}
    set_ids -= {item.row_id for item in items if item.kind.table == "sets"}
    for table, key in (("sets", "id"), ("springs", "set_id")):
        sql = f"INSERT INTO {_PULLED}.{table} SELECT * FROM main.{table} WHERE {key} = ?"  # noqa: S608
        db.conn.executemany(sql, [[set_id] for set_id in sorted(set_ids)])
    db.execute(
        f"UPDATE {_PULLED}.sweeps SET samples_blob = m.samples_blob FROM main.sweeps AS m"  # noqa: S608
        f" WHERE m.id = {_PULLED}.sweeps.id"
    )


def _forget_news(db: Database, items: Sequence[Item], stamp: int) -> None:
    """Let what came in be no news, unless the book says otherwise of it than the store."""
    by_kind: dict[str, set[str]] = {}
    for item in items:
        if item.kind.table != "sets":
            by_kind.setdefault(item.kind.table, set()).add(item.row_id)
    strokes = by_kind.get("sweeps", set())
    if strokes:
        alike = " AND ".join(f"m.{one} IS o.{one}" for one in RULES["sweeps"].mutable)
        same = db.execute(
            f"SELECT m.id FROM {_PULLED}.sweeps AS o CROSS JOIN main.sweeps AS m USING (id)"  # noqa: S608
            f" WHERE {alike}"
        )
        by_kind["sweeps"] = {row_id for (row_id,) in same}
    until = last_stamp(db.conn)
    for kind, ids in by_kind.items():
        no_longer_news(db.conn, kind, ids, until, after=stamp)
