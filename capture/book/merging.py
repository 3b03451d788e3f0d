"""Merge another bench's books into this one, again and again, in any order, with the same result.

Two different sets of one name are kept apart: the one made first keeps the name, each later one
gets the first characters of its id after it. A set whose springs were labelled in two ways keeps
the labels of the book in which springs were swapped more often, else those that sort last.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlite_utils import Database

from coilbench.capture.blocks import Finding
from coilbench.capture.book.by_hand import refresh_hand_entries
from coilbench.capture.book.copies import copy_book, keep_copy
from coilbench.capture.book.depths import rederive_depths
from coilbench.capture.book.merge_rows import RULES, Settled
from coilbench.capture.book.nominals import SetNominal
from coilbench.capture.book.notes import with_finding
from coilbench.capture.book.opening import hold_book, open_book
from coilbench.capture.book.rows import refresh_solid_heights, writing
from coilbench.capture.book.sets import find_set, set_names
from coilbench.capture.book.soundness import check_book
from coilbench.capture.book.staging import staging
from coilbench.capture.book.sweeps import stored_points
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes import stored as sample_blob
from coilbench.capture.units import counted

_TAIL = re.compile(r"~([0-9a-f]{4,})$")
_FEWEST_FIGURES = 4


def base_name(name: str, set_id: str) -> str:
    """Return a set's name without the characters of its id that a merge added."""
    tail = _TAIL.search(name)
    return name[: tail.start()] if tail and set_id.startswith(tail[1]) else name


def told_apart(sets: Mapping[str, tuple[str, str]]) -> dict[str, str]:
    """Return a different name for each set.

    Args:
        sets: by id, when it was made and its name.
    """
    groups: dict[str, list[tuple[str, str]]] = {}
    for set_id, (made_utc, name) in sets.items():
        groups.setdefault(base_name(name, set_id), []).append((made_utc, set_id))
    names = {}
    for base, members in groups.items():
        (_, first), *later = sorted(members)
        names[first] = base
        ids = [set_id for _, set_id in later]
        figures = _figures([first, *ids])
        names |= {set_id: f"{base}~{set_id[:figures]}" for set_id in ids}
    return names


def _figures(ids: list[str]) -> int:
    figures = _FEWEST_FIGURES
    while len({set_id[:figures] for set_id in ids}) < len(ids):
        figures += 1
    return figures


def settle_names(db: Database, others: list[str]) -> Iterator[str]:
    """Name the sets of a merged book; yields a note for each changed name.

    Args:
        db: the book; sets from the others have their id as a stand-in for a name.
        others: the names that the other books are attached under.
    """
    names = _union(db, others, "sets", "name")
    made = dict(db.execute("SELECT id, made_utc FROM main.sets").fetchall())
    old = dict(db.execute("SELECT id, name FROM main.sets").fetchall())
    new = told_apart(
        {
            set_id: (made[set_id], max(base_name(name, set_id) for name in given))
            for set_id, given in names.items()
        }
    )
    changed = {set_id: name for set_id, name in new.items() if old[set_id] != name}
    _rewrite(db, "sets", "name", changed)
    for set_id, name in sorted(changed.items(), key=lambda item: item[1]):
        was = {base_name(one, set_id) for one in names[set_id]}
        if len(was) > 1:
            yield f"a set was called {' and '.join(sorted(was))} in the two books; now {name}"
        elif name not in names[set_id] or old[set_id] != set_id:  # new to all, or to this book
            yield f"there are two sets {was.pop()}: the one made later is now called {name}"


def settle_labels(db: Database, others: list[str], swaps: Mapping[str, int]) -> Iterator[str]:
    """Label the springs of a merged book; yields a note for each set labelled in two ways.

    Args:
        swaps: how often springs were swapped, by a book's name and the set's id, before the merge.
    """
    labels = _union(db, others, "springs", "label")
    sets: dict[str, list[str]] = {}
    for set_id, spring_id in db.execute("SELECT set_id, id FROM main.springs ORDER BY turn"):
        sets.setdefault(set_id, []).append(spring_id)
    old = dict(db.execute("SELECT id, label FROM main.springs").fetchall())
    for set_id, springs in sets.items():
        namings = _namings(
            db,
            others,
            springs,
            labels,
            {b: swaps.get(f"{b} {set_id}", 0) for b in ("main", *others)},
        )
        best = max(namings, key=lambda naming: (namings[naming], naming))
        taken = dict(zip(springs, best, strict=True))
        changed = {one: label for one, label in taken.items() if old[one] != label}
        _rewrite(db, "springs", "label", changed)
        if len(namings) > 1:
            differ = [one for one in springs if len(labels[one]) > 1]
            differing = ", ".join(
                f"{' and '.join(sorted(labels[one]))} (now {taken[one]})" for one in differ
            )
            yield f"springs were labelled in two ways: {differing}"


