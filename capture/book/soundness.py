"""Check a book for damage: SQLite's own check, its keys, every row, every stroke's samples."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import msgspec

from coilbench.capture.book.contents import look_into
from coilbench.capture.book.copies import reading
from coilbench.capture.book.damage import misplaced, stroke_names
from coilbench.capture.book.digests import WITHOUT, stored_rows, tables
from coilbench.capture.book.ours import reshaped
from coilbench.capture.book.values import impossible
from coilbench.capture.book.versions import MIGRATION_NAMES, newest
from coilbench.capture.book.vouching import damage_of_stroke, damaged_rows, tally_damages

MOST_FINDINGS = 20


class Soundness(msgspec.Struct):
    """What a check of a book found; filled while the book is read, as far as it is readable.

    Attributes:
        findings: what is wrong, sentences without a full stop; none for a book without damage.
        version: the newest migration in it; empty where unreadable.
        sets, springs, sweeps, samples: how many it holds; samples of readable strokes.
        running: whether a capture has it open, or ended without closing it.
    """

    findings: list[str]
    version: str = ""
    sets: int = 0
    springs: int = 0
    sweeps: int = 0
    samples: int = 0
    running: bool = False

    @property
    def newer(self) -> bool:
        """Whether a newer program has written it."""
        return self.version not in ("", *MIGRATION_NAMES)


def check_book(path: Path) -> Soundness:
    """Read a whole book and return what is wrong with it; nothing in it is changed.

    Each stroke's samples carry a checksum (zlib's Adler-32, RFC 1950), which unpacking checks.

    Raises:
        CoilbenchError: no such book, not a book of ours, or not readable at all.
    """
    found = Soundness(findings=[])
    with reading(path, as_it_is=True) as connection:
        try:
            _look(connection, found)
        except (sqlite3.DatabaseError, UnicodeDecodeError) as error:
            found.findings.append(f"SQLite cannot read further: {error}")
    more = len(found.findings) - MOST_FINDINGS
    if more > 0:
        found.findings[MOST_FINDINGS:] = [f"and {more} more"]
    return found


def _look(connection: sqlite3.Connection, found: Soundness) -> None:
    strange = reshaped(connection)
    if strange is not None:
        found.findings.append(strange)
        return
    found.version = newest(connection)
    found.sets, found.springs, found.sweeps = (
        _count(connection, table) for table in ("sets", "springs", "sweeps")
    )
    found.running = _count(connection, "sessions WHERE ended_utc IS NULL") > 0
    found.findings += _structure(connection)
    for table in sorted(set(tables(connection)) - {"sweeps", *WITHOUT}):
        found.findings += damaged_rows(connection, table)
    found.findings += misplaced(connection)
    found.findings += tally_damages(connection)
    for finding, samples in _strokes(connection):
        found.samples += samples
        found.findings += [] if finding is None else [finding]


def _count(connection: sqlite3.Connection, what: str) -> int:
    count: int = connection.execute(f"SELECT count(*) FROM {what}").fetchone()[0]  # noqa: S608
    return count


def _structure(connection: sqlite3.Connection) -> Iterator[str]:
    for (found,) in connection.execute("PRAGMA integrity_check"):
        if found != "ok":
            yield f"SQLite: {found}"
    for table, rowid, parent, _ in connection.execute("PRAGMA foreign_key_check"):
        yield f"row {rowid} of {table} refers to a missing row of {parent}"


def _strokes(connection: sqlite3.Connection) -> Iterator[tuple[str | None, int]]:
    """Yield what is wrong with each stroke, if anything, and how many samples it has."""
    names = stroke_names(connection)
    for row in stored_rows(connection, "sweeps"):
        set_name, name = names.get(row.rowid, ("", row.cells["id"].decode(errors="replace")))
        which = f"stroke {name} of {set_name}" if set_name else f"stroke {name}"
        wrong, samples = damage_of_stroke(connection, row, None) or impossible(row.cells), 0
        if wrong is None:
            wrong, samples = look_into(connection, row.cells)
        yield None if wrong is None else f"{which} is damaged: {wrong}", samples
