"""Digests of the book's rows: made by the book itself as a row is stored, checked as it is read.

Each table has a column `digest` over all of a row's other columns, kept by two triggers: a stored
row gets one, and a changed row gets a new one if the old one was right, so that damage is never
sealed. The triggers call a function that only this program registers: another program's change of
a row fails, or, made without the triggers, is found as damage.

Where the order of storing decides, such as which calibration is in force, a row's digest covers its
rowid, too. A row is deleted only where that function is there: what is in no row has no digest.

A stroke has three digests: `digest` over what never changes of it, `state_digest` over what does
(whether it counts, its note, the ruling on it), so that a damaged stroke can be ruled out, and
`content_digest` over its samples and its curve's rows.

Light to import: nothing heavy is loaded here.
"""

from __future__ import annotations

import hashlib
import sqlite3
import struct
import sys
from array import array
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from operator import itemgetter
from typing import Any, NamedTuple

from coilbench.capture.book import tallies
from coilbench.capture.book.edits import LABELS_COUNTED, STROKE_WORDS, counting, register_edits
from coilbench.capture.book.versions import newest

# A stroke's content_digest covers its curve (before 0017_curves in `curve_rows` alone).
CURVES = ("curve_rows", "curves", "curve_steps")
WITHOUT = (*CURVES, tallies.TABLE)  # a tally is one of digests
_STATE = {"sweeps": (*STROKE_WORDS, "edits")}
_CONTENT = {"sweeps": ("samples_blob",)}
_CONTENT_DIGEST = "content_digest"
# Their rows' order of storing decides something; not covered in books before `_SINCE`.
_ORDERED = (
    *("calibration_parts", "calibrations", "scales", "mass_checks", "rest_zeros"),
    *("sets", "sessions", "sweeps"),
)
_SINCE = "0016_order"
_TALLIED = "0018_tallies"
DIGESTS = ("digest", "state_digest", _CONTENT_DIGEST)
BRANCHES = ("loading", "unloading")
_MOST_ASKED = 500  # values in one question


class Column(NamedTuple):
    """A column of a table; key: whether rows are identified by it."""

    name: str
    kind: str
    key: bool


class Cover(NamedTuple):
    """A digest of a table's rows, and the columns that it covers; ordered: the rowid, too."""

    table: str
    digest: str
    columns: tuple[Column, ...]
    ordered: bool = False

    def sql(self, row: str = "", rowid: str = "") -> str:
        """Return what computes it in SQL, of a row called so (`old.`); text as its bytes.

        Args:
            rowid: SQL for the rowid that the row is to have; empty for the one it has.
        """
        order = [rowid or f"{row}rowid"] if self.ordered else []
        return f"coil_digest('{self.table}', {', '.join([*order, *self.cells(row)])})"

    def cells(self, row: str = "") -> list[str]:
        """Return the covered columns as SQL, text as its bytes."""
        return [_cell(column, row) for column in self.columns]


def _cell(column: Column, row: str = "") -> str:
    name = f"{row}{column.name}"
    return f"CAST({name} AS BLOB)" if column.kind == "TEXT" else name


def register(connection: sqlite3.Connection) -> None:
    """Give a connection the functions that the triggers call."""
    connection.execute("PRAGMA trusted_schema = ON")  # as most builds of SQLite have it
    connection.create_function("coil_digest", -1, row_digest, deterministic=True)
    register_edits(connection)
    tallies.register_tallies(connection)


def row_digest(*cells: object) -> bytes:
    """Return the digest of a row: BLAKE2b (RFC 7693) of 16 bytes over its cells, by `repr`.

    Args:
        cells: the table's name, then the covered cells: bytes, integers, floats, None.
    """
    return hashlib.blake2b(repr(cells).encode(), digest_size=16).digest()


class Layout(NamedTuple):
    """A table as it is read: its columns, its digests, and its indexes' columns by index.

    Attributes:
        read: the columns that are read of a row, without a stroke's samples; cells: in SQL.
        kept: in a row with its rowid first: where a digest is, and what picks what it covers.
    """

    columns: tuple[Column, ...]
    covers: tuple[Cover, ...]
    indexes: dict[str, tuple[Column, ...]]
    read: tuple[Column, ...]
    cells: str
    kept: tuple[tuple[int, Callable[[tuple[Any, ...]], tuple[Any, ...]]], ...]


