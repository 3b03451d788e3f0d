"""What lies on the cell with nothing pressed: a little counts as 0, more is no load of a spring."""

from __future__ import annotations

from collections.abc import Iterator

from coilbench.capture.blocks import Finding
from coilbench.capture.running.commands import Event
from coilbench.capture.running.kinds import EventKind
from coilbench.capture.strokes.finder import Phase, StrokeFinder

# Ours, no source: cups and a guide weigh less than the first, and a good cell drifts by less than
# the second in a day.
MOST_AT_FIRST_N, MOST_MOVED_N = 10.0, 5.0
# So long it must stay within so much: after a press a slow filter's load still comes down.
STEADY_S, STEADY_N = 1.0, 1.0


class ZeroWatch:
    """Compares the finder's zero with the one that was last said, or first seen."""

    def __init__(self) -> None:
        self._told_n: float | None = None
        self._steady: tuple[int, float] | None = None  # since when, and at what

    def look(self, finder: StrokeFinder, now_us: int, *, let_up: bool) -> Iterator[Event]:
        """Yield that the zero moved; to be asked after each piece of the stream.

        Args:
            now_us: the newest sample's time.
            let_up: whether the quill is at its stop, as far as that is known: lower down something
                may be pressed.
        """
        if finder.phase is not Phase.IDLE or not finder.zero_seen or not let_up:
            self._steady = None
            return
        zero_n = finder.zero_n
        if self._steady is None or abs(zero_n - self._steady[1]) > STEADY_N:
            self._steady = now_us, zero_n
        if 0 <= now_us - self._steady[0] < STEADY_S * 1e6:
            return
        if self._told_n is None:
            self._told_n = 0.0 if abs(zero_n) > MOST_AT_FIRST_N else zero_n
        moved_n = zero_n - self._told_n
        if abs(moved_n) > MOST_MOVED_N:
            self._told_n = zero_n
            yield Event.of(EventKind.FAULT, "zero_moved", load_n=zero_n, moved_n=moved_n)


class LyingWatch:
    """Looks for a load that stands while the quill is at its stop.

    Attributes:
        found: that there is one; None where there is none.
    """

    def __init__(self) -> None:
        self.found: Finding | None = None
        self._steady: tuple[int, float] | None = None  # since when, and at what

    def look(
        self, finder: StrokeFinder, on_cell_n: float, now_us: int, *, stands: bool
    ) -> Iterator[Event]:
        """Yield that something lies there, once; to be asked after each piece of the stream.

        Args:
            on_cell_n: the newest load, by the calibration's zero.
            now_us: the newest sample's time.
            stands: whether the quill is surely at its stop, and cups and drift weigh less.
        """
        if not stands or finder.phase is not Phase.TOUCH:
            self.found = self._steady = None
            return
        if self._steady is None or abs(on_cell_n - self._steady[1]) > STEADY_N:
            self._steady = now_us, on_cell_n
        if 0 <= now_us - self._steady[0] < STEADY_S * 1e6:
            return
        known, self.found = self.found, Finding.of("lies_on_cell", load_n=on_cell_n)
        if known is None:
            yield Event(EventKind.FAULT, self.found)
