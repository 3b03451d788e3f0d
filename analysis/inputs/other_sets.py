"""Springs whose loads fit another set of the book much better: perhaps filed in the wrong one."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from statistics import median

from coilbench.analysis.inputs.kept import kept
from coilbench.analysis.inputs.stroke_reads import Unkeyed, read_of_row
from coilbench.analysis.sets.courses import SAME_MM, Held
from coilbench.analysis.sets.slips import FitsOther
from coilbench.capture.book.connection import Database
from coilbench.capture.book.depends import depends_on_sets
from coilbench.capture.book.keyed_readings import KeyedRow
from coilbench.capture.book.sets import SetRecord, find_set, set_names

# Ours, no source: a spring of another set is off from this one's by more than sound springs
# scatter, and in that one by less.
_OFF_SHARE, _OFF_SHARE_ONCE = 0.08, 0.25  # read at several heights, at one alone
_FITS_SHARE = 0.04
_BETTER = 3.0  # times as near
_MOST_HEIGHTS = 5  # of a spring that are compared
_LEAST_OTHERS = 2  # springs that tell what a set's load is


class _Loads:
    """What a set's springs push on the way down."""

    def __init__(self, db: Database, record: SetRecord) -> None:
        self.record = record
        keyed = (row for own in KeyedRow.of_set(db, record).values() for row in own if row.counts)
        self._unkeyed = Unkeyed(db, record)
        reads = [*map(read_of_row, keyed), *self._unkeyed.points()]
        self._held = Held(one for one in reads if one.loading)

    def heights_mm(self, label: str) -> list[float]:
        """Return where a spring was read at chosen heights; some of them where they are many."""
        found: list[float] = []
        for height_mm in self._held.heights_mm(label):
            if not found or height_mm - found[-1] > SAME_MM:
                found.append(height_mm)
        return found[:: math.ceil(len(found) / _MOST_HEIGHTS) or 1]

    def at(self, height_mm: float) -> dict[str, float]:
        """Return the load of each spring that was read there, or around it; else of its strokes."""
        sampled = self._unkeyed.sampled_at(height_mm, loading=True)
        near = [one for one in sampled if abs(one.height_mm - height_mm) <= SAME_MM]
        return Held(near).loads_at(height_mm) | self._held.loads_at(height_mm)

    def middle_n(self, height_mm: float, without: str | None = None) -> float | None:
        """Return the middle load of the springs but one; None where too few were read there."""
        loads = [load_n for label, load_n in self.at(height_mm).items() if label != without]
        return median(loads) if len(loads) >= _LEAST_OTHERS else None

    def off(self, label: str, height_mm: float) -> float | None:
        """Return how far a spring is from the middle of the others there, as a fraction of it."""
        load_n, middle_n = self.at(height_mm).get(label), self.middle_n(height_mm, label)
        return abs(load_n / middle_n - 1.0) if load_n is not None and middle_n else None

    def is_off(self, label: str, heights_mm: Iterable[float]) -> bool:
        """Tell whether a spring is so far from the others anywhere that it may be another set's."""
        least = min(_OFF_SHARE, _OFF_SHARE_ONCE)
        return any((self.off(label, height_mm) or 0.0) > least for height_mm in heights_mm)


def fits_other(
    db: Database, record: SetRecord, labels: Iterable[str], heights_mm: Sequence[float] = ()
) -> list[FitsOther]:
    """Return those of the springs that another set fits much better than their own.

    A set of the same labels is none: those are the same springs, measured again.

    Args:
        heights_mm: where springs are compared that were read at no chosen heights.
    """
    asked = tuple(labels), tuple(heights_mm)
    return kept(
        list[FitsOther],
        lambda: depends_on_sets(db),
        ("fits other", record, *asked),
        lambda: _fitting(db, record, *asked),
    )


def _fitting(
    db: Database, record: SetRecord, labels: Sequence[str], heights_mm: Sequence[float]
) -> list[FitsOther]:
    own = _Loads(db, record)
    at_mm = {label: own.heights_mm(label) or heights_mm for label in labels}
    strange = [label for label, heights in at_mm.items() if own.is_off(label, heights)]
    if not strange:
        return []  # as it mostly is: the other sets need not be read
    pressed = _pressed(db)
    known = [find_set(db, name) for name in set_names(db) if name in pressed]
    others = [one for one in known if not set(one.labels) & set(record.labels)]
    found, loads = [], [_Loads(db, one) for one in others]
    for label in strange:
        fits = [one for each in loads if (one := _fit(label, own, each, at_mm[label])) is not None]
        found += sorted(fits, key=lambda one: one.other_off)[:1]
    return found


def _pressed(db: Database) -> set[str]:
    """Return the names of the sets that have strokes: the others fit nothing."""
    sql = "SELECT DISTINCT name FROM sets JOIN springs ON set_id = sets.id JOIN sweeps"
    return {name for (name,) in db.execute(f"{sql} ON spring_id = springs.id")}


def _fit(label: str, own: _Loads, other: _Loads, heights_mm: Sequence[float]) -> FitsOther | None:
    off, other_off = list[float](), list[float]()
    for height_mm in heights_mm:
        own_off, other_n = own.off(label, height_mm), other.middle_n(height_mm)
        if own_off is not None and other_n:
            off.append(own_off)
            other_off.append(abs(own.at(height_mm)[label] / other_n - 1.0))
    if not off:
        return None
    at_own, at_other = median(off), max(other_off)
    least = _OFF_SHARE if len(off) > 1 else _OFF_SHARE_ONCE
    if at_own <= least or at_other > min(_FITS_SHARE, at_own / _BETTER):
        return None
    names = own.record.name, other.record.name
    return FitsOther(label, *names, at_own, at_other, len(off))
