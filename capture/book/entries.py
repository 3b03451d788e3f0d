"""What came into the book by one run of import or note, and how it is taken back.

Nothing is deleted: what was typed or read stays, with the note that it was taken back, and does
not count any more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlite_utils import Database

from coilbench.capture.book.rows import writing
from coilbench.capture.book.solid_heights import refresh_solid_heights
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.sweep import Origin

LAST = "last"
FILES = (Origin.RAW_FILE, Origin.CONVERTED_FILE, Origin.POINTS_FILE)
KEYED = (Origin.KEYED,)
_NOTE = "taken back"


@dataclass(frozen=True)
class Entry:
    """One run of import or note.

    Attributes:
        stored_utc: when its first stroke was stored.
        set_name: the set it went to.
        files: their names; none for keyed readings.
        labels: the springs it brought something for.
        counts: whether any of it counts still.
    """

    entry_id: str
    stored_utc: str
    set_name: str
    files: tuple[str, ...]
    labels: tuple[str, ...]
    counts: bool


def entries(
    db: Database, origins: Sequence[Origin], set_name: str | None = None
) -> tuple[Entry, ...]:
    """Return the runs that brought strokes of these origins, the newest first."""
    marks = ", ".join("?" * len(origins))
    found: dict[str, list[dict[str, Any]]] = {}
    for row in db.query(
        f"""
        SELECT entry_id, stored_utc, sets.name AS set_name, label, note, counted
        FROM sweeps JOIN springs ON springs.id = spring_id JOIN sets ON sets.id = set_id
        WHERE entry_id IS NOT NULL AND origin IN ({marks}) ORDER BY sweeps.rowid
        """,  # noqa: S608  question marks only
        [origin.value for origin in origins],
    ):
        if set_name in (None, row["set_name"]):
            found.setdefault(row["entry_id"], []).append(row)
    return tuple(_entry(rows) for rows in reversed(found.values()))


def _entry(rows: Sequence[dict[str, Any]]) -> Entry:
    files = [row["note"].partition("; ")[0] for row in rows if row["note"] is not None]
    return Entry(
        entry_id=rows[0]["entry_id"],
        stored_utc=rows[0]["stored_utc"],
        set_name=rows[0]["set_name"],
        files=tuple(file for file in dict.fromkeys(files) if file != _NOTE),
        labels=tuple(dict.fromkeys(row["label"] for row in rows)),
        counts=any(row["counted"] for row in rows),
    )


def take_back(
    db: Database, which: str, origins: Sequence[Origin], set_name: str | None = None
) -> Entry:
    """Take a run of import or note back: what it brought is kept, but does not count any more.

    Solid heights that it told go too; those that earlier strokes told stand again.

    Args:
        db: the open book.
        which: `last`, the last one that counts still; or an id, or its first figures.
        origins: what kind of run is meant.
        set_name: look at this set only.

    Raises:
        CoilbenchError: there is none, several begin so, or it was taken back before.
    """
    with writing(db):
        entry = _chosen(entries(db, origins, set_name), which)
        springs = db.execute(
            "SELECT DISTINCT spring_id FROM sweeps WHERE entry_id = ?", [entry.entry_id]
        ).fetchall()
        db.execute(
            "UPDATE sweeps SET counted = 0, ruling = NULL,"
            " note = coalesce(note || '; ', '') || ? WHERE entry_id = ? AND counted",
            [_NOTE, entry.entry_id],
        )
        refresh_solid_heights(db, (spring_id for (spring_id,) in springs))
    return entry


def _chosen(known: Sequence[Entry], which: str) -> Entry:
    if which == LAST:
        fitting = [entry for entry in known if entry.counts][:1]
        words = "there is nothing left to take back"
    else:
        fitting = [entry for entry in known if entry.entry_id.startswith(which) and which]
        many = "more than one" if fitting else "no"
        words = f"{many} run of this command has an id that begins with {which!r}"
    if len(fitting) != 1:
        raise CoilbenchError(words, mend="See the runs and their ids with --history")
    if not fitting[0].counts:
        raise CoilbenchError(
            f"the run {which} was taken back before", mend="See the others with --history"
        )
    return fitting[0]
