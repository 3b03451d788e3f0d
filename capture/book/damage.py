"""What is damaged, by name; a damaged stroke is left out, and leaves the others usable."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from typing import Any

from coilbench.capture.book.digests import (
    Stored,
    as_bytes,
    covers,
    stored_rows,
)

RESTORE = "restore a copy: coilbench book put-back COPY"
RESTORED = f"R{RESTORE[1:]}"
_LONGEST_SHOWN = 60
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


def phrase(table: str, cells: dict[str, Any]) -> str:
    """Return what a row is called in a message.

    Args:
        cells: by column, text as bytes.
    """
    shown = {
        name: _shown(cell) if isinstance(cell, bytes) else cell for name, cell in cells.items()
    }
    return _PHRASES.get(table, f"a row of {table}").format_map(shown)


def _shown(text: bytes) -> str:
    signs = text.decode(errors="backslashreplace")[:_LONGEST_SHOWN]
    return "".join(sign if sign.isprintable() else f"\\x{ord(sign):02x}" for sign in signs)


def strokes_of(connection: sqlite3.Connection, set_id: str | None) -> list[Stored]:
    """Return the strokes of a set, or of all."""
    of_set = "WHERE spring_id IN (SELECT id FROM springs WHERE set_id = ?)"
    where, values = ("", []) if set_id is None else (of_set, [set_id])
    return list(stored_rows(connection, "sweeps", where, values))


def stroke_names(connection: sqlite3.Connection) -> dict[int, tuple[str, str]]:
    """Return the set of each measured stroke and how commands name it, by rowid.

    Strokes are counted as `StrokeRow.of_set` counts them.
    """
    sql = """
        SELECT sweeps.rowid, sets.name, label, row_number() OVER
          (PARTITION BY spring_id ORDER BY stored_utc, sweeps.id)
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
