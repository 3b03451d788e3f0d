"""What a capture knew of its heights: kept with its state, for the next one and for answers."""

from __future__ import annotations

import msgspec

from coilbench.capture.book.calibrations import PartRecord
from coilbench.capture.book.connection import Database
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