def _rewrite(db: Database, table: str, column: str, new: Mapping[str, str]) -> None:
    """Change a unique column by id, by way of stand-ins, since two rows may change over."""
    sql = f"UPDATE main.{table} SET {column} = ? WHERE id = ?"  # noqa: S608  our own names
    db.conn.executemany(sql, [(row_id, row_id) for row_id in new])
    db.conn.executemany(sql, [(text, row_id) for row_id, text in new.items()])


def _swaps(db: Database, others: Iterable[str]) -> dict[str, int]:
    """Return how often springs of a set were swapped, by a book's name and the set's id."""
    found: dict[str, int] = {}
    for book in ("main", *others):
        sql = f"SELECT set_id, count(*) FROM {book}.label_swaps GROUP BY set_id"  # noqa: S608
        found |= {f"{book} {set_id}": swaps for set_id, swaps in db.execute(sql)}
    return found


def _namings(
    db: Database,
    others: list[str],
    springs: Sequence[str],
    labels: Mapping[str, set[str]],
    swaps: Mapping[str, int],
) -> dict[tuple[str, ...], int]:
    """Return the labels that some springs have in each book that has any of them.

    Springs that a book lacks, since they were added in another, are called as there. With how
    often springs were swapped in the book that has them, the most of equal ones.

    Args:
        swaps: of this set, by a book's name.
    """
    found: dict[tuple[str, ...], int] = {}
    for book in ("main", *others):
        given = dict(db.execute(f"SELECT id, label FROM {book}.springs"))  # noqa: S608
        own = {one: given[one] for one in springs if given.get(one, one) != one}
        if own:
            naming = tuple(own.get(one) or max(labels[one]) for one in springs)
            found[naming] = max(found.get(naming, 0), swaps[book])
    return found


def _union(db: Database, others: list[str], table: str, column: str) -> dict[str, set[str]]:
    """Return by id what a column holds in each book, without stand-ins."""
    found: dict[str, set[str]] = {}
    for book in ("main", *others):
        for row_id, value in db.execute(f"SELECT id, {column} FROM {book}.{table}"):  # noqa: S608
            if value != row_id:
                found.setdefault(row_id, set()).add(value)
    return found


@dataclass(frozen=True)
class TwoNominals:
    """A set had different nominals in two books, and this one was kept."""

    set_name: str
    kept: SetNominal


Note = str | TwoNominals  # a sentence without a full stop, or a finding with quantities
MOST_BOOKS = 8  # SQLite attaches ten at most unless built otherwise
_A_COPY = Finding.of("a_copy")


@dataclass(frozen=True)
class Merged:
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

    Rows in both are there once. The other books are read from a copy and are not changed. The
    calibration in force stays this book's, if it has one. A copy of this book is kept beside it
    unless nothing changes.

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
    brought = dict.fromkeys(RULES, 0)
    notes: list[Note] = []
    with writing(db):
        before = db.conn.total_changes
        touched: set[str] = set()
        swaps = _swaps(db, others)  # before theirs come in
        for name, shown in others.items():
            notes += _bring_in(db, name, shown, brought, touched)
        notes += settle_names(db, list(others))
        notes += settle_labels(db, list(others), swaps)
        notes += _count_once(db, touched)
        refresh_solid_heights(db, touched)
        refresh_hand_entries(db)
        for name in set_names(db):
            rederive_depths(db, find_set(db, name))
        # before this transaction ends: another connection still reads the book as it was
        kept = keep_copy(path, "merge") if db.conn.total_changes > before else None
    return Merged({table: rows for table, rows in brought.items() if rows}, tuple(notes), kept)


def _bring_in(
    db: Database, name: str, shown: str, brought: dict[str, int], touched: set[str]
) -> Iterator[Note]:
    """Merge one book; yields what differed. `touched` gets the springs with changed strokes."""
    _refuse_other_springs(db, name, shown)
    for rule in RULES.values():
        rule.refuse_unlike(db, name, shown)
    for rule in RULES.values():
        for settled in rule.settle(db, name):
            if settled.table == "sweeps" and settled.taken is settled.theirs:
                sql = "SELECT spring_id FROM main.sweeps WHERE id = ?"
                touched.update(*db.execute(sql, [settled.row_id]))
            yield from _notes_of(db, settled)
    sql = f"SELECT spring_id FROM {name}.sweeps WHERE id NOT IN (SELECT id FROM main.sweeps)"  # noqa: S608
    touched.update(*db.execute(sql))
    for table, rule in RULES.items():
        brought[table] += rule.insert_new(db, name)
    yield from _shorter_limit(db, name)


