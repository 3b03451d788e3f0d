"""Strokes as the book takes them: the running one piece by piece, and one that ended whole."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from msgspec.structs import asdict
from numpy.typing import NDArray

from coilbench.capture.blocks import Finding
from coilbench.capture.book.calibrations import CalibrationRecord
from coilbench.capture.book.connection import Database
from coilbench.capture.book.counting import let_wait
from coilbench.capture.book.notes import note_of
from coilbench.capture.book.sessions import CaptureRun
from coilbench.capture.book.sweeps import NewSweep, store_sweep
from coilbench.capture.running.turn_taking import TurnTaking
from coilbench.capture.strokes.judging import Turn, Verdict
from coilbench.capture.strokes.shape import Stroke
from coilbench.capture.strokes.stored import CurveRow, reduced_curve
from coilbench.capture.strokes.sweep import Origin, apply


class StoredStrokes:
    """Stores strokes: what is new of the running one, which a power cut leaves, and each whole.

    Used by the thread that owns the book.

    Args:
        keep: takes the id and the curve of a whole one.
    """

    def __init__(
        self,
        db: Database,
        run: CaptureRun,
        turns: TurnTaking,
        keep: Callable[[str, list[CurveRow]], None],
    ) -> None:
        self._db, self._run, self._turns, self._keep = db, run, turns, keep
        self._pieces = 0
        self._safe_seq: int | None = None

    def store_new(
        self, samples: NDArray[np.void], turn: Turn, calibration: CalibrationRecord, **known: Any
    ) -> None:
        """Store what is new of the running stroke's samples, all so far.

        Args:
            known: how it is captured, as fields of NewSweep.
        """
        if self._safe_seq is not None:
            samples = samples[np.searchsorted(samples["seq"], self._safe_seq, side="right") :]
        if samples.shape[0] == 0:
            return
        known = self._read_by(turn, calibration) | known
        self._run.store_chunk(self._pieces, samples, known)
        self._pieces += 1
        self._safe_seq = int(samples["seq"][-1])

    def forget(self) -> None:
        """The running stroke is stored whole, or is none."""
        if self._pieces:
            self._run.drop_chunks()
        self._pieces, self._safe_seq = 0, None

    def store_whole(
        self,
        stroke: Stroke,
        verdict: Verdict,
        turn: Turn,
        calibration: CalibrationRecord,
        unseen: Finding | None,
        **known: Any,
    ) -> str:
        """Store a stroke that has ended; returns its sweep's id.

        To be called in a transaction.

        Args:
            unseen: that the quill is not seen at its stop; what counts waits for that then.
            known: how it was captured, as fields of NewSweep.
        """
        rows = reduced_curve(apply(calibration.calibration, stroke.raw, stroke.zero_counts))
        new = NewSweep(
            **self._read_by(turn, calibration),
            **known,
            boot_id=stroke.raw.boot_id,
            zero_counts=stroke.zero_counts,
            origin=Origin.RIG,
            status=verdict.status,
            counted=verdict.counted,
            rows=rows,
            samples=stroke.raw.samples,
            samples_lost=verdict.samples_lost,
            note=note_of(verdict.findings),
        )
        sweep_id = store_sweep(self._db, new)
        self._keep(sweep_id, rows)
        if new.counted and unseen is not None:
            let_wait(self._db, sweep_id, unseen)
        self.forget()
        return sweep_id

    def _read_by(self, turn: Turn, calibration: CalibrationRecord) -> dict[str, Any]:
        """Return what a stroke is of, and what it is read by, as fields of NewSweep."""
        return {
            "spring_id": self._turns.spring_id(turn.label),
            "purpose": turn.purpose,
            "calibration_id": calibration.calibration_id,
            **asdict(calibration.calibration.uncertainty),
        }
