"""What a capture is asked to do."""

from __future__ import annotations

from pathlib import Path

import msgspec

from coilbench.capture.book.sets import SetRecord
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.judging import NEAR_SOLID_MM


class CaptureRequest(msgspec.Struct, frozen=True):
    """What to capture into where.

    Attributes:
        reach_height_mm: every stroke must be pressed down to this height; None: not checked.
        linger_s: how long a set that is done is held open, so that its last stroke can be redone.
    """

    book: Path
    set_name: str
    url: str
    reach_height_mm: float | None = None
    linger_s: float = 0.0

    def refuse_solid(self, record: SetRecord) -> None:
        """Raise CoilbenchError where strokes are asked for down to where the coils touch."""
        reach_mm, solid_mm = self.reach_height_mm, record.highest_solid_mm
        if reach_mm is None or solid_mm is None or reach_mm - solid_mm >= NEAR_SOLID_MM:
            return
        raise CoilbenchError(
            "strokes down to {reach_mm} would press springs to their solid height of {solid_mm}",
            where=f"set {record.name}",
            hint="Stop at {least_mm} or higher with --down-to",
            reach_mm=reach_mm,
            solid_mm=solid_mm,
            least_mm=solid_mm + NEAR_SOLID_MM,
        )
