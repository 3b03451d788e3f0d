"""Vouch for what an answer is made of, where it is read: refuse what is damaged, gone or astray.

The rig's own rows are few: an opening reads them all, but for the points of calibrations, which are
read with their calibration. A set's are read as the set is found; those of every set before an
answer that is made of all sets; the store's as the book is shared. So what an opening takes doesn't
grow with the sets, and damage of one set leaves the others usable.

Of each row: its digests and its values. Of a whole: its tally, so that no row is gone
(`tallies.py`). Of a set's rows: what each index has of them. Of the rig's tables, and of all sets':
what SQLite's integrity_check and foreign_key_check find.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from coilbench.capture.book import tallies
from coilbench.capture.book.damage import (
    RESTORE,
    RESTORED,
    misplaced,
    phrase,
    stroke_names,
    strokes_of,
)
from coilbench.capture.book.digests import (
    CURVES,
    WITHOUT,
    Stored,
    covers,
    lost_to_an_index,
    row_digest,
    stored_rows,
    tables,
    tallied,
)
from coilbench.capture.book.tallies import OF_POINTS, OF_RIG, OF_SETS, OF_SHOP, Tally
from coilbench.capture.book.values import impossible
from coilbench.capture.book.versions import LIST
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed

# A stroke of which an answer is made, as `damage_of_stroke` tells by its cells.
IS_READ = "((counted OR ruling IS 'use') AND purpose = 'measured')"
_APART = ("sweeps", "stroke_chunks", *WITHOUT)
# What SQLite says of a row, not of its pages: the row's digest says it too.
_OF_A_ROW = re.compile(
    r"row \d+ missing from index|CHECK |NULL value|non-|NUMERIC value|TEXT value"
)
_WHOLES = {  # and the first characters of others
    tallies.RIG: OF_RIG,
    tallies.SHOP: OF_SHOP,
    tallies.SETS: ("sets",),
    tallies.POINTS: OF_POINTS,
}
_GONE = "a row is gone, or is not what was stored"


def refuse_damaged_rig(
    connection: sqlite3.Connection, path: Path | None = None, *, documents: bool = True
) -> None:
    """Refuse a book of which a row of the rig is damaged or gone.

    Args:
        documents: whether to look into the values that are documents, which takes longer to load.

    Raises:
        CoilbenchError: it names what is damaged.
    """
    damages = _damages(connection, OF_RIG, tallies.RIG, documents=documents)
    _refuse(damages, None if path is None else str(path))


def refuse_damaged_points(connection: sqlite3.Connection, table: str, of: str) -> None:
    """Refuse points of a calibration or a scale, by its id, of which one is damaged or gone.

    Raises:
        CoilbenchError: it names the point, if it is there.
    """
    with _one_state(connection):
        (whole,) = tallies.OF[table]
        key = whole.rpartition("{row}")[2]
        rows = list(stored_rows(connection, table, f"WHERE {key} = ?", [of]))
        _refuse(damaged_rows(connection, table, rows))
        found = Tally.of(row.cells["digest"] for row in rows)
        lost = lost_to_an_index(connection, table, rows)
        if lost or found != tallies.kept_tally(connection, tallies.POINTS + of):
            _refuse([_of_whole(tallies.POINTS)])


def refuse_damaged_shop(connection: sqlite3.Connection) -> None:
    """Refuse a book of which a row of what is kept of the store is damaged or gone.

    Raises:
        CoilbenchError: it names what is damaged.
    """
    _refuse(_damages(connection, OF_SHOP, tallies.SHOP))


def refuse_damaged_names(connection: sqlite3.Connection) -> None:
    """Refuse a book whose list of sets is not the one that was stored.

    Raises:
        CoilbenchError: it names the set that is damaged, where there is one.
    """
    _refuse(_damages(connection, ("sets",), tallies.SETS, structure=False))


def refuse_damaged_book(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse a book with any damage that decides something, but for the strokes of its sets.

    Raises:
        CoilbenchError: it names what is damaged.
    """
    _refuse(_damages(connection, tables(connection)), str(path))
    _refuse(_structure(connection, LIST), str(path))  # what brings it up to date reads its index
    _refuse(tally_damages(connection), str(path))


