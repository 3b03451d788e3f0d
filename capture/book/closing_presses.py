"""What a closing press bears out: one more press, at the end, of the first spring."""

from __future__ import annotations

import json
from typing import NamedTuple

from coilbench.capture.blocks import Finding
from coilbench.capture.book.connection import Database
from coilbench.capture.book.counting import ReadStroke, add_note
from coilbench.capture.book.notes import BORNE_OUT, CLOSED, closing_bears_out, standing
from coilbench.capture.book.waits import TAKEN


class _Row(NamedTuple):
    """A press that counts or waits, to work its spring or to read it, or one that closed."""

    sweep_id: str
    session_id: str
    label: str
    counted: bool
    measured: bool

    @property
    def reads(self) -> bool:
        return self.counted and self.measured


class ToClose(NamedTuple):
    """Presses of a set by one datum, of which nothing shows that scale and seat stayed.

    They may be of several captures: a new one of the same datum goes on by the same heights.

    Attributes:
        label: the first spring that was read, whose press again shows it.
        own: ids of its presses before any other spring's, of the capture that read it first.
        since: presses that count since it was last shown, without those.
    """

    label: str
    own: frozenset[str]
    since: tuple[ReadStroke, ...]

    @classmethod
    def of(
        cls, db: Database, set_id: str, travel_part_id: str, session_id: str | None = None
    ) -> ToClose | None:
        """Return those that were read by a travel calibration; None for none.

        Of captures that would have asked for a closing press: of an older one nothing is asked.

        Args:
            session_id: of a capture that asks, though it may not have kept that yet.
        """
        found = db.execute(
            # not by time: a clock may be set back
            f"""
            SELECT sweeps.id, session_id, springs.label, {TAKEN}, purpose = 'measured', sets.name
            FROM springs JOIN sets ON sets.id = springs.set_id
            JOIN sweeps ON sweeps.spring_id = springs.id
            JOIN calibrations ON calibrations.id = sweeps.calibration_id
            JOIN sessions ON sessions.id = session_id
            WHERE springs.set_id = ? AND travel_part_id = ? AND ({TAKEN} OR instr(note, ?))
              AND (session_id = ?
                OR json_type(live_json, '$.heights.unclosed') IN ('true', 'false'))
            ORDER BY sweeps.rowid
            """,  # noqa: S608  our own words
            [set_id, travel_part_id, f'"{CLOSED}"', session_id],
        ).fetchall()
        rows = [_Row(*one[:5]) for one in found]
        start = next((at for at, row in enumerate(rows) if row.reads), None)
        if start is None:
            return None
        first = rows[start]
        mine = (first.session_id, first.label)
        end = next((at for at in range(start, len(rows)) if rows[at][1:3] != mine), len(rows))
        own = frozenset(row.sweep_id for row in rows[start:end] if row.reads)
        # one of another spring may bear out no more than a later capture
        closed = [
            at + 1
            for at, row in enumerate(rows)
            if not row.counted and (row.label == first.label or row.session_id == first.session_id)
        ]
        since = [row for row in rows[max([end, *closed]) :] if row.counted]
        if all(row.label == first.label for row in since):
            return None
        presses = (ReadStroke(row.sweep_id, row.label, found[0][5], None) for row in since)
        return cls(first.label, own, tuple(presses))

    def bear_out(self, db: Database, closed: Finding) -> list[Finding]:
        """Keep of each press in doubt that the closing press which agrees shows it to be right.

        Returns:
            What stands against the first presses, which it says nothing of.
        """
        ids = [*self.own, *(one.sweep_id for one in self.since)]
        sql = "SELECT id, note FROM sweeps WHERE id IN (SELECT value FROM json_each(?))"
        notes = dict(db.execute(sql, [json.dumps(ids)]).fetchall())
        at_first = [found for one in self.own for found in standing(notes[one])]
        with db.atomic():
            for one in self.since:
                if closing_bears_out(notes[one.sweep_id], at_first):
                    add_note(db, one.sweep_id, Finding(BORNE_OUT, closed.facts))
        return at_first

    @classmethod
    def left(
        cls, db: Database, set_id: str, travel_part_id: str, session_id: str | None = None
    ) -> bool:
        """Whether there are some, as `of`, or some that count by a datum which was replaced.

        Those no press can close any more.
        """
        replaced = db.execute(
            """
            SELECT DISTINCT travel_part_id FROM springs
            JOIN sweeps ON sweeps.spring_id = springs.id
            JOIN calibrations ON calibrations.id = sweeps.calibration_id
            WHERE springs.set_id = ? AND counted AND instr(note, '"datum_replaced"')
            """,
            [set_id],
        ).fetchall()
        parts = {travel_part_id, *(part_id for (part_id,) in replaced)}
        return any(cls.of(db, set_id, part_id, session_id) is not None for part_id in parts)
