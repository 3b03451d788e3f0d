"""What rests on the springs, of all sets and in their strokes, beside what is told of the rig."""

from __future__ import annotations

from coilbench.capture.book.connection import Database
from coilbench.capture.book.vouching import refuse_damaged_sets_with
from coilbench.capture.calibration.keyed_setup import KeptRests


def untold_strokes(db: Database) -> int:
    """Return how many strokes have what rests on the spring as told of the rig now.

    They were captured before it was told, and nothing is told of their set.

    Raises:
        CoilbenchError: a row of a set with such strokes is damaged, or gone.
    """
    refuse_damaged_sets_with(db.conn, "rests_n IS NULL AND calibration_id IS NOT NULL")
    (count,) = db.execute(
        "SELECT count(*) FROM sweeps JOIN springs ON springs.id = spring_id"
        " WHERE rests_n IS NULL AND purpose = 'measured' AND calibration_id IS NOT NULL"
        " AND set_id NOT IN (SELECT set_id FROM rests_of_sets)"
    ).fetchone()
    return int(count)


def rests_of_sets(db: Database) -> dict[str, float]:
    """Return what rests on the springs of each set that has cups of its own, by its name, in N."""
    rows = db.execute(
        "SELECT name, rests_n FROM rests_of_sets JOIN sets ON sets.id = set_id"
        " ORDER BY sets.made_utc, sets.id"
    )
    return dict(rows.fetchall())


def kept_rests(db: Database, set_name: str | None = None) -> tuple[KeptRests, ...]:
    """Return what rests on the springs in the strokes of each set or one, by set and weight.

    Strokes that count alone. A weight that nothing tells is 0, as it is in the loads. Look for
    damage before.
    """
    rows = db.execute(
        "SELECT name, coalesce(resting_weights.rests_n, 0.0) AS weight_n, count(*)"
        " FROM resting_weights JOIN sweeps ON sweeps.id = sweep_id"
        " JOIN springs ON springs.id = spring_id JOIN sets ON sets.id = set_id"
        " WHERE purpose = 'measured' AND (counted OR ruling IS 'use')"
        " AND (?1 IS NULL OR name = ?1) GROUP BY sets.id, weight_n"
        " ORDER BY sets.made_utc, sets.id, weight_n",
        [set_name],
    )
    return tuple(KeptRests(*row) for row in rows.fetchall())


def rests_beside(
    db: Database, rig_n: float | None
) -> tuple[dict[str, float], tuple[KeptRests, ...]]:
    """Return what rests on springs beside what is told of the rig: of sets by name, of strokes.

    Those strokes keep another weight than is told of their set now, else of the rig. Sets that have
    neither are not looked at.

    Raises:
        CoilbenchError: a row of a set with either is damaged, or gone.
    """
    told = db.execute("SELECT DISTINCT set_id FROM set_rests NOT INDEXED").fetchall()
    other = "rests_n <> ?"
    refuse_damaged_sets_with(db.conn, other, [rig_n or 0.0], [set_id for (set_id,) in told])
    of_sets = rests_of_sets(db)
    return of_sets, tuple(
        kept for kept in kept_rests(db) if kept.rests_n != of_sets.get(kept.set_name, rig_n or 0.0)
    )
