"""Where the quill rests when it is let up, beside its upper stop. Pure.

The stop is the highest place where a quill that presses nothing ever rests: a hand, or a lock, can
hold it lower, never higher. It comes back there to some hundredths of a millimetre. So

- at its stop, the travel scale has not slipped since it stood there before;
- lower, a hand may hold it as well as the scale have slipped: nothing is known, and to let it up
  is all that it takes to know;
- higher, the scale slipped, or what was taken for the stop was a place where a hand held it. The
  first is to be feared where the quill rested there again and again, as no hand holds it; where it
  did once, it is the one press since that has to show it.

Figures are ours, no source, where none is named.
"""

from __future__ import annotations

from collections import deque
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.calibration.standing import STOP_REPEATS_MM
from coilbench.capture.calibration.statistics import median

STAND_S = 0.35  # so long it stands somewhere
ELSEWHERE_S = 0.4  # so long before that is called another place
STILL_MM = 0.03  # more than this is moving
FEWEST = 3  # samples
_STAND_US = int(STAND_S * 1e6)
AGAIN = 3  # times it rested there: no hand rests so by chance
ALONE_S = 1.0  # so long, or twice, it stands where its stop is taken to be
AWAY_MM = 1.0  # it has left where it stood
SLIPS_MM = 3.0  # farther away it is not let up: more than a scale slips unseen


# Where the quill stands: at its stop, below or above it, or nobody knows. "risen": above what was
# taken for it once; from then on that is taken for it.
_Place = Literal["stop", "low", "high", "risen", "unknown"]


class _Stand(NamedTuple):
    counts: float
    since_us: int


class StopWatch:
    """Feed it all usable samples, and whether nothing is pressed.

    Attributes:
        counts: travel counts at the stop; None where it is not known.
    """

    def __init__(self) -> None:
        self.forget()

    def forget(self, counts: float | None = None, slack_mm: float = 0.0) -> None:
        """The scale counts from another zero; its stop may be known all the same, so well."""
        self.counts, self._slack_mm = counts, slack_mm
        self._unseen = counts is not None and not slack_mm  # known from before
        self._times = 0 if counts is None else AGAIN  # that it came there
        self._seen_counts: float | None = counts  # the newest place where it stood
        self._pieces: deque[tuple[NDArray[np.int64], NDArray[np.float64]]] = deque()
        self._stand: _Stand | None = None
        self._away = True

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
        self._hold(t_us, travel)
        if self._seen_counts is not None and not self._away:
            left_mm = np.abs(travel - self._seen_counts) * abs(per_count_mm)
            self._away = bool(left_mm.max(initial=0.0) > AWAY_MM)
        if not idle or not self._pieces:
            self._stand = None
            return None
        t_us, travel = (np.concatenate(column) for column in zip(*self._pieces, strict=True))
        first = int(t_us.searchsorted(t_us[-1] - _STAND_US, side="right")) - 1
        travel = travel[max(first, 0) :]
        still_counts = max(STILL_MM / abs(per_count_mm), 2.0)
        stands = first >= 0 and travel.size >= FEWEST
        if not stands or travel.max() - travel.min() > still_counts:
            self._stand = None
            return None
        return self._stood(median(travel), int(t_us[-1]), per_count_mm)

    def _hold(self, t_us: NDArray[np.int64], travel: NDArray[np.float64]) -> None:
        """Keep samples, and of those before them what it takes to see where the quill stands."""
        if t_us.size == 0:
            return
        self._pieces.append((t_us, travel))
        while len(self._pieces) > 1 and not 0 <= t_us[-1] - self._pieces[1][0][0] < _STAND_US:
            self._pieces.popleft()

    def _stood(self, counts: float, now_us: int, per_count_mm: float) -> tuple[_Place, float]:
        if self._stand is None:
            self._stand = _Stand(counts, now_us)
        before, self._seen_counts = self._seen_counts, counts
        stood_s = STAND_S + (now_us - self._stand.since_us) * 1e-6
        again = before is not None and self._away and self._near(before, counts, per_count_mm)
        away, self._away = self._away, False
        if self.counts is None and (again or stood_s >= ALONE_S):
            self.counts, self._times = counts, 1 + again
        if self.counts is None:
            return "unknown", 0.0
        off_mm = (counts - self.counts) * per_count_mm
        if abs(off_mm) <= STOP_REPEATS_MM + self._slack_mm:
            if self._slack_mm:  # now it is known better
                self.counts, self._slack_mm = counts, 0.0
            self._times += away
            self._unseen = False
            return "stop", off_mm
        if off_mm > SLIPS_MM and not self._unseen:
            self.counts = None  # what was taken for it was below it
        elif (off_mm >= -SLIPS_MM or self._unseen) and stood_s >= ELSEWHERE_S:
            if off_mm > 0.0 and self._times < AGAIN:
                self.counts, self._slack_mm, self._times = counts, 0.0, 1
                return "risen", off_mm
            return ("high" if off_mm > 0.0 else "low"), off_mm
        return "unknown", off_mm

    @property
    def sure_counts(self) -> float | None:
        """The counts at the stop where it surely is known where that is."""
        return self.counts if self._times >= AGAIN and not self._slack_mm else None

    def elsewhere(self, counts: float, per_count_mm: float) -> bool:
        """Whether its stop is known, and is not at these counts, where it stands on a gauge."""
        return self.counts is not None and (
            abs(self.counts - counts) * abs(per_count_mm) >= AWAY_MM
        )

    def stands(self, travel: NDArray[np.float64], per_count_mm: float) -> bool:
        """Whether its stop is known, and these samples, shape (n,), are all there."""
        if self.counts is None or travel.size == 0:
            return False
        most_counts = STOP_REPEATS_MM / abs(per_count_mm)
        if abs(travel[-1] - self.counts) > most_counts:
            return False  # at once, as most
        return bool(np.abs(travel - self.counts).max() <= most_counts)

    @staticmethod
    def _near(one: float, other: float, per_count_mm: float) -> bool:
        return abs(one - other) * abs(per_count_mm) <= STOP_REPEATS_MM
