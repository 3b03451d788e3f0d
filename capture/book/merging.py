"""Merge another bench's books into this one, again and again, in any order, with the same result.

Two different sets of one name are kept apart: what a name means in a book, it goes on to mean; each
set that comes in with a name that is taken gets the first characters of its id after it, of those
that come in together the later ones. So the same set may be called otherwise at another bench; all
else is the same, whichever book was merged into which. A set whose springs were labelled in two
ways keeps the labels of the book in which they were changed more often. Springs that were added to
one set in several books all join it, in the order of when they were added; of two of one label the
later gets characters of its id.
"""

from __future__ import annotations

import hashlib
import os
import sqlite3
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import msgspec

from coilbench.capture.blocks import Finding
from coilbench.capture.book.by_hand import refresh_hand_entries
from coilbench.capture.book.connection import Database
from coilbench.capture.book.copies import copy_book, keep_copy
from coilbench.capture.book.depths import rederive_depths
from coilbench.capture.book.digests import columns_of
from coilbench.capture.book.edits import COUNTERS, register_edits
from coilbench.capture.book.in_force import compose_missing, parts_here, taken_over
from coilbench.capture.book.locks import hold_book
from coilbench.capture.book.merge_names import (
    full_name,
    refuse_anothers_name,
    settle_called,
    swaps_of,
)
from coilbench.capture.book.merge_rows import RULES, Settled
from coilbench.capture.book.notes import with_finding
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.rows import OF_THIS_BENCH, refresh_solid_heights, writing
from coilbench.capture.book.sets import find_set
from coilbench.capture.book.soundness import check_book
from coilbench.capture.book.staging import staging
from coilbench.capture.book.sweeps import stored_points
from coilbench.capture.book.tallies import OF_RIG
from coilbench.capture.book.told import Before, Told
from coilbench.capture.book.values import latest_utc
from coilbench.capture.book.vouching import refuse_damaged_points, refuse_damaged_rig
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.strokes import stored as sample_blob
from coilbench.capture.units import counted

Note = str | Told  # a sentence without a full stop, or a finding with quantities
MOST_BOOKS = 8  # SQLite attaches ten at most unless built otherwise
_A_COPY = Finding.of("a_copy")
_COUNTERS = {
    "sets": COUNTERS[1:],
    **dict.fromkeys(("sweeps", "hand_entries", "set_rests"), COUNTERS[:1]),
}
# What is taken from another book: half of the count at which a book keeps no more whole numbers.
MOST_COUNTED = 2**52


class Merged(msgspec.Struct, frozen=True):
    """What a merge did.

    Attributes:
        brought: how many rows of each table came in; tables with none are left out.
        kept: the copy of the book as it was before; None where nothing changed.
    """

    brought: dict[str, int]
    notes: tuple[Note, ...]
    kept: Path | None


def merge_books(path: Path, others: Sequence[Path]) -> Merged:
    """Bring the sets, strokes and calibrations of other books into this one, all or nothing.

    Rows in both are there once. The other books are read from a copy and are not changed. In force
    is then the newest calibration of the rig of this bench, wherever it was made. A copy of this
    book is kept beside it unless nothing changes.

    Raises:
        CoilbenchError: a book is missing, damaged, of a newer program, in use or this book itself,
            or two books contradict each other. Nothing is changed then.
    """
    if not path.exists():
        raise CoilbenchError(
            "there is no book here to merge into",
            where=str(path),
            hint="Give it with --book, or start from a copy: coilbench book put-back FILE",
        )
    if len(others) > MOST_BOOKS:
        raise CoilbenchError(
            f"{len(others)} books are too many at a time", hint=f"Merge up to {MOST_BOOKS}"
        )
    for other in others:
        _refuse_unfit(path, other)
    with _copies_beside(path, others) as copies, open_book(path) as db, hold_book(path):
        names = [f"other{number}" for number in range(len(copies))]
        for name, copy in zip(names, copies, strict=True):
            db.execute(f"ATTACH ? AS {name}", [os.fsencode(copy)])  # a path need not be text
        return _merge(db, path, dict(zip(names, map(str, others), strict=True)))


def _refuse_unfit(path: Path, other: Path) -> None:
    if path.exists() and other.exists() and path.samefile(other):
        raise CoilbenchError(
            "this is the book itself", where=str(other), hint="Give another bench's book"
        )
    found = check_book(other)
    if found.findings:
        raise CoilbenchError(
            f"this book is damaged ({found.findings[0]}); nothing was merged",
            where=str(other),
            hint="See: coilbench book check FILE",
        )
    if found.running:
        raise CoilbenchError(
            "a capture has this book open, or ended without closing it",
            where=str(other),
            hint="End the capture; if none is running, first run: coilbench --book FILE set list",
        )


