"""The rows of points files weighed as typed readings are, beside each other and the book's."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from sqlite_utils import Database

from coilbench.analysis.inputs.keying import given_of, read_of_row
from coilbench.analysis.sets.slips import ReadAt, Slip, slips
from coilbench.capture.book.importing_points import ImportedRow
from coilbench.capture.book.keyed_readings import KeyedRow
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.book.sweeps import stored_points
from coilbench.capture.strokes.sweep import Origin


@dataclass(frozen=True)
class DoubtfulRow:
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
    are weighed without it: one wrong row makes its sound neighbours look odd.

    Args:
        entry_id: the run that brought them; the book's other readings are held beside them.
    """
    known = list(_of_book(db, record, entry_id))
    left, found = [(_read_of(row), row) for row in rows], dict[ImportedRow, tuple[Slip, ...]]()
    while True:
        doubts = []
        for place, (read, row) in enumerate(left):
            others = [one for at, (one, _) in enumerate(left) if at != place]
            given = replace(given_of(record, read.label), solid_height_mm=None)  # a note says that
            why = slips(read, [*known, *others], given)
            if why:
                doubts.append((max(map(_weight, why)), place, row, why))
        if not doubts:
            return [DoubtfulRow(row, found[row]) for row in rows if row in found]
        _, place, row, why = max(doubts, key=lambda each: each[0])
        found[row] = why
        del left[place]


def _weight(slip: Slip) -> float:
    """How many times as far from what is foretold as is allowed; least where nothing is."""
    near = slip.foretold
    return 0.0 if near is None else abs(slip.read.load_n - near.load_n) / near.allowed_n


def _read_of(row: ImportedRow) -> ReadAt:
    return ReadAt(row.label, row.height_mm, row.load_n, row.loading, row.load_u_n, row.height_u_mm)


def _of_book(db: Database, record: SetRecord, entry_id: str) -> Iterator[ReadAt]:
    for own in KeyedRow.of_set(db, record).values():
        yield from (read_of_row(row) for row in own if row.counts)
    for spring in record.springs:
        for row in db.query(
            "SELECT id, load_u_n, load_u_relative, height_u_mm FROM sweeps WHERE spring_id = ?"
            " AND counted AND origin = ? AND ruling IS NOT 'leave' AND entry_id IS NOT ?",
            [spring.spring_id, Origin.POINTS_FILE.value, entry_id],
        ):
            for way, _, height_mm, load_n in stored_points(db, row["id"]):
                u_n = row["load_u_n"] + row["load_u_relative"] * load_n
                loading = way == "loading"
                yield ReadAt(spring.label, height_mm, load_n, loading, u_n, row["height_u_mm"])
