"""Where the quill rests when it is let up: that it rests elsewhere shows that the scale slipped.

Pure. A drill press's quill comes back to its upper stop to some hundredths of a millimetre. A stop
is known once the quill stood there for a second, or came there twice; elsewhere it may have been
held by a hand. Figures are ours, no source, where none is named.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.calibration.standing import STOP_REPEATS_MM
from coilbench.capture.calibration.statistics import median

STAND_S = 0.35  # so long it stands somewhere
MOVED_S = 0.4  # so long before that is called another place
STILL_MM = 0.03  # more than this is moving
FEWEST = 3  # samples
_STAND_US = int(STAND_S * 1e6)
ALONE_S = 1.0  # so long no hand holds it so still
AWAY_MM = 1.0  # it has left where it stood
SLIPS_MM = 3.0  # farther away it is not let up: more than a scale slips unseen


# Where the quill stands: at its stop, near it, or nobody knows.
_Place = Literal["stop", "moved", "unknown"]


class _Stand(NamedTuple):
    counts: float
    since_us: int


class StopWatch:
    """Feed it all usable samples, and whether nothing is pressed.

    Attributes:
        counts: travel counts at the stop; None where it is not known.
        seen_counts: the newest place where it stood, known as its stop or not.
    """

    def __init__(self) -> None:
        self.forget()

    def forget(self, counts: float | None = None) -> None:
        """The scale counts from another zero; its stop may be known all the same."""
        self.counts = self.seen_counts = counts
        self._t_us = np.empty(0, np.int64)
        self._travel = np.empty(0)
        self._stand: _Stand | None = None
        self._away = True

    def take_as_stop(self) -> None:
        """A person said that the scale did not slip: the stop is where the quill stands now."""
        self.counts = self.seen_counts

    def look(
        self,
        t_us: NDArray[np.int64],
        travel: NDArray[np.float64],
        per_count_mm: float,
        *,
        idle: bool,
    ) -> tuple[_Place, float] | None:
        """Take samples, shape (n,); return where the quill stands, and how far from its stop, mm.

        None while it moves or presses. Heights grow with `per_count_mm`, which may be below 0.
        """
        self._t_us = np.concatenate([self._t_us, t_us])
        self._travel = np.concatenate([self._travel, travel])
        if self._t_us.size == 0:
            return None
        if self.seen_counts is not None:
            left_mm = np.abs(travel - self.seen_counts) * abs(per_count_mm)
            self._away |= bool(left_mm.max(initial=0.0) > AWAY_MM)
        first = int(self._t_us.searchsorted(self._t_us[-1] - _STAND_US, side="right")) - 1
        self._t_us, self._travel = self._t_us[max(first, 0) :], self._travel[max(first, 0) :]
        still_counts = max(STILL_MM / abs(per_count_mm), 2.0)
        stands = first >= 0 and self._t_us.size >= FEWEST
        stands = stands and self._travel.max() - self._travel.min() <= still_counts
        if not idle or not stands:
            self._stand = None
            return None
        return self._stood(median(self._travel), int(self._t_us[-1]), per_count_mm)

    def _stood(self, counts: float, now_us: int, per_count_mm: float) -> tuple[_Place, float]:
        if self._stand is None:
            self._stand = _Stand(counts, now_us)
        before, self.seen_counts = self.seen_counts, counts
        stood_s = STAND_S + (now_us - self._stand.since_us) * 1e-6
        if self.counts is None:
            alone = stood_s >= ALONE_S
            again = before is not None and self._away and self._near(before, counts, per_count_mm)
            self.counts = counts if alone or again else None
        self._away = False
        if self.counts is None:
            return "unknown", 0.0
        moved_mm = (counts - self.counts) * per_count_mm
        if abs(moved_mm) <= STOP_REPEATS_MM:
            return "stop", moved_mm
        if abs(moved_mm) <= SLIPS_MM:
            return ("moved" if stood_s >= MOVED_S else "unknown"), moved_mm
        if moved_mm > 0.0:  # what was known was below it
            self.counts = None
        return "unknown", moved_mm

    def elsewhere(self, counts: float, per_count_mm: float) -> bool:
        """Whether its stop is known, and is not at these counts, where it stands on a gauge."""
        return self.counts is not None and (
            abs(self.counts - counts) * abs(per_count_mm) >= AWAY_MM
        )

    def stands(self, travel: NDArray[np.float64], per_count_mm: float) -> bool:
        """Whether its stop is known, and these samples, shape (n,), are all there."""
        if self.counts is None or travel.size == 0:
            return False
        off_mm = np.abs(travel - self.counts) * abs(per_count_mm)
        return bool(off_mm.max() <= STOP_REPEATS_MM)

    @staticmethod
    def _near(one: float, other: float, per_count_mm: float) -> bool:
        return abs(one - other) * abs(per_count_mm) <= STOP_REPEATS_MM
