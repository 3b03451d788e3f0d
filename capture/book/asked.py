"""Presses of which a capture left open whether they count, as it stored that. Light: SQL alone.

They are stored as ones that do not count, and no note says more: whether something is still asked
of a press, the captures know. What nobody answered, the next capture by the same travel calibration
asks again; what one press is asked, or waits for, goes with the capture.
"""

from __future__ import annotations

import json
import sqlite3
from typing import TYPE_CHECKING, Any

from coilbench.capture.book.in_force import InForce, parts_here

if TYPE_CHECKING:
    from coilbench.capture.book.connection import Database

_LIVE = "CASE WHEN json_valid(live_json) THEN live_json END"
_BY = f"json_extract({_LIVE}, '$.trust.travel_part_id')"
# Of each travel calibration the newest capture tells; max() picks the row.
_LEFT = f"""
SELECT json_extract({_LIVE}, '$.trust.left'), max(seen_utc) FROM sessions
WHERE {_BY} IN (SELECT value FROM json_each(?)) GROUP BY {_BY}"""  # noqa: S608  our own words
_OPEN = f"SELECT json_extract({_LIVE}, '$.open') FROM sessions WHERE ended_utc IS NULL"  # noqa: S608
_FACTS = ("kind", "closing", "moved_mm", "why")  # of a question, those that are of each press


def asked_of(db: sqlite3.Connection | Database) -> dict[str, dict[str, Any]]:
    """Return by their ids what is asked of presses, or they wait for: a finding's document each.

    Of a press that counts by now, or on which the user ruled, nothing is asked any more; one that
    only worked its spring is in no answer.
    """
    rigs = [*parts_here(db).values(), InForce.of(db).parts]
    travels = json.dumps([parts["travel"] for parts in rigs if "travel" in parts])
    stored = [row[0] for row in db.execute(_OPEN).fetchall()]
    stored += [row[0] for row in db.execute(_LEFT, [travels]).fetchall()]
    asked: dict[str, dict[str, Any]] = {}
    for text in filter(None, stored):
        try:
            for one in json.loads(text):
                question = {name: fact for name, fact in one["question"].items() if name in _FACTS}
                if "kind" in question:
                    asked |= dict.fromkeys(map(str, one["sweep_ids"]), question)
        except (ValueError, KeyError, TypeError, AttributeError):  # not written by us
            continue
    sql = (
        "SELECT id FROM sweeps WHERE NOT counted AND ruling IS NULL AND purpose = 'measured'"
        " AND id IN (SELECT value FROM json_each(?))"
    )
    rows = db.execute(sql, [json.dumps([*asked])]).fetchall() if asked else []
    return {sweep_id: asked[sweep_id] for (sweep_id,) in rows}
