"""That what lies on the cell with nothing pressed has changed: it is said, as it counts as 0."""

from __future__ import annotations

from collections.abc import Iterator

from coilbench.capture.running.commands import Event
from coilbench.capture.running.kinds import EventKind
from coilbench.capture.strokes.finder import Phase, StrokeFinder

# Ours, no source: cups and a guide weigh less than the first, and a good cell drifts by less than
# the second in a day.
MOST_AT_FIRST_N, MOST_MOVED_N = 10.0, 5.0


class ZeroWatch:
    """Compares the finder's zero with the one that was last said, or first seen."""

    def __init__(self) -> None:
        self._told_n: float | None = None

    def look(self, finder: StrokeFinder) -> Iterator[Event]:
        """Yield that the zero moved; to be asked after each piece of the stream."""
        if finder.phase is not Phase.IDLE or not finder.zero_seen:
            return
        zero_n = finder.zero_n
        if self._told_n is None:
            self._told_n = 0.0 if abs(zero_n) > MOST_AT_FIRST_N else zero_n
        moved_n = zero_n - self._told_n
        if abs(moved_n) > MOST_MOVED_N:
            self._told_n = zero_n
            yield Event.of(EventKind.FAULT, "zero_moved", load_n=zero_n, moved_n=moved_n)
