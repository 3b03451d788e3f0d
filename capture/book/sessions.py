"""Sessions in the book: one run of a capture, its counters, the stroke under way, and recovery.

After a crash the chunks of an unfinished stroke become a sweep marked as interrupted.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlite_utils import Database

from coilbench.capture.blocks import RawBlock
from coilbench.capture.book.calibrations import find_calibration
from coilbench.capture.book.rows import insert, new_id, utc_now, writing
from coilbench.capture.book.sweeps import NewSweep, store_sweep
from coilbench.capture.calibration.model import InstrumentUncertainty, apply
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes import stored as sample_blob
from coilbench.capture.strokes.judging import Purpose
from coilbench.capture.strokes.stored import reduced_curve
from coilbench.capture.strokes.sweep import Origin, SweepStatus

_FROM_CHUNK = (
    "spring_id",
    "calibration_id",
    "boot_id",
    "zero_counts",
    "load_u_n",
    "load_u_relative",
    "height_u_mm",
)
_COUNTERS = ("samples", "samples_lost", "lines_bad", "restarts")


@dataclass(frozen=True)
class ChunkOwner:
    """The stroke that a chunk belongs to, and how to read it after a crash."""

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
    session_id, now = new_id(), utc_now()
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
                **dict.fromkeys(_COUNTERS, 0),
            },
        )
    return session_id


def update_session(db: Database, session_id: str, live: Mapping[str, Any]) -> None:
    """Store the state of the capture, a snapshot's document with its counters."""
    with writing(db):
        db.table("sessions").update(
            session_id,
            {name: live[name] for name in _COUNTERS}
            | {"seen_utc": utc_now(), "live_json": json.dumps(live, allow_nan=False)},
        )


def end_session(db: Database, session_id: str, reason: str) -> None:
    """End a run of the capture."""
    with writing(db):
        db.table("sessions").update(session_id, {"ended_utc": utc_now(), "ended_reason": reason})


def store_chunk(
    db: Database,
    session_id: str,
    chunk: int,
    owner: ChunkOwner,
    samples: NDArray[np.void],
) -> None:
    """Store a second of the running stroke."""
    blob_format, blob = sample_blob.pack(samples)
    with writing(db):
        insert(
            db,
            "stroke_chunks",
            {
                "session_id": session_id,
                "chunk": chunk,
                **{name: value for name, value in vars(owner).items() if name != "instrument"},
                "purpose": owner.purpose.value,
                **vars(owner.instrument),
                "samples_format": blob_format,
                "samples_blob": blob,
            },
        )


def drop_chunks(db: Database, session_id: str) -> None:
    """Delete the running stroke's chunks: it was stored as a sweep, or was not a stroke."""
    with writing(db):
        db.execute("DELETE FROM stroke_chunks WHERE session_id = ?", [session_id])


def live_session(db: Database) -> tuple[str, dict[str, Any]] | None:
    """Return (seen_utc, snapshot's document) of the capture running on this book, or None."""
    row = db.execute(
        "SELECT seen_utc, live_json FROM sessions"
        " WHERE ended_utc IS NULL AND live_json IS NOT NULL ORDER BY seen_utc DESC LIMIT 1"
    ).fetchone()
    return None if row is None else (row[0], json.loads(row[1]))


def last_end(db: Database) -> str | None:
    """Return why the newest capture ended; None where it is running, or there was none."""
    row = db.execute("SELECT ended_reason FROM sessions ORDER BY rowid DESC LIMIT 1").fetchone()
    return None if row is None else row[0]


UNCLOSED = "ended without closing the book"


def left_over(db: Database) -> bool:
    """Return whether a capture ended without closing this book, or is still running."""
    found = db.execute("SELECT 1 FROM sessions WHERE ended_utc IS NULL LIMIT 1").fetchone()
    return found is not None


def recover(db: Database) -> int:
    """Close what a killed capture left open; returns how many strokes were recovered.

    Call it only while holding the book's lock: a running capture looks the same.
    """
    with writing(db):
        unclosed = [
            row["id"] for row in db.query("SELECT id FROM sessions WHERE ended_utc IS NULL")
        ]
        return sum(_close(db, session_id) for session_id in unclosed)


def _close(db: Database, session_id: str) -> bool:
    """End one session; returns whether a stroke was recovered.

    Chunks that cannot be read stay as they are; the book opens all the same.
    """
    chunks = list(
        db.query("SELECT * FROM stroke_chunks WHERE session_id = ? ORDER BY chunk", [session_id])
    )
    try:
        if chunks:
            _store_recovered(db, session_id, chunks)
    except CoilbenchError as error:
        end_session(db, session_id, f"{UNCLOSED}; its last stroke is left in chunks: {error.what}")
        return False
    drop_chunks(db, session_id)
    end_session(db, session_id, UNCLOSED)
    return bool(chunks)


def _store_recovered(db: Database, session_id: str, chunks: list[dict[str, Any]]) -> None:
    first = chunks[0]
    samples = np.concatenate(
        [sample_blob.unpack(row["samples_format"], row["samples_blob"]) for row in chunks]
    )
    calibration = find_calibration(db, first["calibration_id"]).calibration
    block = apply(calibration, RawBlock(samples, first["boot_id"]), first["zero_counts"])
    store_sweep(
        db,
        NewSweep(
            **{name: first[name] for name in _FROM_CHUNK},
            origin=Origin.RIG,
            status=SweepStatus.INTERRUPTED,
            purpose=Purpose(first["purpose"]),
            counted=False,
            rows=reduced_curve(block),
            samples=samples,
            samples_lost=int((np.diff(samples["seq"]) - 1).sum()),
            session_id=session_id,
            note=f"the capture {UNCLOSED}",
        ),
    )
