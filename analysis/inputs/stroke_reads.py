"""What a set's strokes tell of a reading: those that were keyed, those of the rig, and of files."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

import numpy as np

from coilbench.analysis.sets.courses import ReadAt
from coilbench.capture.book.connection import Database
from coilbench.capture.book.keyed_readings import KeyedRow
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.book.sweeps import stored_points
from coilbench.capture.strokes.sweep import Origin

_COURSE_SHARE = 0.25  # of a curve, from its end: where it goes beyond it; our choice, no source


def read_of_row(row: KeyedRow) -> ReadAt:
    """Return a stored reading as it is weighed."""
    return ReadAt(
        row.stroke.label,
        row.height_mm,
        row.load_n,
        row.reading.loading,
        row.load_u_n,
        row.height_u_mm,
        row.name,
    )


class _Stroke(NamedTuple):
    """One way of a stroke; points: height and load, ascending in height."""

    label: str
    loading: bool
    sampled: bool
    points: Sequence[tuple[float, float]]
    u: tuple[float, float, float]  # load_u_n, load_u_relative, height_u_mm


class Unkeyed:
    """The counted strokes of a set that were not keyed, as they were when this was made.

    Args:
        without: an entry whose strokes are left out.
    """

    def __init__(self, db: Database, record: SetRecord, without: str | None = None) -> None:
        self._strokes = list(_strokes(db, record, without))
        self._known: dict[tuple[float, bool], list[ReadAt]] = {}

    def points(self) -> list[ReadAt]:
        """Return the chosen points of files, of both ways."""
        chosen = (one for one in self._strokes if not one.sampled)
        return [read for one in chosen for read in _reads(one, one.points)]

    def sampled_at(self, height_mm: float, *, loading: bool) -> list[ReadAt]:
        """Return what the sampled curves of a way have at a height, or next to it."""
        if (height_mm, loading) not in self._known:
            self._known[height_mm, loading] = [
                read
                for one in self._strokes
                if one.sampled and one.loading == loading
                for read in _reads(one, _told_at(height_mm, one.points))
            ]
        return self._known[height_mm, loading]


def _reads(stroke: _Stroke, points: Iterable[tuple[float, float]]) -> Iterator[ReadAt]:
    u_n, share, u_mm = stroke.u
    for height_mm, load_n in points:
        own_u_n = math.hypot(u_n, share * load_n)
        yield ReadAt(stroke.label, height_mm, load_n, stroke.loading, own_u_n, u_mm)


def _strokes(db: Database, record: SetRecord, without: str | None) -> Iterator[_Stroke]:
    for spring in record.springs:
        for row in db.query(
            "SELECT id, origin, load_u_n, load_u_relative, height_u_mm FROM sweeps"
            " WHERE spring_id = ? AND counted AND purpose = 'measured' AND origin <> ?"
            " AND ruling IS NOT 'leave' AND (? IS NULL OR entry_id IS NOT ?)",
            [spring.spring_id, Origin.KEYED.value, without, without],
        ):
            stored = stored_points(db, row["id"])
            u = row["load_u_n"], row["load_u_relative"], row["height_u_mm"]
            sampled = row["origin"] != Origin.POINTS_FILE.value
            for way in ("loading", "unloading"):
                points = sorted((mm, load_n) for branch, _, mm, load_n in stored if branch == way)
                if points:
                    yield _Stroke(spring.label, way == "loading", sampled, points, u)


def _told_at(height_mm: float, points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return height and load that a sampled curve has there; beyond its end the end's, and whither.

    Args:
        points: height and load, ascending in height.
    """
    heights_mm, loads_n = np.array(points).T
    low_mm, high_mm = float(heights_mm[0]), float(heights_mm[-1])
    end_mm = min(max(height_mm, low_mm), high_mm)
    at_mm = [end_mm]
    if end_mm != height_mm:
        inwards = 1.0 if end_mm == low_mm else -1.0
        at_mm.append(end_mm + inwards * _COURSE_SHARE * (high_mm - low_mm))
    return [(mm, float(np.interp(mm, heights_mm, loads_n))) for mm in at_mm]