_layouts: dict[tuple[str, str], Layout] = {}  # of each version a book may be of, and table


def layout(connection: sqlite3.Connection, table: str) -> Layout:
    """Return a table's layout; it follows from the book's version, as `ours.py` sees to."""
    of = newest(connection), table
    if of not in _layouts:
        _layouts[of] = _read_layout(connection, *of)
    return _layouts[of]


def _read_layout(connection: sqlite3.Connection, version: str, table: str) -> Layout:
    rows = connection.execute(f"PRAGMA main.table_info({table})").fetchall()
    columns = {name: Column(name, kind, key > 0) for _, name, kind, _, _, key in rows}
    indexes = {}
    for _, index, *_ in connection.execute(f"PRAGMA main.index_list({table})").fetchall():
        of = connection.execute(f"PRAGMA main.index_info({index})").fetchall()
        indexes[index] = tuple(columns[name] for _, _, name in of)
    every = tuple(columns.values())
    read = tuple(one for one in every if one.name not in _CONTENT.get(table, ()))
    places = {one: number for number, one in enumerate(read, start=1)}  # after the rowid
    covers = _covers(every, table, version)
    kept = tuple(
        (
            places[columns[one.digest]],
            itemgetter(*[0] * one.ordered, *(places[column] for column in one.columns)),
        )
        for one in covers
    )
    cells = ", ".join(_cell(column, f"{table}.") for column in read)
    return Layout(every, covers, indexes, read, cells, kept)


def columns_of(connection: sqlite3.Connection, table: str) -> tuple[Column, ...]:
    """Return a table's columns; none where there is no such table."""
    return layout(connection, table).columns


def covers(connection: sqlite3.Connection, table: str) -> tuple[Cover, ...]:
    """Return the digests that triggers keep for a table; none in a book that has none yet."""
    return layout(connection, table).covers


def _covers(columns: tuple[Column, ...], table: str, version: str) -> tuple[Cover, ...]:
    if "digest" not in {column.name for column in columns}:
        return ()
    apart = {*DIGESTS, *_STATE.get(table, ()), *_CONTENT.get(table, ())}
    fixed = tuple(one for one in columns if one.name not in apart)
    found = [Cover(table, "digest", fixed, table in _ORDERED and version >= _SINCE)]
    if table in _STATE:
        state = tuple(one for one in columns if one.key or one.name in _STATE[table])
        found.append(Cover(table, "state_digest", state))
    return tuple(found)


def tables(connection: sqlite3.Connection) -> list[str]:
    """Return the names of the book's tables, without SQLite's own and the list of versions."""
    sql = "SELECT name FROM main.sqlite_schema WHERE type = 'table' AND name NOT GLOB '*sqlite_*'"
    return [name for (name,) in connection.execute(sql)]


@contextmanager
def sealing(connection: sqlite3.Connection) -> Iterator[None]:
    """Make the digests of a whole book, and what keeps them, once its tables are changed meanwhile.

    What was damaged before keeps a digest that shows it; that no row is gone is trusted.
    """
    wrong = {
        (table, cover.digest): _wrong_rowids(connection, cover)
        for table in tables(connection)
        for cover in covers(connection, table)
    }
    yield
    for table in tables(connection):
        for cover in covers(connection, table):
            _seal(connection, cover, wrong.get((table, cover.digest), ()))
        _guard(connection, table)
    if any(column.name == "label_edits" for column in columns_of(connection, "sets")):
        connection.execute("DROP TRIGGER IF EXISTS springs_label_counted")
        connection.execute(LABELS_COUNTED)
    if tallied(connection):
        tallies.tally_again(connection)
    if covers(connection, "sweeps"):
        sql = f"SELECT id FROM sweeps WHERE {_CONTENT_DIGEST} IS NULL"  # noqa: S608  our own name
        for (sweep_id,) in connection.execute(sql).fetchall():
            seal_content(connection, sweep_id)


