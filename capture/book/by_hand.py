"""What is measured, corrected or noted by hand: a set's dimensions, a spring's lengths and mark.

Each entry is a row that stays; the last holds and stands in the columns of its set or spring. So
what was given first is not lost, and books merge.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Any

import msgspec
from msgspec.structs import replace

from coilbench.capture.book.connection import Database
from coilbench.capture.book.depths import rederive_depths
from coilbench.capture.book.edits import next_edit
from coilbench.capture.book.hand_columns import LENGTHS, OF_A_SET, OF_SETS, OF_SPRINGS, U_OF
from coilbench.capture.book.keyed_readings import spring_named
from coilbench.capture.book.rows import insert, new_id, utc_now, writing
from coilbench.capture.book.sets import (
    LONGEST_NAME,
    SetPlan,
    SetRecord,
    check_dimensions,
    find_set,
    sizes_of,
)
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.dimensions import Pressed, refuse_sizes
from coilbench.capture.tables.spring_lines import SpringEntry

LONGEST_TEXT = 400
# A measured free length further from the set's than this is a slip of the pen, or the set's is
# wrong; our choice, no source.
SLIP_SHARE = 0.25

Value = float | str | None


class Changed(msgspec.Struct, frozen=True):
    """A set after a change; and labels of the springs whose readings by depth got new heights."""

    record: SetRecord
    rederived: tuple[str, ...] = ()


def edit_set(
    db: Database,
    record: SetRecord,
    changes: Mapping[str, Value],
    *,
    solid_u_mm: float | None = None,
    sure: bool = False,
) -> Changed:
    """Change what a set is registered with.

    Readings that were typed as depths get the heights that a changed free length makes of them.

    Args:
        changes: by column of OF_A_SET; None makes it unknown.
        solid_u_mm: standard uncertainty (k = 1) of the solid height in them; None: not stated.
        sure: whether dimensions that look like a slip are kept.

    Raises:
        CoilbenchError: dimensions that can't be together, or a depth that then can't be. Nothing
            is changed.
        Doubtful: dimensions that look like a slip.
    """
    given = {column: getattr(record, column) for column in OF_A_SET} | dict(changes)
    for what in ("note", "mark"):
        _refuse_text(given[what], what)
    check_dimensions(SetPlan(record.name, labels=record.labels, nominal=record.nominal, **given))
    _refuse_springs(db, replace(record, **given), changes.keys(), record.labels, sure=True)
    with writing(db):
        for column, value in changes.items():
            u_mm = solid_u_mm if column == "solid_height_mm" else None
            _enter(db, record.set_id, None, column, value, u_mm)
        refresh_hand_entries(db, record.set_id)
        changed = find_set(db, record.name)
        done = Changed(changed, rederive_depths(db, changed))
        _refuse_springs(db, changed, changes.keys(), record.labels, sure=sure)
        return done


def _refuse_springs(
    db: Database,
    record: SetRecord,
    changed: Collection[str],
    labels: Collection[str],
    *,
    sure: bool,
) -> None:
    """Refuse lengths that contradict each other or what some of the springs were read at."""
    refuse_sizes(sizes_of(record), (), changed, sure=sure)
    for label in dict.fromkeys(labels):
        spring = record.spring(label)
        own_solid = spring.solid_by_hand_u_mm is not None
        sizes = replace(
            sizes_of(record),
            free_length_mm=record.free_of_mm(label),
            solid_height_mm=record.solid_of_mm(label),
            free_u_mm=spring.free_length_u_mm or 0.0,
            solid_u_mm=spring.solid_by_hand_u_mm or 0.0,
            set_solid_mm=record.solid_height_mm if own_solid else None,
        )
        read = _read_at(db, spring.spring_id, typed_depths="free_length_mm" not in changed)
        refuse_sizes(sizes, read, changed, sure=sure, where=label)


def _read_at(db: Database, spring_id: str, *, typed_depths: bool) -> list[Pressed]:
    """Return where a spring was read by hand.

    Args:
        typed_depths: whether to return what was typed as a depth, too: its height follows the free
            length, and so says nothing of it.
    """
    rows = db.query(
        "SELECT branch, height_mm, load_n, load_u_n, height_u_mm, keyed_json FROM curve_rows"
        " JOIN sweeps ON sweeps.id = sweep_id WHERE spring_id = ? AND counted"
        " AND origin IN ('keyed', 'points file')",
        [spring_id],
    )
    return [
        Pressed(
            row["height_mm"],
            row["load_n"],
            row["load_u_n"],
            row["height_u_mm"],
            row["branch"] == "loading",
        )
        for row in rows
        if typed_depths or all(one["depth_mm"] is None for one in _typed(row["keyed_json"]))
    ]


def _typed(keyed_json: str | None) -> list[dict[str, Any]]:
    return [] if keyed_json is None else list(json.loads(keyed_json)["readings"])


def add_springs(db: Database, record: SetRecord, labels: Sequence[str]) -> SetRecord:
    """Add springs to a set, after those that it has.

    Raises:
        CoilbenchError: an invalid label, one that the set has, or too many springs.
    """
    SetPlan(record.name, record.role, (*record.labels, *labels))
    ids = sorted(new_id() for _ in labels)  # their order where they meet others in a merge
    row = {"set_id": record.set_id, "added_utc": utc_now()}
    with writing(db):
        turns = enumerate(zip(ids, labels, strict=True), start=len(record.springs) + 1)
        for turn, (spring_id, label) in turns:
            insert(db, "springs", row | {"id": spring_id, "label": label, "turn": turn})
    return find_set(db, record.name)


def keep_of_springs(
    db: Database, record: SetRecord, entries: Sequence[SpringEntry], *, sure: bool = False
) -> Changed:
    """Keep what was measured or noted of single springs, all of it or nothing.

    Args:
        sure: whether lengths that look like a slip are kept.

    Raises:
        CoilbenchError: a label that the set does not have, or an impossible length.
        Doubtful: a length that looks like a slip.
    """
    springs = {spring.label: spring for spring in record.springs}
    entries = [replace(one, label=spring_named(record, one.label)) for one in entries]
    for entry in entries:
        spring = record.spring(entry.label)
        if entry.what in ("mark", "note"):
            _refuse_text(entry.words, entry.what)
        elif entry.length_mm is not None:
            _refuse_length(record, entry, entry.length_mm)
        known: dict[str, Any] = {entry.what: entry.value}
        if entry.what in U_OF:
            known[U_OF[entry.what]] = entry.u_mm
        springs[entry.label] = replace(springs[spring.label], **known)
    then = replace(record, springs=tuple(springs.values()))
    for entry in entries:
        _refuse_springs(db, then, [entry.what], [entry.label], sure=sure)
    with writing(db):
        for entry in entries:
            spring_id = record.spring(entry.label).spring_id
            _enter(db, record.set_id, spring_id, entry.what, entry.value, entry.u_mm)
        refresh_hand_entries(db, record.set_id)
        changed = find_set(db, record.name)
        return Changed(changed, rederive_depths(db, changed))


def swap_pressed(db: Database, record: SetRecord, label: str, other: str) -> Changed:
    """Exchange what was pressed of two springs: they were pressed in each other's place.

    Strokes and readings go to the other label, with the solid height that they showed. What was
    measured or noted by hand was taken of the spring itself, and stays with its label. The same
    again takes it back.

    Raises:
        CoilbenchError: the set has no such spring, both labels are the same, or the lengths
            measured by hand contradict what would be read at. Nothing is changed.
    """
    with writing(db):
        springs = record.spring(label), record.spring(other)
        rows = [next(db.query("SELECT * FROM springs WHERE id = ?", [one.spring_id]))
                for one in springs]  # fmt: skip
        swapped = record.swap_springs(db, label, other)
        moved = [what for what, names in OF_SPRINGS.items()
                 if any(rows[0][name] != rows[1][name] for name in names)]  # fmt: skip
        for spring, row in zip(springs, reversed(rows), strict=True):
            for what in moved:
                value, u_mm = (*(row[name] for name in OF_SPRINGS[what]), None)[:2]
                _enter(db, record.set_id, spring.spring_id, what, value, u_mm)
        refresh_hand_entries(db, record.set_id)
        changed = find_set(db, swapped.name)
        done = Changed(changed, rederive_depths(db, changed))
        _refuse_springs(db, changed, moved, (label, other), sure=True)
        return done


def _refuse_length(record: SetRecord, entry: SpringEntry, given_mm: float) -> None:
    what = entry.what.removesuffix("_mm").replace("_", " ")
    if given_mm <= 0.0:
        raise CoilbenchError(
            f"the {what} of {{given_mm}} is not above 0",
            where=entry.label,
            hint="Give what the caliper reads",
            given_mm=given_mm,
        )
    free_mm = record.free_length_mm
    if (
        entry.what == "free_length_mm"
        and free_mm
        and abs(given_mm - free_mm) > SLIP_SHARE * free_mm
    ):
        raise CoilbenchError(
            "the free length {given_mm} is far from the set's {free_mm}",
            where=entry.label,
            hint="Check it; if the set's is wrong, first correct that: coilbench set edit "
            f"{record.name} --free-length",
            given_mm=given_mm,
            free_mm=free_mm,
        )


def _refuse_text(text: Value, what: str) -> None:
    longest = LONGEST_NAME if what == "mark" else LONGEST_TEXT
    if isinstance(text, str) and not (text.isprintable() and 1 <= len(text.strip()) <= longest):
        raise CoilbenchError(
            f"this cannot be a {what}: {text[:LONGEST_NAME]!r}",
            hint=f"Use 1 to {longest} printable characters",
        )


def _enter(
    db: Database, set_id: str, spring_id: str | None, what: str, value: Value, u_mm: float | None
) -> None:
    column = "active_coils" if what == "active_coils" else "words"
    column = "length_mm" if what in LENGTHS else column
    row: dict[str, object] = {"id": new_id(), "set_id": set_id, "spring_id": spring_id}
    row["made_utc"] = utc_now()
    same = "set_id = ? AND spring_id IS ? AND what = ?"
    row["edits"] = next_edit(db.conn, "hand_entries", same, [set_id, spring_id, what])
    insert(db, "hand_entries", row | {"what": what, column: value, "length_u_mm": u_mm})


def refresh_hand_entries(db: Database, set_id: str) -> None:
    """Write a set's last entries into the columns of the set and of its springs."""
    for table, of, row in _last(db, set_id):
        names = (OF_SPRINGS if table == "springs" else OF_SETS)[row["what"]]
        value = next(
            (row[c] for c in ("length_mm", "active_coils", "words") if row[c] is not None), None
        )
        for column, cell in zip(names, (value, row["length_u_mm"]), strict=False):
            sql = f"UPDATE main.{table} SET {column} = ? WHERE id = ? AND {column} IS NOT ?"  # noqa: S608
            db.execute(sql, [cell, of, cell])


def _last(db: Database, set_id: str) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Yield the last entry on each thing: its table, the id of its row there, and the entry."""
    last: dict[tuple[str, str, str], dict[str, Any]] = {}
    for row in db.query(
        "SELECT * FROM main.hand_entries WHERE set_id = ? ORDER BY edits, made_utc, id",
        [set_id],
    ):
        of_set = row["spring_id"] is None
        table, of = ("sets", row["set_id"]) if of_set else ("springs", row["spring_id"])
        last[table, of, row["what"]] = row
    for (table, of, _), row in last.items():
        yield table, of, row