def refuse_damaged_sets(connection: sqlite3.Connection) -> None:
    """Refuse a book of which a row of any set is damaged or gone, but for strokes left out.

    Documents, and the samples and curves of strokes, are not looked into.

    Raises:
        CoilbenchError: it names what is damaged.
    """
    with _one_state(connection):
        _refuse(_damages(connection, OF_SETS, documents=False))
        refuse_damaged_strokes(connection)
        _refuse(tally_damages(connection, OF_SETS))


def refuse_damaged_sets_with(
    connection: sqlite3.Connection,
    strokes: str,
    values: Sequence[object] = (),
    set_ids: Iterable[str] = (),
    *,
    all_of_them: bool = False,
) -> None:
    """Refuse as `refuse_damaged_sets` of the sets that have such strokes, and of these, alone.

    Args:
        strokes: SQL that picks them, with these values. No index is asked: nobody vouched for it.
        all_of_them: whether no such stroke may be lacking, so that no row of any set may be gone.
    """
    with _one_state(connection):
        set_of = dict(connection.execute("SELECT id, set_id FROM springs NOT INDEXED").fetchall())
        sql = f"SELECT DISTINCT spring_id FROM sweeps NOT INDEXED WHERE {strokes}"  # noqa: S608
        found = {set_of.get(one) for (one,) in connection.execute(sql, values).fetchall()}
        if None in found:  # damage leads to no spring: to be named
            refuse_damaged_sets(connection)
        for set_id in sorted({one for one in found if one is not None} | {*set_ids}):
            refuse_damaged_set(connection, set_id)
            refuse_damaged_strokes(connection, rows=strokes_of(connection, set_id))
        if all_of_them:
            _refuse(tally_damages(connection, OF_SETS))


def refuse_damaged_set(
    connection: sqlite3.Connection, set_id: str, known: dict[int, bytes] | None = None
) -> None:
    """Refuse a set of which a row is damaged or gone, or has another value in an index.

    Args:
        known: as in `damage_of_stroke`, for all of its strokes; None to let damaged ones be, where
            none is read or one is left out.

    Raises:
        CoilbenchError: it names what is damaged.
    """
    with _one_state(connection):
        rows = _rows_of_set(connection, set_id)
        if not rows["sets"]:  # an id that damage made no text is read as another one
            refuse_damaged_names(connection)
            _refuse([_of_whole(set_id)])
        for table, own in rows.items():
            if table != "sweeps":
                _refuse(damaged_rows(connection, table, own))
        if known is not None:
            refuse_damaged_strokes(connection, set_id, known, rows["sweeps"])
        _refuse(_set_damages(connection, set_id, rows))


def _rows_of_set(connection: sqlite3.Connection, set_id: str) -> dict[str, list[Stored]]:
    where = {"sets": "WHERE id = ?"}
    return {
        table: list(stored_rows(connection, table, where.get(table, "WHERE set_id = ?"), [set_id]))
        for table in OF_SETS
        if table != "sweeps"
    } | {"sweeps": strokes_of(connection, set_id)}


def _set_damages(
    connection: sqlite3.Connection, set_id: str, rows: dict[str, list[Stored]]
) -> Iterator[str]:
    name = " ".join(str(row.cells["name"], errors="replace") for row in rows["sets"] if row.whole)
    found = Tally.of(row.cells["digest"] for own in rows.values() for row in own)
    kept = tallies.kept_tally(connection, set_id)
    damaged = [
        (row.cells["digest"], _fresh_digest(connection, row))
        for row in rows["sweeps"]
        if not row.whole
    ]
    if not found.is_that_of(kept, damaged):
        yield f"the set {name} is damaged: {_GONE}"
    for table, own in rows.items():
        if lost_to_an_index(connection, table, [row for row in own if row.whole]):
            yield f"the set {name} is damaged: an index of {table} is not as its rows"