def _wrong_rowids(connection: sqlite3.Connection, cover: Cover) -> list[int]:
    right = f"{cover.digest} IS {cover.sql()}"
    sql = f"SELECT rowid FROM {cover.table} NOT INDEXED WHERE NOT {right}"  # noqa: S608  our names
    return [rowid for (rowid,) in connection.execute(sql)]


def _seal(connection: sqlite3.Connection, cover: Cover, wrong: Sequence[int]) -> None:
    table, digest = cover.table, cover.digest
    names = ", ".join(column.name for column in cover.columns)
    made, kept = f"{table}_{digest}_made", f"{table}_{digest}_kept"
    for trigger in (made, kept):
        connection.execute(f"DROP TRIGGER IF EXISTS {trigger}")
    fresh = f"UPDATE {table} SET {digest} = {cover.sql()}"  # noqa: S608  our own names
    connection.execute(f"{fresh} WHERE rowid NOT IN ({', '.join(map(str, wrong))})")
    connection.execute(
        f"CREATE TRIGGER {made} AFTER INSERT ON {table} WHEN new.{digest} IS NULL BEGIN"
        f" {fresh} WHERE rowid = new.rowid; END"
    )
    counted = counting(table, {column.name for column in cover.columns})
    # made before the counts go up, too: whether that fires this trigger again is a setting
    connection.execute(
        f"CREATE TRIGGER {kept} AFTER UPDATE OF {names} ON {table} BEGIN"
        f" SELECT RAISE(ABORT, 'a row of {table} is damaged')"
        f" WHERE old.{digest} IS NOT {cover.sql('old.')};"
        + (f" {fresh} WHERE rowid = new.rowid;{counted}" if counted else "")
        + f" {fresh} WHERE rowid = new.rowid; END"
    )


def _guard(connection: sqlite3.Connection, table: str) -> None:
    """Let rows be inserted, changed in whatever column, and deleted only where our function is.

    SQLite looks for it as it prepares a statement, whether the trigger would do anything or not:
    so a row that a changed rowid replaces, for which no deletion's trigger fires, is kept too.
    """
    if newest(connection) < _SINCE:
        return
    every: Mapping[str, str] = dict.fromkeys(
        ("INSERT", "UPDATE", "DELETE"), f"WHEN 0 BEGIN SELECT coil_digest('{table}'); END"
    )
    when = "BEFORE"
    if table in tallies.OF and tallied(connection):
        every, when = tallies.tallying(table), "AFTER"
    for what, does in every.items():
        name = f"{table}_{what.lower().removesuffix('e')}ed"
        connection.execute(f"DROP TRIGGER IF EXISTS {name}")
        connection.execute(f"CREATE TRIGGER {name} {when} {what} ON {table} {does}")


def tallied(connection: sqlite3.Connection) -> bool:
    """Return whether a book keeps tallies of its rows: those of older versions don't."""
    return newest(connection) >= _TALLIED


def seal_content(connection: sqlite3.Connection, sweep_id: str) -> None:
    """Make the digest of a stroke's samples and curve, once both are stored."""
    row = (content_digest(connection, sweep_id), sweep_id)
    connection.execute(f"UPDATE sweeps SET {_CONTENT_DIGEST} = ? WHERE id = ?", row)  # noqa: S608


def content_digest(connection: sqlite3.Connection, sweep_id: str) -> bytes | None:
    """Return the digest of a stroke's samples and of its curve's rows; None where damaged."""
    (blob,) = connection.execute(
        "SELECT samples_blob FROM sweeps WHERE id = ?", [sweep_id]
    ).fetchone()
    branches = stored_branches(connection, sweep_id)
    return None if branches is None else digest_of_content(sweep_id, blob, branches)


