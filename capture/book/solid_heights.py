"""A spring's solid height follows from its strokes: the last one that counts and tells it."""

from __future__ import annotations

from collections.abc import Iterable

from sqlite_utils import Database


def refresh_solid_heights(db: Database, spring_ids: Iterable[str]) -> None:
    """Set springs' solid heights anew from the strokes that count; unknown where none tells it."""
    db.conn.executemany(
        """
        UPDATE springs SET (solid_height_mm, solid_reason) = (
          SELECT max(told.solid_height_mm), told.solid_reason FROM (
            SELECT solid_height_mm, solid_reason FROM sweeps
            WHERE spring_id = springs.id AND counted AND solid_height_mm IS NOT NULL
            ORDER BY stored_utc DESC, id DESC LIMIT 1) AS told)
        WHERE id = ?
        """,
        [(spring_id,) for spring_id in spring_ids],
    )
