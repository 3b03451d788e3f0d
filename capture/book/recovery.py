"""After a crash: turn the chunks of an unfinished stroke into a sweep that says so."""

from __future__ import annotations

from typing import Any

import numpy as np
from sqlite_utils import Database

from coilbench.capture.blocks import RawBlock
from coilbench.capture.book.calibrations import calibration_by_id
from coilbench.capture.book.rows import writing
from coilbench.capture.book.sessions import drop_chunks, end_session
from coilbench.capture.book.sweeps import NewSweep, store_sweep
from coilbench.capture.calibration.model import apply
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes import sample_blob
from coilbench.capture.strokes.reduced_curve import reduced_curve
from coilbench.capture.strokes.sweep import Origin, SweepStatus
from coilbench.capture.strokes.turns import Purpose

UNCLOSED = "ended without closing the book"


def left_over(db: Database) -> bool:
    """Tell whether a capture ended on this book without closing it (or is still running)."""
    found = db.execute("SELECT 1 FROM sessions WHERE ended_utc IS NULL LIMIT 1").fetchone()
    return found is not None


def recover(db: Database) -> int:
    """Close what a killed capture left open; returns how many strokes were rescued.

    Call it only while holding the book's lock: a running capture looks the same.
    """
    with writing(db):
        unclosed = [
            row["id"] for row in db.query("SELECT id FROM sessions WHERE ended_utc IS NULL")
        ]
        return sum(_close(db, session_id) for session_id in unclosed)


def _close(db: Database, session_id: str) -> bool:
    """End one session; True where a stroke was rescued.

    Chunks that cannot be read stay as they are, and never keep the user out of the book.
    """
    chunks = list(
        db.query("SELECT * FROM stroke_chunks WHERE session_id = ? ORDER BY chunk", [session_id])
    )
    try:
        if chunks:
            _store_rescued(db, session_id, chunks)
    except CoilbenchError as error:
        end_session(db, session_id, f"{UNCLOSED}; its last stroke is left in chunks: {error.what}")
        return False
    drop_chunks(db, session_id)
    end_session(db, session_id, UNCLOSED)
    return bool(chunks)


def _store_rescued(db: Database, session_id: str, chunks: list[dict[str, Any]]) -> None:
    first = chunks[0]
    samples = np.concatenate(
        [sample_blob.unpack(row["samples_format"], row["samples_blob"]) for row in chunks]
    )
    calibration = calibration_by_id(db, first["calibration_id"])
    block = apply(calibration, RawBlock(samples, first["boot_id"]), first["zero_counts"])
    store_sweep(
        db,
        NewSweep(
            spring_id=first["spring_id"],
            origin=Origin.RIG,
            status=SweepStatus.INTERRUPTED,
            purpose=Purpose(first["purpose"]),
            counted=False,
            rows=reduced_curve(block),
            load_u_n=first["load_u_n"],
            load_u_relative=first["load_u_relative"],
            height_u_mm=first["height_u_mm"],
            samples=samples,
            samples_lost=int((np.diff(samples["seq"]) - 1).sum()),
            session_id=session_id,
            calibration_id=first["calibration_id"],
            boot_id=first["boot_id"],
            zero_counts=first["zero_counts"],
            note=f"the capture {UNCLOSED}",
        ),
    )
