"""When the terminal's bell rings, and in which rhythm. Pure.

A terminal's bell has one tone: number and pace tell what it rings for, without a look.
"""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING

from coilbench.capture.running.kinds import COUNTS, EventKind

if TYPE_CHECKING:
    from coilbench.capture.running.commands import Event, Snapshot

QUICK_S, SLOW_S = 0.25, 0.75


class Sound(IntEnum):
    """What is rung for; the higher is the more urgent."""

    KEPT = 1
    CHANGE = 2
    DONE = 3
    TROUBLE = 4
    QUESTION = 5
    STOP = 6


# Of each sound: when its rings come, in seconds from its first. STOP goes on, QUICK_S apart.
_RINGS = {
    Sound.KEPT: (0.0,),
    Sound.CHANGE: (0.0, SLOW_S),
    Sound.DONE: (0.0, SLOW_S, 2 * SLOW_S),
    Sound.TROUBLE: (0.0, QUICK_S, QUICK_S + SLOW_S, 2 * QUICK_S + SLOW_S),
    Sound.QUESTION: (0.0, SLOW_S, SLOW_S + QUICK_S),
}
RHYTHMS = (
    "1 ring: the press is kept, press the same spring again; 2 slow rings: the spring is done, "
    "change it; 3 slow rings: the set is done; 2 quick pairs: look at the screen (a press refused, "
    "a fault, the link lost); 1 ring and a quick pair: a question, or a press that waits for what "
    "the screen says; quick rings without end: STOP, until the load falls"
)
_TROUBLE = (EventKind.REFUSED, EventKind.FAULT)
_QUESTION = (EventKind.QUESTION, EventKind.WAITS)
_LOSSES = ("link_lost", "no_sample")


class Bell:
    """Rings for what is new. What had happened before it was first asked is not rung; STOP is."""

    def __init__(self) -> None:
        self._heard: int | None = None
        self._playing = Sound.KEPT
        self._due_s: list[float] = []
        self._stopping = False
        self._rang_s: float | None = None

    def rings(self, snapshot: Snapshot, *, stop: bool, now_s: float) -> bool:
        """Tell whether to ring now; to be asked several times a second.

        Args:
            stop: whether the press must stop.
            now_s: any steady clock.
        """
        # a load that is not known has not fallen
        self._stopping = stop or (self._stopping and snapshot.load_n is None)
        self._begin(self._newest(snapshot), now_s)
        if self._stopping:
            due = self._rang_s is None or now_s - self._rang_s >= QUICK_S
        else:
            due = bool(self._due_s) and now_s >= self._due_s[0]
            self._due_s = self._due_s[due:]
        if due:
            self._rang_s = now_s
        return due

    def _newest(self, snapshot: Snapshot) -> Sound | None:
        newest = snapshot.newest_event
        heard, self._heard = self._heard, newest
        if heard is None or newest < heard:  # the first look, or another capture
            return None
        new = (sound_of(event) for number, event in snapshot.events if number > heard)
        return max((sound for sound in new if sound is not None), default=None)

    def _begin(self, sound: Sound | None, now_s: float) -> None:
        """Ring for something new; what rings already goes on where that is more urgent."""
        if sound is None or (self._due_s and sound < self._playing):
            return
        self._playing = sound
        self._due_s = [now_s + after_s for after_s in _RINGS[sound]]


def sound_of(event: Event) -> Sound | None:
    """Return what an event rings for; None where it rings for nothing."""
    if event.kind in _TROUBLE or event.what.kind in _LOSSES:
        return Sound.TROUBLE
    if event.kind in _QUESTION:
        return Sound.QUESTION
    if event.kind is EventKind.DONE:
        return Sound.DONE
    if event.kind is not EventKind.KEPT and event.what.kind not in COUNTS:
        return None
    return Sound.KEPT if event.what.facts.get("next_label") is None else Sound.CHANGE
