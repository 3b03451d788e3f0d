"""What a closing press bears out: one more press, at the end, of the first spring."""

from __future__ import annotations

import json
from typing import NamedTuple

from coilbench.capture.blocks import Finding
from coilbench.capture.book.connection import Database
from coilbench.capture.book.counting import ReadStroke, add_note
from coilbench.capture.book.notes import (
    AS_CLOSED,
    BORNE_OUT,
    CLOSED,
    CLOSING_DIFFERS,
    closing_bears_out,
    said_to_count,
    standing,
)
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


class _ReadBy(NamedTuple):
    """What was read of a set by one travel calibration.

    Attributes:
        springs: how many count.
        replaced: how many presses count though another datum contradicts.
        closed, differed: where the last closing press stands that agreed, or did not and no gauge
            made up for it; or None.
    """

    part_id: str
    springs: int
    replaced: int
    closed: int | None
    differed: int | None

    @property
    def open(self) -> bool:
        """Whether presses by it count, and the last that is known of them speaks against it."""
        if self.closed is None:
            against = bool(self.replaced) or self.differed is not None
        else:
            against = self.differed is not None and self.differed > self.closed
        return self.springs > 0 and against


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
        notes = self._notes(db)
        at_first = [found for one in self.own for found in standing(notes[one])]
        with db.atomic():
            for one in self.since:
                if closing_bears_out(notes[one.sweep_id], at_first):
                    add_note(db, one.sweep_id, Finding(BORNE_OUT, closed.facts))
        return at_first

    def _notes(self, db: Database) -> dict[str, str | None]:
        ids = [*self.own, *(one.sweep_id for one in self.since)]
        sql = "SELECT id, note FROM sweeps WHERE id IN (SELECT value FROM json_each(?))"
        return dict(db.execute(sql, [json.dumps(ids)]).fetchall())

    def unanswered(self, db: Database, differs: Finding) -> tuple[ReadStroke, ...]:
        """Return those of which no person said that they count though heights moved so far."""
        notes = self._notes(db)

        def answered(note: str | None) -> bool:
            then = said_to_count(note)
            if then is None:
                return False
            further_mm = abs(differs["moved_mm"] - then["moved_mm"])
            return bool(further_mm <= differs["u_mm"] + then["u_mm"])

        return tuple(one for one in self.since if not answered(notes[one.sweep_id]))

    @classmethod
    def left(
        cls, db: Database, set_id: str, travel_part_id: str, session_id: str | None = None
    ) -> bool:
        """Whether there are some, as `of`, or some that no press can close any more.

        They count by a datum which was replaced, or by which the last closing press differed and
        no gauge just as much, be they of one spring: such are to be pressed again.
        """
        found = db.execute(
            """
            SELECT travel_part_id, count(DISTINCT CASE WHEN counted THEN spring_id END),
              sum(counted AND coalesce(instr(note, '"datum_replaced"'), 0)),
              max(CASE WHEN NOT counted AND instr(note, ?) THEN sweeps.rowid END),
              max(CASE WHEN NOT counted AND instr(note, ?) AND NOT EXISTS (
                SELECT 1 FROM calibration_parts AS later WHERE kind = 'travel'
                  AND instr(notes_json, ?) AND instr(notes_json, travel_part_id)
              ) THEN sweeps.rowid END)
            FROM springs JOIN sweeps ON sweeps.spring_id = springs.id
            JOIN calibrations ON calibrations.id = sweeps.calibration_id
            WHERE springs.set_id = ? AND purpose = 'measured' GROUP BY travel_part_id
            """,
            [f'"{CLOSED}"', f'"{CLOSING_DIFFERS}"', f'"{AS_CLOSED}"', set_id],
        ).fetchall()
        read = [_ReadBy(*row) for row in found]
        if sum(by.springs for by in read) > 1 and any(by.open for by in read):
            return True
        parts = {travel_part_id, *(by.part_id for by in read if by.replaced)}
        return any(cls.of(db, set_id, part_id, session_id) is not None for part_id in parts)