def _refuse_other_springs(db: Database, name: str, shown: str) -> None:
    """Refuse a set with other springs than here, unless one of the two books added some to it."""
    lacking = (
        "SELECT set_id, added_utc FROM {a}.springs WHERE id NOT IN (SELECT id FROM {b}.springs)"
    )
    ours, theirs = (lacking.format(a=a, b=b) for a, b in (("main", name), (name, "main")))
    row = db.execute(
        f"""
        SELECT sets.name, ours.added_utc IS NOT NULL OR theirs.added_utc IS NOT NULL
        FROM main.sets JOIN {name}.sets AS both USING (id)
          LEFT JOIN ({ours}) AS ours ON ours.set_id = sets.id
          LEFT JOIN ({theirs}) AS theirs ON theirs.set_id = sets.id
        WHERE (ours.set_id IS NOT NULL AND (ours.added_utc IS NULL OR theirs.set_id IS NOT NULL))
          OR (theirs.set_id IS NOT NULL AND theirs.added_utc IS NULL)
        """  # noqa: S608  our own names
    ).fetchone()
    if row is None:
        return
    set_name, added = row
    if added:
        raise CoilbenchError(
            f"springs were added to the set {set_name!r} in both books, not the same ones",
            where=shown,
            hint="Register those that one of the books added as a set of their own",
        )
    raise CoilbenchError(
        f"the set {set_name!r} has other springs than in this book, though it is the same set: "
        "one of the two was changed by another program, or is damaged",
        where=shown,
        hint="Look for damage in each with: coilbench book check",
    )


def _notes_of(db: Database, settled: Settled) -> Iterator[Note]:
    if settled.table == "sets" and None not in (
        settled.ours["nominal_json"],
        settled.theirs["nominal_json"],
    ):
        (name,) = db.execute("SELECT name FROM sets WHERE id = ?", [settled.row_id]).fetchone()
        kept = SetNominal.from_json(settled.taken["nominal_json"])
        if kept is not None:
            yield TwoNominals(name, kept)
    if settled.table == "sweeps":
        label, stored_utc = db.execute(
            "SELECT label, stored_utc FROM main.sweeps JOIN main.springs ON springs.id = spring_id"
            " WHERE sweeps.id = ?",
            [settled.row_id],
        ).fetchone()
        which = f"the stroke of {label} stored {stored_utc[:16].replace('T', ' ')}"
        if settled.ours["counted"] != settled.theirs["counted"]:
            yield f"{which} counted in one book only; it no longer counts"
        elif settled.ours["ruling"] != settled.theirs["ruling"]:
            yield f"{which} had different rulings; now: {settled.taken['ruling']}"


def _count_once(db: Database, touched: Collection[str]) -> Iterator[str]:
    """Count once what two benches imported from the same file into the same spring.

    A copy would count as a second measurement. The one stored first counts.
    """
    copies = 0
    for spring_id in sorted(touched):
        seen: set[bytes] = set()
        for row in db.query(
            "SELECT * FROM main.sweeps WHERE spring_id = ? AND counted AND origin LIKE '% file'"
            " ORDER BY stored_utc, id",
            [spring_id],
        ):
            content = _content(db, row)
            if content in seen:
                copies += 1
                db.execute(
                    "UPDATE main.sweeps SET counted = 0, note = ? WHERE id = ?",
                    [with_finding(row["note"], _A_COPY), row["id"]],
                )
            seen.add(content)
    if copies:
        yield f"{counted(copies, 'stroke')} imported at two benches from one file: counted once"


def _content(db: Database, row: Mapping[str, Any]) -> bytes:
    digest = hashlib.sha256(row["origin"].encode())
    if row["samples_blob"] is not None:
        digest.update(sample_blob.unpack(row["samples_format"], row["samples_blob"]).tobytes())
    else:
        digest.update(repr(stored_points(db, row["id"])).encode())
    return digest.digest()


def _shorter_limit(db: Database, name: str) -> Iterator[str]:
    """Keep the shorter of two limits for a calibration's age, the stricter one."""
    cursor = db.execute(
        f"INSERT INTO main.rig_settings SELECT * FROM {name}.rig_settings WHERE true"  # noqa: S608
        " ON CONFLICT (only_row) DO UPDATE SET good_for_days = excluded.good_for_days"
        " WHERE excluded.good_for_days < rig_settings.good_for_days"
    )
    if cursor.rowcount > 0:
        (days,) = db.execute("SELECT good_for_days FROM main.rig_settings").fetchone()
        yield f"a calibration or check is now valid for {days:g} days, the shorter of the limits"
