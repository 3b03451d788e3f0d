"""Refuse a damaged book or stroke by name, before anything of it goes into an answer.

At an opening every table but the strokes' is read in whole: its rows' digests, its values, and
whether SQLite finds its pages and indexes in order. The strokes of a set are looked at when the set
is read, so that a damaged one is named, can be left out, and leaves the others usable.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from coilbench.capture.book.digests import (
    WITHOUT,
    Stored,
    as_bytes,
    covers,
    stored_rows,
    tables,
)
from coilbench.capture.book.values import impossible
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed

RESTORE = "restore a copy: coilbench book put-back COPY"
_RESTORE = f"R{RESTORE[1:]}"
_LONGEST_SHOWN = 60
_APART = ("sweeps", *WITHOUT, "sessions", "stroke_chunks")  # not looked at in an opening
_PHRASES = {
    "calibration_parts": "the {kind} calibration made {made_utc}",
    "calibration_points": "point {point} of a calibration",
    "calibrations": "the calibration made {made_utc}",
    "scales": "the calibration of the scale {name}",
    "scale_points": "point {point} of a scale's calibration",
    "mass_checks": "the check with a weight made {made_utc}",
    "rest_zeros": "the zero read {read_utc}",
    "rig_settings": "how long a calibration is valid",
    "rig_ratings": "what the rig may bear",
    "sets": "what the set {name} was registered with",
    "springs": "what is kept of the spring {label}",
    "label_swaps": "the swap of springs made {swapped_utc}",
    "set_rests": "what rests on the springs of a set, told {told_utc}",
    "hand_entries": "what was entered by hand {made_utc}",
    "sessions": "the capture begun {started_utc}",
    "shop": "with which store the book is shared",
    "shop_seen": "what came from the bench {bench_id}",
    "shop_news": "a change that the store may lack ({kind} {row_id})",
    "stroke_chunks": "a piece of an unfinished stroke",
}
# What SQLite says of a row, not of its pages: the row's digest says it too.
_OF_A_ROW = re.compile(
    r"row \d+ missing from index|CHECK |NULL value|non-|NUMERIC value|TEXT value"
)


def refuse_damaged(connection: sqlite3.Connection, path: Path, *, documents: bool = True) -> None:
    """Refuse a book with damage that decides something, but for the strokes of its sets.

    Args:
        documents: whether to look into the values that are documents, which takes longer to load.

    Raises:
        CoilbenchError: it names what is damaged.
    """
    what = next(_damages(connection, documents), None)
    if what is not None:
        raise CoilbenchError(
            what,
            where=str(path),
            hint=f"{_RESTORE}; all of the damage: coilbench book check",
        )


def _damages(connection: sqlite3.Connection, documents: bool) -> Iterator[str]:
    for table in tables(connection):
        if table not in _APART:
            yield from damaged_rows(connection, table, documents=documents)
    yield from misplaced(connection)
    for table in tables(connection):
        if table not in WITHOUT:  # a stroke's content_digest shows what is wrong there
            yield from _structure(connection, table)


def misplaced(connection: sqlite3.Connection) -> Iterator[str]:
    """Yield a sentence for each calibration that takes one kind of part for another."""
    sql = """
        SELECT calibrations.made_utc FROM calibrations
          LEFT JOIN calibration_parts AS load ON load.id = load_part_id
          LEFT JOIN calibration_parts AS travel ON travel.id = travel_part_id
          LEFT JOIN calibration_parts AS flex ON flex.id = flex_part_id
        WHERE load.kind <> 'load' OR travel.kind <> 'travel' OR flex.kind <> 'flex'
    """
    for (made_utc,) in connection.execute(sql):
        yield f"the calibration made {made_utc} is damaged: a part of it is of another kind"


def damaged_rows(
    connection: sqlite3.Connection, table: str, *, documents: bool = True
) -> Iterator[str]:
    """Yield a sentence for each row that is damaged or holds what cannot be."""
    for _, cells, whole in stored_rows(connection, table):
        wrong = impossible(cells, documents=documents) if whole else "it is not what was stored"
        if wrong is not None:
            yield f"{_phrase(table, cells)} is damaged: {wrong}"


def _phrase(table: str, cells: dict[str, Any]) -> str:
    shown = {
        name: _shown(cell) if isinstance(cell, bytes) else cell for name, cell in cells.items()
    }
    return _PHRASES.get(table, f"a row of {table}").format_map(shown)


def _shown(text: bytes) -> str:
    signs = text.decode(errors="backslashreplace")[:_LONGEST_SHOWN]
    return "".join(sign if sign.isprintable() else f"\\x{ord(sign):02x}" for sign in signs)


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


def refuse_damaged_strokes(
    connection: sqlite3.Connection,
    set_id: str | None = None,
    known: dict[int, bytes] | None = None,
) -> None:
    """Refuse to read a set, or any, of which a stroke is damaged that was not left out.

    Args:
        set_id: None for every set; then samples and curves are not looked at, only what else is
            kept of a stroke.
        known: as in `damage_of_stroke`.

    Raises:
        CoilbenchError: it names the strokes of the first such set.
    """
    wrong = damaged_strokes(connection, set_id, known)
    if not wrong:
        return
    set_name = min(one for one, _ in wrong.values())
    named = sorted(stroke for one, stroke in wrong.values() if one == set_name and stroke)
    leave = " ".join(f"--leave {as_typed(stroke)}" for stroke in named)
    cure = f"Leave out what is damaged: coilbench set strokes {as_typed(set_name)} {leave}; or "
    raise CoilbenchError(
        f"damaged, not what was stored: {', '.join(named) or 'a stroke'}",
        where=set_name or None,
        hint=f"{cure}{RESTORE}" if named else _RESTORE,
    )


def damaged_strokes(
    connection: sqlite3.Connection,
    set_id: str | None = None,
    known: dict[int, bytes] | None = None,
) -> dict[int, tuple[str, str]]:
    """Return the damaged strokes that may count, by rowid: the set, and how commands name each.

    Not named is one that commands do not, such as a conditioning press. Arguments as in
    `refuse_damaged_strokes`.
    """
    of_set = "WHERE spring_id IN (SELECT id FROM springs WHERE set_id = ?)"
    where, values = ("", []) if set_id is None else (of_set, [set_id])
    known = {} if known is None else known
    wrong = [
        row.rowid
        for row in stored_rows(connection, "sweeps", where, values)
        if (row.cells["counted"] or row.cells.get("ruling") != b"leave")
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


def stroke_names(connection: sqlite3.Connection) -> dict[int, tuple[str, str]]:
    """Return the set of each measured stroke and how commands name it, by rowid.

    Strokes are counted as `StrokeRow.of_set` counts them.
    """
    sql = """
        SELECT sweeps.rowid, sets.name, label, row_number() OVER
          (PARTITION BY spring_id ORDER BY stored_utc, sweeps.rowid)
        FROM sweeps JOIN springs ON springs.id = spring_id JOIN sets ON sets.id = set_id
        WHERE purpose = 'measured'
    """
    with as_bytes(connection):
        rows = connection.execute(sql).fetchall()
    return {
        rowid: (name.decode(errors="replace"), f"{label.decode(errors='replace')}:{number}")
        for rowid, name, label, number in rows
    }


def leave_damaged(connection: sqlite3.Connection, rowid: int, why: str) -> None:
    """Let a damaged stroke no longer count, whatever is damaged of it; call it in a transaction.

    Its indexes are made again first, since SQLite would look there for what is damaged.
    """
    (cover,) = (one for one in covers(connection, "sweeps") if one.digest == "state_digest")
    connection.execute("PRAGMA ignore_check_constraints = ON")
    connection.execute("REINDEX sweeps")
    for change in (
        f"state_digest = {cover.sql()}",  # only to be changed at once: what counts is damaged too
        "counted = 0, status = 'aborted', ruling = 'leave', note = ?",
    ):
        values = [why, rowid] if "?" in change else [rowid]
        connection.execute(f"UPDATE sweeps SET {change} WHERE rowid = ?", values)  # noqa: S608  ours
    connection.execute("PRAGMA ignore_check_constraints = OFF")
