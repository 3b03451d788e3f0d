"""Every spring of a role in the book, and its strokes' reduced curves: for a first look.

No stroke's samples are read, and no stroke is judged.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.book.connection import Database

Array = NDArray[np.float64]
FETCHED = 200_000  # rows at a time


class ShelfSpring(NamedTuple):
    """One spring; its solid height is its own, else its set's, else None."""

    row: int
    set_name: str
    label: str
    solid_height_mm: float | None


class StoredBranch(NamedTuple):
    """One branch of a stroke as its plain rows have it, ascending in height, shape (n,).

    Sampled: straight between its rows; else they are readings at chosen heights, each within
    spread_n of what is read there again.
    """

    spring_row: int
    stroke: int
    sampled: bool
    height_mm: Array
    load_n: Array
    spread_n: float = 0.0


_OF_ROLE = "FROM springs JOIN sets ON sets.id = springs.set_id WHERE sets.role IN (?, ?)"
_MARKED = " AND (? IS NULL OR coalesce(spring_mark, set_mark) = ? COLLATE NOCASE)"
_READ = """
  AND sweeps.purpose = 'measured' AND sweeps.ruling IS NOT 'leave'
  AND (sweeps.counted OR sweeps.ruling IS 'use')
"""


def shelf_springs(db: Database, roles: tuple[str, str], mark: str | None) -> list[ShelfSpring]:
    """Return the springs of sets of these roles, in the order of set and turn, alike in every book.

    Args:
        db: the book.
        roles: of the sets, twice the same for one.
        mark: of the spring, else of its set; None for any.
    """
    rows = db.execute(
        "SELECT springs.rowid, sets.name, springs.label, coalesce(springs.solid_by_hand_mm,"
        " springs.solid_height_mm, sets.solid_height_mm) "
        f"{_OF_ROLE}{_MARKED} ORDER BY sets.made_utc, sets.id, springs.turn",
        [*roles, mark, mark],
    )
    return [ShelfSpring(*row) for row in rows]


def shelf_branches(db: Database, roles: tuple[str, str]) -> Iterator[StoredBranch]:
    """Yield the branches of all strokes that are read of sets of these roles."""
    rests = dict(
        db.execute(
            "SELECT sweeps.rowid, resting_weights.rests_n FROM resting_weights"
            " JOIN sweeps ON sweeps.id = resting_weights.sweep_id WHERE resting_weights.rests_n"
        ).fetchall()
    )
    # CROSS JOIN: in this order, from the springs to the points of their strokes
    cursor = db.execute(
        "SELECT springs.rowid, sweeps.rowid, curves.branch = 'loading', height_mm, load_n,"  # noqa: S608  our own words
        " sweeps.samples FROM springs CROSS JOIN sweeps CROSS JOIN curves CROSS JOIN curve_steps"
        " WHERE springs.set_id IN (SELECT id FROM sets WHERE role IN (?, ?))"
        " AND sweeps.spring_id = springs.id AND curves.sweep_id = sweeps.id"
        f" AND curve_steps.curve = curves.curve {_READ}",
        list(roles),
    )
    kept = np.zeros((0, 6))
    while found := cursor.fetchmany(FETCHED):
        kept = np.concatenate([kept, np.array(found, dtype=np.float64)])
        starts = _starts(kept)
        yield from _branches(kept[: starts[-1]], rests)
        kept = kept[starts[-1] :]
    yield from _branches(kept, rests)


def _starts(rows: Array) -> NDArray[np.intp]:
    """Return where a branch begins."""
    changed = np.any(np.diff(rows[:, 1:3], axis=0) != 0.0, axis=1)
    return np.concatenate([[0], np.flatnonzero(changed) + 1])


def _branches(rows: Array, rests: dict[int, float]) -> Iterator[StoredBranch]:
    if not len(rows):
        return
    for part in np.split(rows, _starts(rows)[1:]):
        spring, stroke = int(part[0, 0]), int(part[0, 1])
        part = part[np.argsort(part[:, 3], kind="stable")]
        loads_n = part[:, 4] + rests.get(stroke, 0.0)
        yield StoredBranch(spring, stroke, bool(part[0, 5]), part[:, 3], loads_n)