def _left_out(connection: sqlite3.Connection, row: Stored) -> bool:
    """Return whether a stroke does not count, as it was ruled and not by damage of the ruling."""
    if row.cells["counted"] or row.cells.get("ruling") != b"leave":
        return False
    return row.whole or row.cells["state_digest"] == _fresh_digest(connection, row, 1)


def _fresh_digest(connection: sqlite3.Connection, row: Stored, number: int = 0) -> bytes:
    """Return a digest of a stroke by its cells as they are: the first, or that of its state."""
    cover = covers(connection, "sweeps")[number]
    order = [row.rowid] if cover.ordered else []
    return row_digest(cover.table, *order, *(row.cells[column.name] for column in cover.columns))


def damaged_rows(
    connection: sqlite3.Connection,
    table: str,
    rows: Iterable[Stored] | None = None,
    *,
    documents: bool = True,
) -> Iterator[str]:
    """Yield a sentence for each row that is damaged or holds what cannot be.

    Args:
        rows: those of the table to look at; None for all.
        documents: whether to look into the values that are documents, which takes longer to load.
    """
    for _, cells, whole in stored_rows(connection, table) if rows is None else rows:
        wrong = impossible(cells, documents=documents) if whole else "it is not what was stored"
        if wrong is not None:
            yield f"{phrase(table, cells)} is damaged: {wrong}"


def refuse_damaged_strokes(
    connection: sqlite3.Connection,
    set_id: str | None = None,
    known: dict[int, bytes] | None = None,
    rows: Iterable[Stored] | None = None,
) -> None:
    """Refuse to read a set, or any, of which a stroke is damaged that was not left out.

    Args:
        set_id: None for every set; then samples and curves are not looked at, only what else is
            kept of a stroke.
        known: as in `damage_of_stroke`.
        rows: the strokes, where they were read before.

    Raises:
        CoilbenchError: it names the strokes of the first such set.
    """
    wrong = damaged_strokes(connection, set_id, known, rows)
    if not wrong:
        return
    set_name = min(one for one, _ in wrong.values())
    named = sorted(stroke for one, stroke in wrong.values() if one == set_name and stroke)
    leave = " ".join(f"--leave {as_typed(stroke)}" for stroke in named)
    cure = f"Leave out what is damaged: coilbench set strokes {as_typed(set_name)} {leave}; or "
    raise CoilbenchError(
        f"damaged, not what was stored: {', '.join(named) or 'a stroke'}",
        where=set_name or None,
        hint=f"{cure}{RESTORE}" if named else RESTORED,
    )


def damaged_strokes(
    connection: sqlite3.Connection,
    set_id: str | None = None,
    known: dict[int, bytes] | None = None,
    rows: Iterable[Stored] | None = None,
) -> dict[int, tuple[str, str]]:
    """Return the damaged strokes that may count, by rowid: the set, and how commands name each.

    Not named is one that commands do not, such as a conditioning press. Arguments as in
    `refuse_damaged_strokes`.
    """
    known = {} if known is None else known
    wrong = [
        row.rowid
        for row in (strokes_of(connection, set_id) if rows is None else rows)
        if not _left_out(connection, row)
        and damage_of_stroke(connection, row, None if set_id is None else known)
    ]
    names = stroke_names(connection) if wrong else {}
    return {rowid: names.get(rowid, ("", "")) for rowid in wrong}


def damage_of_stroke(
    connection: sqlite3.Connection, row: Stored, known: dict[int, bytes] | None
) -> str | None:
    """Return what is wrong with a stroke, as words; None for nothing.

    Args:
        known: strokes whose samples and curve were found whole, by rowid, with their digest; added
            to. None to not look at them; they are where the stroke counts, or is ruled in.
    """
    cells = row.cells
    if not row.whole:
        return "it is not what was stored"
    wrong = impossible(cells, documents=known is not None)
    used = cells["counted"] or cells.get("ruling") == b"use"
    used = used and cells["purpose"] == b"measured"
    if wrong is not None or known is None or not used:
        return wrong
    kept = cells.get("content_digest")
    if kept is None or known.get(row.rowid) != kept:
        from coilbench.capture.book.contents import look_into

        wrong = look_into(connection, cells).wrong
        if kept is not None and wrong is None:
            known[row.rowid] = kept
    return wrong


