"""Strokes as the book takes them: the running one piece by piece, and one that ended whole."""

from __future__ import annotations

from typing import Any

import numpy as np
from msgspec.structs import asdict
from numpy.typing import NDArray

from coilbench.capture.book.calibrations import CalibrationRecord
from coilbench.capture.book.connection import Database
from coilbench.capture.book.notes import note_of
from coilbench.capture.book.sessions import CaptureRun
from coilbench.capture.book.sweeps import NewSweep, store_sweep
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.running.turn_taking import TurnTaking
from coilbench.capture.strokes.judging import Turn, Verdict
from coilbench.capture.strokes.shape import Stroke
from coilbench.capture.strokes.stored import reduced_curve
from coilbench.capture.strokes.sweep import Origin, apply


def of_spring(turns: TurnTaking, turn: Turn, calibration: CalibrationRecord) -> dict[str, Any]:
    """Return what a stroke is of, and what it is read by, as fields of NewSweep."""
    return {
        "spring_id": turns.spring_id(turn.label),
        "purpose": turn.purpose,
        "calibration_id": calibration.calibration_id,
        **asdict(calibration.calibration.uncertainty),
    }


class Chunks:
    """Stores what is new of the running stroke: what a power cut leaves of it.

    Used by the thread that owns the book.
    """

    def __init__(self, run: CaptureRun) -> None:
        self._run = run
        self._stored = 0
        self._safe_seq: int | None = None

    def store(self, samples: NDArray[np.void], known: dict[str, Any]) -> None:
        """Store what is new of the stroke's samples, all so far, with what is known of it."""
        if self._safe_seq is not None:
            samples = samples[np.searchsorted(samples["seq"], self._safe_seq, side="right") :]
        if samples.shape[0] == 0:
            return
        self._run.store_chunk(self._stored, samples, known)
        self._stored += 1
        self._safe_seq = int(samples["seq"][-1])

    def forget(self) -> None:
        """The stroke is stored whole, or is none."""
        if self._stored:
            self._run.drop_chunks()
        self._stored, self._safe_seq = 0, None


def store_whole(
    db: Database, stroke: Stroke, verdict: Verdict, calibration: Calibration, known: dict[str, Any]
) -> str:
    """Store a stroke that has ended; returns its sweep's id.

    Args:
        known: what it is of, and how it was captured, as fields of NewSweep.
    """
    new = NewSweep(
        **known,
        origin=Origin.RIG,
        status=verdict.status,
        counted=verdict.counted,
        rows=reduced_curve(apply(calibration, stroke.raw, stroke.zero_counts)),
        samples=stroke.raw.samples,
        samples_lost=verdict.samples_lost,
        note=note_of(verdict.findings),
    )
    return store_sweep(db, new)
