"""The cell's zeros in the book: what it read at rest, and before each stroke of a session."""

from __future__ import annotations

from coilbench.capture.book.connection import Database
from coilbench.capture.book.rows import OF_THIS_BENCH, insert, later_than, new_id, writing
from coilbench.capture.book.vouching import refuse_damaged_sets_with
from coilbench.capture.calibration.known_points import Zero


def keep_zero(db: Database, device_id: str, counts: float) -> tuple[Zero, ...]:
    """Keep what a resting rig's cell reads; returns what `rest_zeros` does then."""
    row = {"id": new_id(), "device_id": device_id, "load_counts": counts}
    with writing(db):
        insert(db, "rest_zeros", row | {"read_utc": later_than(db, "rest_zeros", "read_utc")})
    return rest_zeros(db, device_id)


def rest_zeros(db: Database, device_id: str) -> tuple[Zero, ...]:
    """Return the zeros of a resting rig that were read at this bench, oldest first.

    What another bench says of it could hide a drift.
    """
    sql = f"SELECT read_utc, load_counts FROM rest_zeros WHERE device_id = ? AND {OF_THIS_BENCH}"  # noqa: S608
    rows = db.execute(f"{sql} ORDER BY read_utc, id", [device_id])
    return tuple(Zero(*row) for row in rows.fetchall())


def session_zeros(db: Database) -> tuple[Zero, ...]:
    """Return the strokes' zeros of the newest session that has any, oldest first;
    of this bench's own, where there is one.

    With the spring and its cups on the cell: what one spring weighs more than another is in them.

    Raises:
        CoilbenchError: a row of the session's set is damaged, or gone.
    """
    of_newest = """
        zero_counts IS NOT NULL AND session_id = (
          SELECT session_id FROM sweeps NOT INDEXED
          WHERE zero_counts IS NOT NULL AND session_id IS NOT NULL
          ORDER BY max(rowid, 0) DESC, stored_utc DESC, id DESC LIMIT 1)
    """
    refuse_damaged_sets_with(db.conn, of_newest)
    sql = f"SELECT stored_utc, zero_counts FROM sweeps WHERE {of_newest} ORDER BY stored_utc, id"  # noqa: S608
    return tuple(Zero(*row) for row in db.execute(sql).fetchall())
