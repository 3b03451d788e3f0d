"""The rows of points files weighed as typed readings are, beside each other and the book's."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import msgspec
from msgspec.structs import replace

from coilbench.analysis.inputs.keying import given_of
from coilbench.analysis.inputs.stroke_reads import Unkeyed, read_of_row
from coilbench.analysis.sets.courses import Held, ReadAt
from coilbench.analysis.sets.slips import Slip, slips
from coilbench.capture.book.connection import Database
from coilbench.capture.book.importing_points import ImportedRow
from coilbench.capture.book.keyed_readings import KeyedRow
from coilbench.capture.book.sets import SetRecord

# From this many doubtful rows on, all are told as they look: where they are half of the file, or
# as many have been taken out one by one. Our choice, no source.
_MANY = 50


class DoubtfulRow(msgspec.Struct, frozen=True):
    """A row of a file that may be a slip, and what makes it so."""

    row: ImportedRow
    found: tuple[Slip, ...]

    @property
    def impossible(self) -> bool:
        """Whether no spring does this."""
        return any(one.impossible for one in self.found)


def doubtful_rows(
    db: Database, record: SetRecord, rows: Sequence[ImportedRow], entry_id: str
) -> list[DoubtfulRow]:
    """Return the rows that may be slips, in the files' order.

    The one farthest from what is foretold, in what is allowed there, is taken first, and the others
    are weighed without it: one wrong row makes its sound neighbours look odd. Weighed again are
    those that looked doubtful and the same spring's, and at the end all: that costs little more
    than weighing each once.

    Args:
        entry_id: the run that brought them; the book's other readings are held beside them.
    """
    beside = _Beside(db, record, rows, entry_id)
    found: dict[int, tuple[Slip, ...]] = {}
    doubts = beside.doubts(range(len(rows)))
    if len(doubts) > max(_MANY, len(rows) / 2.0):  # in other units, or of another set
        found, doubts = doubts, {}
    while doubts:
        if len(found) >= _MANY:
            found |= doubts
            break
        while doubts and len(found) < _MANY:
            worst = max(doubts, key=lambda place: max(map(_weight, doubts[place])))
            found[worst] = doubts.pop(worst)
            beside.leave_out(worst)
            same = (at for at, one in enumerate(rows) if one.label == rows[worst].label)
            again = {*doubts, *same}.difference(found)
            doubts = beside.doubts(sorted(again))
        doubts = beside.doubts(place for place in range(len(rows)) if place not in found)
    return [DoubtfulRow(rows[place], found[place]) for place in sorted(found)]


class _Beside:
    """A file's rows, by their places, beside each other and what the book holds of the set."""

    def __init__(
        self, db: Database, record: SetRecord, rows: Sequence[ImportedRow], entry_id: str
    ) -> None:
        self._reads = [_read_of(row) for row in rows]
        keyed = (row for own in KeyedRow.of_set(db, record).values() for row in own if row.counts)
        self._unkeyed = Unkeyed(db, record, without=entry_id)
        book = [*map(read_of_row, keyed), *self._unkeyed.points()]
        self._held = Held([*book, *self._reads])
        self._given = {
            label: replace(given_of(record, label), solid_height_mm=None)  # a note says that
            for label in dict.fromkeys(row.label for row in rows)
        }

    def doubts(self, places: Iterable[int]) -> dict[int, tuple[Slip, ...]]:
        """Return what makes each of these rows doubtful; those of which nothing does are out."""
        found = ((place, self._why(self._reads[place])) for place in places)
        return {place: why for place, why in found if why}

    def _why(self, read: ReadAt) -> tuple[Slip, ...]:
        sampled = self._unkeyed.sampled_at(read.height_mm, loading=read.loading)
        held = self._held.joined(sampled, read.label) if sampled else self._held
        return slips(read, held, self._given[read.label])

    def leave_out(self, place: int) -> None:
        """Weigh the others without a row from now on."""
        self._held.leave_out(self._reads[place])


def _weight(slip: Slip) -> float:
    """How many times as far from what is foretold as is allowed; least where nothing is."""
    near = slip.foretold
    return 0.0 if near is None else abs(slip.read.load_n - near.load_n) / near.allowed_n


def _read_of(row: ImportedRow) -> ReadAt:
    return ReadAt(row.label, row.height_mm, row.load_n, row.loading, row.load_u_n, row.height_u_mm)
