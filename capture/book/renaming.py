"""Give a spring another label."""

from __future__ import annotations

from sqlite_utils import Database

from coilbench.capture.book.rows import writing
from coilbench.capture.book.sets import SetPlan, SetRecord, find_set


def rename_spring(db: Database, record: SetRecord, label: str, new_label: str) -> SetRecord:
    """Give a spring another label; its sweeps stay with it. Returns the set as it is then.

    Raises:
        CoilbenchError: the set has no such spring, or can't have a spring of that label.
    """
    spring_id = record.spring(label).spring_id
    labels = tuple(new_label if one == label else one for one in record.labels)
    SetPlan(record.name, record.role, labels)  # refuses what no set may have
    with writing(db):
        db.execute("UPDATE springs SET label = ? WHERE id = ?", [new_label, spring_id])
    return find_set(db, record.name)