@contextmanager
def _copies_beside(path: Path, others: Sequence[Path]) -> Iterator[list[Path]]:
    """Yield copies of books, up to date, gone afterwards."""
    with staging(path) as folder:
        copies = []
        for number, other in enumerate(others):
            copy = folder / f"{number}.db"
            copy_book(other, copy)
            with open_book(copy):
                copies.append(copy)
        yield copies


def _merge(db: Database, path: Path, others: Mapping[str, str]) -> Merged:
    with writing(db):
        before, in_force = db.conn.total_changes, parts_here(db)
        brought, notes = merge_attached(db, others)
        notes += [
            f"the calibration of the {kind} in force is now another book's, made "
            f"{made_utc[:16].replace('T', ' ')} UTC; see: coilbench rig card"
            for kind, _, made_utc in taken_over(in_force, db)
        ]
        # before this transaction ends: another connection still reads the book as it was
        kept = keep_copy(path, "merge") if db.conn.total_changes > before else None
    return Merged({table: rows for table, rows in brought.items() if rows}, tuple(notes), kept)


def merge_attached(db: Database, others: Mapping[str, str]) -> tuple[dict[str, int], list[Note]]:
    """Merge what is attached to a book's connection; call it in a transaction.

    Only the sets that are in one of the others are settled anew.

    Args:
        others: by the names that they are attached under, how a message calls each.

    Returns:
        How many rows of each table came in, and what differed.
    """
    brought = dict.fromkeys(RULES, 0)
    notes: list[Note] = []
    settled: list[Settled] = []
    touched: set[str] = set()
    came = " UNION ".join(f"SELECT id FROM {name}.sets" for name in others)  # noqa: S608
    set_ids = [set_id for (set_id,) in db.execute(f"{came} ORDER BY id")]
    for name, shown in others.items():
        _refuse_counted_out(db.conn, name, shown)
        _refuse_ahead(db, name, shown)
    with settling(db.conn):
        swaps = swaps_of(db, others)  # before theirs come in
        before, others_strokes = Before(db, set_ids), _strokes_of_others(db, set_ids)
        for name, shown in others.items():
            before.hear(name)
            notes += _namesakes(db, name)
            settled += _bring_in(db, name, shown, brought, touched)
        notes += settle_called(db, list(others), set_ids, swaps)
        notes += _count_once(db, touched)
        notes += _beside_ours(db, others_strokes)
        notes += _untold_rests(db, touched)
        refresh_solid_heights(db, touched)
        for set_id in set_ids:
            refresh_hand_entries(db, set_id)
            (name,) = db.execute("SELECT name FROM main.sets WHERE id = ?", [set_id]).fetchone()
            rederive_depths(db, find_set(db, name))
        strokes = [one for one in settled if one.table == "sweeps"]
        notes[:0] = [
            note for one in strokes for note in _of_a_stroke(one, _stroke_named(db, one.row_id))
        ]
        notes += before.told_since()
    compose_missing(db)
    _refuse_damaged_rig(db, others, brought)
    return brought, notes


def _refuse_ahead(db: Database, name: str, shown: str) -> None:
    """Refuse what another book has anew of times to come: what is newest is told by times.

    Raises:
        CoilbenchError: it names the row.
    """
    until = latest_utc()
    for table in RULES:
        for column in (one.name for one in columns_of(db.conn, table) if one.name.endswith("_utc")):
            row = db.execute(
                f"SELECT id, {column} FROM {name}.{table} AS o WHERE {column} > ?"  # noqa: S608
                f" AND NOT EXISTS (SELECT 1 FROM main.{table} AS m WHERE m.id = o.id) LIMIT 1",
                [until],
            ).fetchone()
            if row is not None:
                raise CoilbenchError(
                    f"{table} {row[0]} is of a time to come ({row[1][:16].replace('T', ' ')} UTC)",
                    where=shown,
                    hint="Set this machine's clock if it is behind; else the other's was ahead",
                )


def _refuse_damaged_rig(
    db: Database, others: Mapping[str, str], brought: Mapping[str, int]
) -> None:
    """Refuse what would leave the book's rig damaged; the sets were looked at as they were found.

    Raises:
        CoilbenchError: it names what is damaged.
    """
    if any(brought.get(table) for table in OF_RIG):
        refuse_damaged_rig(db.conn)
    for points, of in (("calibration_points", "calibration_parts"), ("scale_points", "scales")):
        for name in others if brought[points] else ():
            for (row_id,) in db.execute(f"SELECT id FROM {name}.{of}").fetchall():  # noqa: S608
                refuse_damaged_points(db.conn, points, row_id)


