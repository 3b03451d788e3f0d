"""What a closing press bears out: one more press, at the end, of the first spring."""

from __future__ import annotations

from typing import NamedTuple

from coilbench.capture.book.connection import Database
from coilbench.capture.book.counting import ReadStroke
from coilbench.capture.book.notes import CLOSED
from coilbench.capture.book.sets import SetRecord


class ToClose(NamedTuple):
    """Presses of one capture by one datum, of which nothing shows that scale and seat stayed.

    Attributes:
        label: the first spring that was read, whose press again shows it.
        own: ids of its presses before any other spring's.
        since: presses that count of other springs since it was last shown.
    """

    label: str
    own: frozenset[str]
    since: tuple[ReadStroke, ...]

    @classmethod
    def any_of(cls, db: Database, record: SetRecord, session_id: str) -> bool:
        """Whether there are some of a capture, by whatever datum they were read."""
        rows = db.execute(
            """
            SELECT DISTINCT travel_part_id FROM springs
            JOIN sweeps ON sweeps.spring_id = springs.id
            JOIN calibrations ON calibrations.id = sweeps.calibration_id
            WHERE springs.set_id = ? AND session_id = ? AND counted AND purpose = 'measured'
            """,
            [record.set_id, session_id],
        ).fetchall()
        return any(cls.of(db, record, session_id, part_id) is not None for (part_id,) in rows)

    @classmethod
    def of(
        cls, db: Database, record: SetRecord, session_id: str, travel_part_id: str
    ) -> ToClose | None:
        """Return those of a capture that were read by a travel calibration; None for none."""
        rows = db.execute(
            # not by time: a clock may be set back
            """
            SELECT sweeps.id, springs.label, counted, purpose = 'measured' FROM springs
            JOIN sweeps ON sweeps.spring_id = springs.id
            JOIN calibrations ON calibrations.id = sweeps.calibration_id
            WHERE springs.set_id = ? AND session_id = ? AND travel_part_id = ?
              AND (counted OR instr(note, ?)) ORDER BY sweeps.rowid
            """,
            [record.set_id, session_id, travel_part_id, f'"{CLOSED}"'],
        ).fetchall()
        start = next((at for at, row in enumerate(rows) if row[2] and row[3]), None)
        if start is None:
            return None
        label = rows[start][1]
        others = (at for at, row in enumerate(rows) if at > start and row[1] != label)
        own = frozenset(one[0] for one in rows[start : next(others, None)] if one[2] and one[3])
        shown = max((at for at, row in enumerate(rows) if not row[2]), default=-1)
        since = [one for one in rows[shown + 1 :] if one[2] and one[1] != label]
        if not since:
            return None
        presses = tuple(ReadStroke(one[0], one[1], record.name, None) for one in since)
        return cls(label, own, presses)
