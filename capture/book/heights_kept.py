"""What a capture knew of its heights: kept with its state, for the next one and for answers."""

from __future__ import annotations

import json
from collections.abc import Collection
from typing import NamedTuple

import msgspec

from coilbench.capture.book.calibrations import PartRecord
from coilbench.capture.book.connection import Database
from coilbench.capture.book.notes import counts_by_word
from coilbench.capture.book.rows import first_row
from coilbench.capture.calibration.standing import stop_counts_of


class HeightsKept(msgspec.Struct, frozen=True):
    """What a capture knew of its heights when it last stored its state.

    Attributes:
        travel_part_id: what they were read by.
        stop_counts: travel counts at the quill's stop; None where they were not surely known.
        unshown: the travel calibration of which nothing showed, as the capture began, that the
            scale had not slipped since; None for none.
        unclosed: presses count that no closing press bears out; None where none is asked for.
        shown: ids of presses after which the quill was seen at its stop, or a gauge agreed.
    """

    travel_part_id: str
    stop_counts: float | None = None
    unshown: str | None = None
    unclosed: bool | None = None
    shown: tuple[str, ...] = ()


def shown_by(db: Database, travel_part_id: str) -> set[str]:
    """Return the presses by a travel calibration that captures saw to be read rightly."""
    rows = db.execute(
        "SELECT value FROM sessions, json_each(live_json, '$.heights.shown')"
        " WHERE json_extract(live_json, '$.heights.travel_part_id') = ?",
        [travel_part_id],
    )
    return {str(sweep_id) for (sweep_id,) in rows.fetchall()}


def stop_known(db: Database, travel: PartRecord) -> float | None:
    """Return the counts at the quill's stop by a travel calibration; None where nobody kept them.

    Of the newest capture that surely knew it, else as it was calibrated.
    """
    row = first_row(
        db,
        "SELECT json_extract(live_json, '$.heights.stop_counts') AS counts FROM sessions"
        " WHERE json_extract(live_json, '$.heights.travel_part_id') = ?"
        " AND json_type(live_json, '$.heights.stop_counts') IN ('real', 'integer')"
        " ORDER BY seen_utc DESC LIMIT 1",
        [travel.part_id],
    )
    return stop_counts_of(travel) if row is None else float(row["counts"])


# A session of a set that said so, of which strokes count that were read by what is named.
_SAID = """
SELECT DISTINCT sets.name FROM sets JOIN sessions ON sessions.set_id = sets.id
WHERE coalesce(json_extract(live_json, :key), 0) <> 0 AND EXISTS (
  SELECT 1 FROM springs JOIN sweeps ON sweeps.spring_id = springs.id
  JOIN calibrations ON calibrations.id = sweeps.calibration_id
  WHERE springs.set_id = sets.id AND session_id = sessions.id
    AND counted AND purpose = 'measured' AND {which}
) AND sets.name IN (SELECT value FROM json_each(:names))"""
_UNCLOSED = _SAID.format(which="TRUE")
# A gauge that agreed later in the same start of the rig shows it.
_UNSHOWN = _SAID.format(
    which="""travel_part_id = json_extract(live_json, :key) AND NOT EXISTS (
  SELECT 1 FROM calibration_parts AS part
  WHERE part.kind = 'travel' AND part.device_id IS sessions.device_id
    AND part.boot_id IS sweeps.boot_id AND part.made_utc > sessions.started_utc
    AND instr(part.notes_json, '"heights_agree"'))"""
)

_NOTED = """
SELECT sets.name, note FROM sets JOIN springs ON springs.set_id = sets.id
JOIN sweeps ON sweeps.spring_id = springs.id
WHERE counted AND purpose = 'measured' AND note IS NOT NULL
  AND sets.name IN (SELECT value FROM json_each(:names)) ORDER BY sweeps.rowid"""


class SetTrust(NamedTuple):
    """Names of sets of whose heights something is not shown; older captures tell nothing.

    Attributes:
        unclosed: no closing press bears them out, and one was to be asked for.
        unshown: nothing showed that the scale had not slipped before they were pressed.
        by_word: presses of theirs count by what a person said, against what was seen.
        by_word_presses: how many, of all these sets.
    """

    unclosed: tuple[str, ...] = ()
    unshown: tuple[str, ...] = ()
    by_word: tuple[str, ...] = ()
    by_word_presses: int = 0

    @classmethod
    def of(cls, db: Database, set_names: Collection[str]) -> SetTrust:
        """Return what is not shown of some sets."""
        given = json.dumps(list(set_names))

        def said(sql: str, key: str) -> tuple[str, ...]:
            rows = db.execute(sql, {"key": f"$.heights.{key}", "names": given})
            return tuple(name for (name,) in rows.fetchall())

        noted = db.execute(_NOTED, {"names": given}).fetchall()
        words = [name for name, note in noted if counts_by_word(note)]
        by_word = tuple(dict.fromkeys(words))
        shown = said(_UNCLOSED, "unclosed"), said(_UNSHOWN, "unshown")
        return cls(*shown, by_word, len(words))