def _bring_in(
    db: Database, name: str, shown: str, brought: dict[str, int], touched: set[str]
) -> Iterator[Settled]:
    """Merge one book; yields what differed. `touched` gets the springs with changed strokes."""
    _refuse_other_springs(db, name, shown)
    refuse_anothers_name(db, name, shown)
    for rule in RULES.values():
        rule.refuse_unlike(db, name, shown)
    for rule in RULES.values():
        for settled in rule.settle(db, name):
            if settled.table == "sweeps" and settled.taken is settled.theirs:
                sql = "SELECT spring_id FROM main.sweeps WHERE id = ?"
                touched.update(*db.execute(sql, [settled.row_id]))
            yield settled
    sql = (
        f"SELECT spring_id FROM {name}.sweeps AS o"  # noqa: S608
        " WHERE NOT EXISTS (SELECT 1 FROM main.sweeps WHERE id = o.id)"
    )
    touched.update(*db.execute(sql))
    for table, rule in RULES.items():
        brought[table] += rule.insert_new(db, name)


def _refuse_other_springs(db: Database, name: str, shown: str) -> None:
    """Refuse a set that was registered with other springs than here, or in another order.

    Those that were added later, in either book or in both, join the set.
    """
    lacking = (
        "SELECT set_id FROM {a}.springs AS s WHERE added_utc IS NULL"
        " AND set_id IN (SELECT id FROM {b}.sets) AND NOT EXISTS (SELECT 1 FROM {b}.springs AS t"
        " WHERE t.id = s.id AND t.turn = s.turn AND t.added_utc IS NULL)"
    )
    sides = (lacking.format(a=a, b=b) for a, b in (("main", name), (name, "main")))
    row = db.execute(
        f"SELECT name FROM main.sets WHERE id IN ({' UNION '.join(sides)})"  # noqa: S608  our own
        f" AND id IN (SELECT id FROM {name}.sets) LIMIT 1"
    ).fetchone()
    if row is None:
        return
    raise CoilbenchError(
        f"the set {row[0]!r} has other springs than in this book, though it is the same set: "
        "one of the two was changed by another program, or is damaged",
        where=shown,
        hint="Look for damage in each with: coilbench book check",
    )


def _of_a_stroke(settled: Settled, which: str) -> Iterator[str]:
    ours, theirs, now = settled.ours, settled.theirs, settled.taken
    if ours["counted"] != theirs["counted"]:
        only = "this book" if ours["counted"] else "another book"
        counts = "it counts" if now["counted"] else "it no longer counts"
        yield f"{which} counted in {only} only; {counts}"
    elif ours["ruling"] and theirs["ruling"] and ours["ruling"] != theirs["ruling"]:
        both = f"{ours['ruling']!r} in this book and {theirs['ruling']!r} in another"
        yield f"{which} was ruled {both}; now: {now['ruling']}"
    elif ours["ruling"] != now["ruling"]:
        yield f"{which} was ruled on in another book: {now['ruling'] or 'no ruling any more'}"


def _stroke_named(db: Database, sweep_id: str) -> str:
    """Return a stroke's name as commands take it, with its set's."""
    label, number, name, stored_utc = db.execute(
        "SELECT label, (SELECT count(*) FROM main.sweeps AS b WHERE b.spring_id = s.spring_id"
        " AND b.purpose = s.purpose AND (b.stored_utc, b.id) <= (s.stored_utc, s.id)),"
        " name, stored_utc FROM main.sweeps AS s JOIN main.springs ON springs.id = s.spring_id"
        " JOIN main.sets ON sets.id = set_id WHERE s.id = ?",
        [sweep_id],
    ).fetchone()
    return f"{name}: the stroke {label}:{number} stored {stored_utc[:16].replace('T', ' ')}"


def _strokes_of_others(db: Database, set_ids: Iterable[str]) -> dict[str, int]:
    """Count what counts and came from other benches, of sets of which this bench has its own."""
    sql = (
        "SELECT count(*) FILTER (WHERE sweeps.rowid <= 0),"
        " count(*) FILTER (WHERE sweeps.rowid > 0) FROM springs JOIN sweeps"
        " ON spring_id = springs.id WHERE set_id = ? AND purpose = 'measured' AND counted"
    )
    counts = ((set_id, *db.execute(sql, [set_id]).fetchone()) for set_id in set_ids)
    return {set_id: others for set_id, others, ours in counts if ours}


def _beside_ours(db: Database, before: Mapping[str, int]) -> Iterator[str]:
    """Say of which sets that this bench pressed another's strokes came in: their numbers follow."""
    for set_id, others in _strokes_of_others(db, before).items():
        if (new := others - before[set_id]) > 0:
            (name,) = db.execute("SELECT name FROM main.sets WHERE id = ?", [set_id]).fetchone()
            yield (
                f"{name}: {counted(new, 'stroke')} came in beside those of this bench; see: "
                f"coilbench set strokes {as_typed(name)}"
            )