@contextmanager
def _one_state(connection: sqlite3.Connection) -> Iterator[None]:
    """Read the book as it is at one moment, whoever writes it meanwhile."""
    if connection.in_transaction:
        yield
        return
    connection.execute("BEGIN")
    try:
        yield
    finally:
        connection.rollback()


def _refuse(damages: Iterable[str], where: str | None = None) -> None:
    what = next(iter(damages), None)
    if what is not None:
        raise CoilbenchError(
            what, where=where, hint=f"{RESTORED}; all of the damage: coilbench book check"
        )


def _damages(
    connection: sqlite3.Connection,
    of: Sequence[str],
    whole: str | None = None,
    *,
    documents: bool = True,
    structure: bool = True,
) -> Iterator[str]:
    """Yield what is wrong with the rows of tables; whole: with their tally, too."""
    digests: list[object] = []
    there = tables(connection)
    of = [table for table in of if table in there]  # an older book has not all of them
    for table in of:
        if table not in _APART:
            rows = list(stored_rows(connection, table))
            yield from damaged_rows(connection, table, rows, documents=documents)
            digests += [row.cells.get("digest") for row in rows]
    if "calibrations" in of:
        yield from misplaced(connection)
    kept = whole is not None and tallied(connection) and tallies.kept_tally(connection, whole)
    if kept and kept != Tally.of(digests):
        yield _of_whole(str(whole))
    for table in of if structure else ():
        if table not in CURVES:  # a stroke's content_digest shows what is wrong there
            yield from _structure(connection, table)


def tally_damages(
    connection: sqlite3.Connection, of: Sequence[str] = tuple(tallies.OF)
) -> Iterator[str]:
    """Yield a sentence for each whole in these tables of which a row is gone.

    None in a book of an older version, which has no tallies.
    """
    if not tallied(connection):
        return
    found, kept = tallies.found_tallies(connection, of), tallies.kept_tallies(connection)
    others = tuple(name for name, own in _WHOLES.items() if not set(own) <= set(of))
    for whole in sorted({*found, *kept}):
        if found.get(whole, Tally()) == kept.get(whole, Tally()) or whole.startswith(others):
            continue
        rows = {} if whole in _WHOLES else _rows_of_set(connection, whole)
        if rows.get("sets"):
            yield from _set_damages(connection, whole, rows)
        else:
            yield _of_whole(whole)


def _of_whole(whole: str) -> str:
    of = {
        tallies.RIG: "what is kept of the rig",
        tallies.SHOP: "what is kept of the store",
        tallies.SETS: "the list of sets",
    }
    if whole.startswith(tallies.POINTS):
        of[whole] = "a calibration's list of points"
    return f"{of.get(whole, 'a set that is not in the list of sets')} is damaged: {_GONE}"


def _structure(connection: sqlite3.Connection, table: str) -> Iterator[str]:
    said = [row[0] for row in connection.execute(f"PRAGMA integrity_check({table})")]
    rows = [one for one in said if _OF_A_ROW.match(one)]
    yield from (f"SQLite: {one}" for one in said if one != "ok" and one not in rows)
    rows += [
        f"row {rowid} of {table} refers to a missing row of {parent}"
        for _, rowid, parent, _ in connection.execute(f"PRAGMA foreign_key_check({table})")
    ]
    if rows and all(row.whole for row in stored_rows(connection, table)):
        yield from rows  # else the damaged row is named by its own digest
    elif rows and table == "sweeps" and ("", "") in damaged_strokes(connection).values():
        yield "a stroke is damaged: it is not what was stored"
