"""Sessions in the book: one run of a capture, its health, and the stroke that is under way.

After a crash: turn the chunks of an unfinished stroke into a sweep that says so.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlite_utils import Database

from coilbench.capture.blocks import RawBlock
from coilbench.capture.book.calibrations import calibration_by_id
from coilbench.capture.book.rows import insert, new_id, utc_now, writing
from coilbench.capture.book.sweeps import NewSweep, store_sweep
from coilbench.capture.calibration.model import InstrumentUncertainty, apply
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import Snapshot
from coilbench.capture.strokes import stored as sample_blob
from coilbench.capture.strokes.judging import Purpose
from coilbench.capture.strokes.stored import reduced_curve
from coilbench.capture.strokes.sweep import Origin, SweepStatus


@dataclass(frozen=True)
class ChunkOwner:
    """Whose stroke a chunk belongs to, and how to read it; enough to rescue it after a crash."""

    spring_id: str
    purpose: Purpose
    calibration_id: str
    boot_id: int | None
    zero_counts: float | None
    instrument: InstrumentUncertainty


def start_session(
    db: Database, set_id: str, source_url: str, device_id: str | None, firmware: str | None
) -> str:
    """Register a run of the capture; returns its id."""
    session_id = new_id()
    now = utc_now()
    with writing(db):
        insert(
            db,
            "sessions",
            {
                "id": session_id,
                "set_id": set_id,
                "source_url": source_url,
                "device_id": device_id,
                "firmware": firmware,
                "started_utc": now,
                "seen_utc": now,
                "ended_utc": None,
                "ended_reason": None,
                "samples": 0,
                "samples_lost": 0,
                "lines_bad": 0,
                "restarts": 0,
                "live_json": None,
            },
        )
    return session_id


def update_session(db: Database, session_id: str, snapshot: Snapshot) -> None:
    """Store how the capture stands."""
    with writing(db):
        db.table("sessions").update(
            session_id,
            {
                "seen_utc": utc_now(),
                "samples": snapshot.samples,
                "samples_lost": snapshot.samples_lost,
                "lines_bad": snapshot.lines_bad,
                "restarts": snapshot.restarts,
                "live_json": json.dumps(snapshot.to_document(), allow_nan=False),
            },
        )


def end_session(db: Database, session_id: str, reason: str) -> None:
    """Close a run of the capture."""
    with writing(db):
        db.table("sessions").update(session_id, {"ended_utc": utc_now(), "ended_reason": reason})


def store_chunk(
    db: Database,
    session_id: str,
    chunk: int,
    owner: ChunkOwner,
    samples: NDArray[np.void],
) -> None:
    """Put a second of the running stroke in safety."""
    blob_format, blob = sample_blob.pack(samples)
    with writing(db):
        insert(
            db,
            "stroke_chunks",
            {
                "session_id": session_id,
                "chunk": chunk,
                "spring_id": owner.spring_id,
                "purpose": owner.purpose.value,
                "calibration_id": owner.calibration_id,
                "boot_id": owner.boot_id,
                "zero_counts": owner.zero_counts,
                "load_u_n": owner.instrument.load_u_n,
                "load_u_relative": owner.instrument.load_u_relative,
                "height_u_mm": owner.instrument.height_u_mm,
                "samples_format": blob_format,
                "samples_blob": blob,
            },
        )


def drop_chunks(db: Database, session_id: str) -> None:
    """Forget the running stroke's chunks: it is stored as a sweep, or was none."""
    with writing(db):
        db.execute("DELETE FROM stroke_chunks WHERE session_id = ?", [session_id])


def live_session(db: Database) -> tuple[str, Snapshot] | None:
    """Return (seen_utc, snapshot) of the capture that is running on this book, or None."""
    row = db.execute(
        "SELECT seen_utc, live_json FROM sessions"
        " WHERE ended_utc IS NULL AND live_json IS NOT NULL ORDER BY seen_utc DESC LIMIT 1"
    ).fetchone()
    return None if row is None else (row[0], Snapshot.from_document(json.loads(row[1])))


def last_end(db: Database) -> str | None:
    """Return why the newest capture ended; None where it runs, or there was none."""
    row = db.execute("SELECT ended_reason FROM sessions ORDER BY rowid DESC LIMIT 1").fetchone()
    return None if row is None else row[0]


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