def _untold_rests(db: Database, touched: Collection[str]) -> Iterator[str]:
    """Say whose strokes of another bench have this rig's cups added, for want of their own.

    What is told of a rig stays at its bench: there, their loads have another weight.
    """
    counts: Counter[str] = Counter()
    for spring_id in touched:
        counts.update(
            name
            for (name,) in db.execute(
                "SELECT name FROM main.sweeps JOIN main.springs ON springs.id = spring_id"
                " JOIN main.sets ON sets.id = set_id, main.rig_ratings"
                " WHERE spring_id = ? AND sweeps.rowid <= 0 AND purpose = 'measured'"
                " AND sweeps.rests_n IS NULL AND calibration_id IS NOT NULL"
                " AND rig_ratings.rests_n > 0 AND set_id NOT IN (SELECT set_id FROM rests_of_sets)",
                [spring_id],
            )
        )
    for name, count in sorted(counts.items()):
        yield (
            f"{name}: {counted(count, 'stroke')} of another bench tell no weight that rests on the "
            "spring; this rig's is added. If it is another: coilbench set edit "
            f"{as_typed(name)} --rests WEIGHT"
        )


def _namesakes(db: Database, name: str) -> Iterator[str]:
    """Say which scales of others come in that are called as this bench's own are."""
    rows = db.execute(
        f"SELECT name, id FROM {name}.scales WHERE id NOT IN (SELECT id FROM main.scales)"  # noqa: S608
        f" AND name IN (SELECT name FROM main.scales WHERE {OF_THIS_BENCH}) ORDER BY made_utc, id"
    )
    for scale, scale_id in rows.fetchall():
        yield (
            f"another bench weighed a scale {scale}, too: that is {full_name(scale, scale_id)} "
            f"here, and {scale} stays this bench's"
        )


def _count_once(db: Database, touched: Collection[str]) -> Iterator[str]:
    """Count once what two benches imported from the same file into the same spring.

    A copy would count as a second measurement. The one stored first counts. With another
    calibration it is another load: which of the two is right can't be told here, so both stay.
    """
    copies = otherwise = 0
    for spring_id in sorted(touched):
        seen: dict[bytes, set[str | None]] = {}
        for row in db.query(
            "SELECT * FROM main.sweeps WHERE spring_id = ? AND counted AND origin LIKE '% file'"
            " ORDER BY stored_utc, id",
            [spring_id],
        ):
            calibrations = seen.setdefault(_content(db, row), set())
            otherwise += bool(calibrations.difference([row["calibration_id"]]))
            if row["calibration_id"] in calibrations:
                copies += 1
                db.execute(
                    "UPDATE main.sweeps SET counted = 0, note = ? WHERE id = ?",
                    [with_finding(row["note"], _A_COPY), row["id"]],
                )
            calibrations.add(row["calibration_id"])
    if copies:
        yield f"{counted(copies, 'stroke')} imported at two benches from one file: counted once"
    if otherwise:
        yield (
            f"{counted(otherwise, 'stroke')} imported at two benches from one file, each with "
            "another calibration: both count, as other loads. Leave out the one whose calibration "
            "is not the press's: coilbench set strokes SET --leave LABEL:NUMBER"
        )


def _content(db: Database, row: Mapping[str, Any]) -> bytes:
    digest = hashlib.sha256(row["origin"].encode())
    if row["samples_blob"] is not None:
        digest.update(sample_blob.unpack(row["samples_format"], row["samples_blob"]).tobytes())
    else:
        digest.update(repr(stored_points(db, row["id"])).encode())
    return digest.digest()


@contextmanager
def settling(connection: sqlite3.Connection) -> Iterator[None]:
    """Let changes made meanwhile not count: they follow from what was counted before."""
    register_edits(connection, 0)
    try:
        yield
    finally:
        register_edits(connection)


def _refuse_counted_out(connection: sqlite3.Connection, book: str, shown: str) -> None:
    """Refuse an attached book of which a count is so high that it could soon go no further.

    Raises:
        CoilbenchError: it names the table and the row.
    """
    for table, counters in _COUNTERS.items():
        for counter in counters:
            sql = f"SELECT id FROM {book}.{table} WHERE {counter} > {MOST_COUNTED} LIMIT 1"  # noqa: S608
            for (row_id,) in connection.execute(sql):
                raise CoilbenchError(
                    f"{table} {row_id} counts more changes than anybody can have made",
                    where=shown,
                    hint="Look for damage in it with: coilbench book check",
                )
