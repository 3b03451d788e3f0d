"""Which calibration is in force: of one rig, its newest parts, the same at every bench.

Newest is by when a part was made, at ties by its id: both travel with it, unlike its place in a
book. So that a clock which is set back puts no older part in force, `later_than` dates each new one
after those that its book knows.

By SQL alone: nothing slow to load is imported.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from coilbench.capture.book.ids import composed_id
from coilbench.capture.book.rows import insert

if TYPE_CHECKING:
    from coilbench.capture.book.connection import Database

_KINDS = ("load", "travel", "flex")


class _Part(NamedTuple):
    kind: str
    part_id: str
    made_utc: str
    device_id: str | None
    place: int  # above 0: made here; else it came from another bench


class _Row(NamedTuple):
    calibration_id: str
    parts: tuple[str | None, ...]  # load, travel, flex


class InForce(NamedTuple):
    """What holds of a rig.

    Attributes:
        device_id: the rig; None where its parts don't say.
        parts: the ids by kind, of those that are calibrated.
        calibration_id: None while load or travel is still to be calibrated.
        others: the other rigs whose load is calibrated in this book.
        here: whether any rig was calibrated at this bench, else it is another bench's.
    """

    device_id: str | None
    parts: dict[str, str]
    calibration_id: str | None
    others: tuple[str, ...]
    here: bool

    @classmethod
    def of(cls, db: sqlite3.Connection | Database, device_id: str | None = None) -> InForce:
        """Return what holds of a rig; of None, of the one that was last calibrated at this bench.

        Where none was calibrated here, of the one whose load was calibrated last anywhere. A part
        from a file names no rig: it holds for whichever is pressed on, where it was made.
        """
        shelf = _Shelf(db)
        rig = shelf.rig_here() if device_id is None else device_id
        rows = [row for row in shelf.rows if shelf.is_of(row.parts, rig)]
        newest = shelf.newest(rig)
        exact = [row for row in rows if row.parts == tuple(newest.get(kind) for kind in _KINDS)]
        row = next(reversed(exact or rows), None)
        if row is not None:
            newest = {kind: one for kind, one in zip(_KINDS, row.parts, strict=True) if one}
        loads = {one.device_id for one in shelf.parts.values() if one.kind == "load"}
        return cls(
            rig,
            newest,
            None if row is None else row.calibration_id,
            tuple(sorted(loads.difference((rig, None)), key=str)),  # type: ignore[arg-type]
            shelf.has_own,
        )


PartsOfRigs = dict[str | None, dict[str, str]]


def parts_here(db: sqlite3.Connection | Database) -> PartsOfRigs:
    """Return the parts in force of each rig that was calibrated at this bench, by kind.

    None: of the rig that holds where none is named.
    """
    rigs = sorted({one.device_id for one in _Shelf(db).own if one.device_id is not None})
    return {rig: InForce.of(db, rig).parts for rig in (*rigs, None)}


def taken_over(before: PartsOfRigs, db: Database) -> list[tuple[str, str, str]]:
    """Return what is in force of rigs here now and was not before: what it is, its id, when made.

    Where nothing was in force before, nothing is taken over.
    """
    now = parts_here(db)
    new = {
        part_id: kind if rig is None else f"{kind} of the rig {rig}"
        for rig, had in before.items()
        for kind, part_id in now.get(rig, {}).items()
        if had and had.get(kind) != part_id
    }
    made = db.execute("SELECT id, made_utc FROM main.calibration_parts").fetchall() if new else []
    return [(new[part_id], part_id, made_utc) for part_id, made_utc in made if part_id in new]


class _Shelf:
    """The parts of all rigs, by id, and the calibrations that are of one rig; oldest first."""

    def __init__(self, db: sqlite3.Connection | Database) -> None:
        parts = db.execute(
            "SELECT kind, id, made_utc, device_id, rowid FROM calibration_parts"
            " ORDER BY made_utc, id"
        ).fetchall()
        self.parts = {part[1]: _Part(*part) for part in parts}
        self.own = [part for part in self.parts.values() if part.place > 0]
        self.has_own = bool(self.own)
        rows = db.execute(
            "SELECT id, load_part_id, travel_part_id, flex_part_id FROM calibrations"
            " ORDER BY made_utc, id"
        ).fetchall()
        self.rows: list[_Row] = []
        self._used_on: dict[str, set[str | None]] = {}  # by a part's id, with which rigs' parts
        for calibration_id, *ids in rows:
            rigs = {self.parts[one].device_id for one in ids if one} - {None}
            if len(rigs) < 2:  # one of several rigs, which an earlier version made, is of none
                self.rows.append(_Row(calibration_id, tuple(ids)))
                for one in filter(None, ids):
                    self._used_on.setdefault(one, set()).update(rigs or {None})

    def rig_here(self) -> str | None:
        if self.own:
            named = [one for one in self.own if one.device_id is not None]
            return max(named, key=lambda one: one.place).device_id if named else None
        loads = [one for one in self.parts.values() if one.kind == "load"]
        if not loads:
            return None
        rigs = self._used_on.get(loads[-1].part_id, {None})
        return loads[-1].device_id or max(rigs, key=str)

    def is_of(self, ids: Sequence[str | None], rig: str | None) -> bool:
        """Tell whether all of these parts are a rig's."""
        return all(self._is_of(self.parts[one], rig) for one in ids if one)

    def _is_of(self, part: _Part, rig: str | None) -> bool:
        if part.device_id is not None:
            return part.device_id == rig
        if part.place > 0:
            return True
        known = rig is not None or not self.own  # whose it is that names none can't be told
        return known and rig in self._used_on.get(part.part_id, {None})

    def newest(self, rig: str | None, *, named: bool = False) -> dict[str, str]:
        """Return a rig's newest part of each kind; named: only of those that name it."""
        return {
            one.kind: one.part_id
            for one in self.parts.values()
            if self._is_of(one, rig) and not (named and one.device_id is None)
        }


def compose(db: Database, device_id: str | None) -> str | None:
    """Make a calibration of a rig's newest parts; returns its id, None where one is missing."""
    shelf = _Shelf(db)
    newest = shelf.newest(shelf.rig_here() if device_id is None else device_id)
    if not {"load", "travel"} <= set(newest):
        return None
    return _insert(db, shelf, newest)


def compose_missing(db: Database) -> None:
    """Make the calibrations of rigs whose parts were made at several benches; in a transaction.

    Every bench makes the same one, id and all, of the same parts.
    """
    shelf = _Shelf(db)
    known = {row.parts for row in shelf.rows}
    rigs = {one.device_id for one in shelf.parts.values() if one.device_id is not None}
    for rig in sorted(rigs):
        newest = shelf.newest(rig, named=True)
        complete = {"load", "travel"} <= set(newest) and newest == shelf.newest(rig)
        if complete and tuple(newest.get(kind) for kind in _KINDS) not in known:
            _insert(db, shelf, newest)


def _insert(db: Database, shelf: _Shelf, newest: dict[str, str]) -> str:
    ids = [newest.get(kind) for kind in _KINDS]
    calibration_id = composed_id(ids)
    made_utc = max(shelf.parts[one].made_utc for one in newest.values())
    row = {f"{kind}_part_id": one for kind, one in zip(_KINDS, ids, strict=True)}
    insert(db, "calibrations", {"id": calibration_id, "made_utc": made_utc, **row})
    return calibration_id
