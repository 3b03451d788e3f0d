"""When the terminal's bell rings: once for accepted, twice for refused. Pure."""

from __future__ import annotations

from coilbench.capture.running.snapshot import Snapshot

_RINGS = {"kept": 1, "refused": 2, "fault": 2, "done": 3}


class Bell:
    """Counts the rings that new events ask for; what had happened before it looked is not rung."""

    def __init__(self) -> None:
        self._heard: int | None = None

    def rings(self, snapshot: Snapshot) -> int:
        """Return how often to ring for what is new: the most that one of the events asks for."""
        newest = snapshot.events[-1][0] if snapshot.events else 0
        heard, self._heard = self._heard, newest
        if heard is None or newest < heard:  # the first look, or another capture
            return 0
        new = (kind for number, kind, _ in snapshot.events if number > heard)
        return max((_RINGS.get(kind, 0) for kind in new), default=0)
