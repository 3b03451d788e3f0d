"""Runs of import and note, and undoing one.

Undo deletes nothing: what was read stays, marked as taken back, and no longer counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import msgspec

from coilbench.capture.book.connection import Database
from coilbench.capture.book.keyed_readings import put_back_replaced
from coilbench.capture.book.rows import refresh_solid_heights, writing
from coilbench.capture.book.sets import find_set
from coilbench.capture.book.vouching import refuse_damaged_sets_with
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.sweep import Origin

LAST = "last"
SHOWN_FIGURES = 8  # of an id: enough to distinguish some millions
FILES = (Origin.RAW_FILE, Origin.CONVERTED_FILE, Origin.POINTS_FILE)
KEYED = (Origin.KEYED,)
_NOTE = "taken back"  # as books have it


def take_back_text(entry_id: str) -> str:
    """Return what undoes a run of import."""
    return f"coilbench import --take-back {entry_id[:SHOWN_FIGURES]}"


class Entry(msgspec.Struct, frozen=True):
    """One run of import or note.

    Attributes:
        stored_utc: when its first stroke was stored.
        files: their names; none for keyed readings.
        counts: whether any of it still counts.
    """

    entry_id: str
    stored_utc: str
    set_name: str
    files: tuple[str, ...]
    labels: tuple[str, ...]
    counts: bool

    @classmethod
    def newest_first(
        cls, db: Database, origins: Sequence[Origin], set_name: str | None = None
    ) -> tuple[Entry, ...]:
        """Return the runs that brought strokes of these origins; other benches' come last.

        Raises:
            CoilbenchError: there is no such set; a row of it is damaged, or of a set with a run; or
                a row is gone, whatever set it is of.
        """
        if set_name is None:
            any_run = "origin <> 'rig' OR entry_id IS NOT NULL"
            refuse_damaged_sets_with(db.conn, any_run, all_of_them=True)
        else:
            find_set(db, set_name)
        marks = ", ".join("?" * len(origins))
        found: dict[str, list[dict[str, Any]]] = {}
        for row in db.query(
            f"""
            SELECT entry_id, stored_utc, sets.name AS set_name, label, origin, note, counted
            FROM sweeps JOIN springs ON springs.id = spring_id JOIN sets ON sets.id = set_id
            WHERE entry_id IS NOT NULL AND origin IN ({marks}) ORDER BY
              max(sweeps.rowid, 0), stored_utc, sweeps.id
            """,  # noqa: S608  question marks only
            [origin.value for origin in origins],
        ):
            if set_name in (None, row["set_name"]):
                found.setdefault(row["entry_id"], []).append(row)
        return tuple(_entry(rows) for rows in reversed(found.values()))

    @classmethod
    def undo(
        cls, db: Database, which: str, origins: Sequence[Origin], set_name: str | None = None
    ) -> Entry:
        """Undo a run of import or note: what it brought is kept, but no longer counts.

        Solid heights found in it go too; those found in earlier strokes apply again. A reading
        that it replaced counts again.

        Args:
            which: `last`, the last one that still counts; or an id, or its first characters.

        Raises:
            CoilbenchError: there is none, several begin so, or it was undone before.
        """
        with writing(db):
            entry = _chosen(cls.newest_first(db, origins, set_name), which)
            springs = db.execute(
                "SELECT DISTINCT spring_id FROM sweeps WHERE entry_id = ?", [entry.entry_id]
            ).fetchall()
            db.execute(
                "UPDATE sweeps SET counted = 0, ruling = NULL,"
                " note = coalesce(note || '; ', '') || ? WHERE entry_id = ? AND counted",
                [_NOTE, entry.entry_id],
            )
            put_back_replaced(db, entry.entry_id)
            refresh_solid_heights(db, (spring_id for (spring_id,) in springs))
        return entry


def _entry(rows: Sequence[dict[str, Any]]) -> Entry:
    notes = [row["note"] for row in rows if row["origin"] != Origin.KEYED]
    files = [note.partition("; ")[0] for note in notes if note is not None]
    return Entry(
        entry_id=rows[0]["entry_id"],
        stored_utc=rows[0]["stored_utc"],
        set_name=rows[0]["set_name"],
        files=tuple(file for file in dict.fromkeys(files) if file != _NOTE),
        labels=tuple(dict.fromkeys(row["label"] for row in rows)),
        counts=any(row["counted"] for row in rows),
    )


def _chosen(known: Sequence[Entry], which: str) -> Entry:
    if which == LAST:
        fitting = [entry for entry in known if entry.counts][:1]
        what = "there is nothing left to undo"
    else:
        fitting = [entry for entry in known if entry.entry_id.startswith(which) and which]
        many = "more than one" if fitting else "no"
        what = f"{many} run of this command has an id that begins with {which!r}"
    if len(fitting) != 1:
        raise CoilbenchError(what, hint="See the runs and their ids with --history")
    if not fitting[0].counts:
        raise CoilbenchError(
            f"the run {which} was undone before", hint="See the others with --history"
        )
    return fitting[0]
