"""A set's answer for those who read the shop's store: its judgement, with what it rests on."""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version

from sqlite_utils import Database

from coilbench.analysis.inputs.measured import JudgedSet, NothingMeasured, judge_set
from coilbench.capture.book.sets import SetRecord


def judged_for_store(db: Database, record: SetRecord) -> JudgedSet | None:
    """Judge a set at its nominal's heights, else at two inside its curves; None where it can't."""
    try:
        judged = judge_set(db, record, must_reach=False)
    except NothingMeasured:
        return None
    return None if judged.check is None else judged


def program_version() -> str:
    """Return which program this is."""
    try:
        return version("coilbench")
    except PackageNotFoundError:  # run from a folder, not installed
        return "unknown"