def stored_branches(connection: sqlite3.Connection, sweep_id: str) -> list[bytes] | None:
    """Return a stroke's curve as `digest_of_content` takes it; None where it is damaged."""
    # in one go, as it is read for an answer: a key that is damaged would end the reading there
    rows = connection.execute(
        "SELECT CAST(sweep_id AS BLOB), CAST(branch AS BLOB), point, height_mm, load_n"
        " FROM curve_rows WHERE sweep_id = ? ORDER BY branch, point",
        [sweep_id],
    ).fetchall()
    if not rows:
        return [b""] * len(BRANCHES)
    of, names, *columns = zip(*rows, strict=True)
    down, up = (names.count(branch.encode()) for branch in BRANCHES)  # in this order
    if of.count(sweep_id.encode()) < len(rows) or down + up < len(rows):
        return None
    numbers = array("d", bytes(8 * len(columns) * len(rows)))
    try:
        for at, column in enumerate(columns):
            numbers[at :: len(columns)] = array("d", column)
    except TypeError:
        return None
    if sys.byteorder == "big":
        numbers.byteswap()
    packed = numbers.tobytes()
    return [packed[: 8 * len(columns) * down], packed[8 * len(columns) * down :]]


def digest_of_content(sweep_id: str, blob: bytes | None, branches: Sequence[bytes]) -> bytes:
    """Return BLAKE2b over a stroke's id, its samples as stored, and its curve.

    Args:
        branches: loading and unloading: point, height and load of each row, little endian float64.
    """
    digest = hashlib.blake2b(repr((sweep_id, blob)).encode(), digest_size=16)
    for numbers in branches:
        digest.update(struct.pack("<q", len(numbers) // 8) + numbers)
    return digest.digest()


@contextmanager
def as_bytes(connection: sqlite3.Connection) -> Iterator[None]:
    """Read text as bytes meanwhile: damaged text is not always text."""
    before: Any = connection.text_factory
    connection.text_factory = bytes
    try:
        yield
    finally:
        connection.text_factory = before


class Stored(NamedTuple):
    """A row as it was read: its cells by column, text as bytes; whether its digests are right."""

    rowid: int
    cells: dict[str, Any]
    whole: bool


def stored_rows(
    connection: sqlite3.Connection, table: str, where: str = "", values: Sequence[object] = ()
) -> Iterator[Stored]:
    """Yield a table's rows, without a stroke's samples; all are whole in a book without digests.

    Args:
        where: SQL after the table's name, with these values; empty for every row.
    """
    of = layout(connection, table)
    sql = f"SELECT {table}.rowid, {of.cells} FROM {table}"  # noqa: S608  our own names
    if where:  # found by an index, a row's cells would be read from that where it has them
        sql += f" WHERE rowid IN (SELECT {table}.rowid FROM {table} {where})"  # noqa: S608
    with as_bytes(connection):
        rows = connection.execute(sql, values).fetchall()
    names = [column.name for column in of.read]
    for row in rows:
        whole = True
        for at, covered in of.kept:
            whole = whole and row[at] == row_digest(table, *covered(row))
        yield Stored(row[0], dict(zip(names, row[1:], strict=True)), whole)


def lost_to_an_index(connection: sqlite3.Connection, table: str, rows: Sequence[Stored]) -> bool:
    """Return whether an index does not lead to one of the rows, or has another value of it.

    What is asked of a table may be answered from an index alone.

    Args:
        rows: whole ones of the table.
    """
    for index, columns in layout(connection, table).indexes.items() if rows else ():
        lead, names = columns[0].name, [column.name for column in columns]
        lacking = {
            (row.rowid, *[row.cells[name] for name in names])
            for row in rows
            if row.cells[lead] is not None
        }
        leads = [one.decode() if isinstance(one, bytes) else one for one in {x[1] for x in lacking}]
        cells = ", ".join(map(_cell, columns))
        with as_bytes(connection):
            for first in range(0, len(leads), _MOST_ASKED):
                some = leads[first : first + _MOST_ASKED]
                sql = (
                    f"SELECT rowid, {cells} FROM {table} INDEXED BY {index}"  # noqa: S608  our own
                    f" WHERE {lead} IN ({', '.join('?' * len(some))}) AND {lead} IS NOT NULL"
                )
                lacking.difference_update(connection.execute(sql, some))
        if lacking:
            return True
    return False
