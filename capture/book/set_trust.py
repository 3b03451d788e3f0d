"""What nothing shows of the heights of a set, as its captures kept it, for answers."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable
from typing import NamedTuple

from coilbench.capture.book.closing_presses import ToClose
from coilbench.capture.book.connection import Database
from coilbench.capture.book.notes import counts_by_word

# A session of a set that said so, of which strokes count that were read by what is named.
_SAID = """
SELECT DISTINCT sets.name, sets.id, json_extract(live_json, '$.heights.travel_part_id')
FROM sets JOIN sessions ON sessions.set_id = sets.id
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

        def said(sql: str, key: str) -> list[tuple[str, str, str]]:
            return db.execute(sql, {"key": f"$.heights.{key}", "names": given}).fetchall()

        # a later capture may have closed what one left open
        unclosed = (one[0] for one in said(_UNCLOSED, "unclosed") if ToClose.left(db, *one[1:]))
        unshown = (one[0] for one in said(_UNSHOWN, "unshown"))
        noted = db.execute(_NOTED, {"names": given}).fetchall()
        by_word = [name for name, note in noted if counts_by_word(note)]
        return cls(_once(unclosed), _once(unshown), _once(by_word), len(by_word))


def _once(names: Iterable[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(names))
