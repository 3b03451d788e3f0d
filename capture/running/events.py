"""What the person at the press should know: one event a thing that happened. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class EventKind(StrEnum):
    """What sort of thing happened."""

    KEPT = "kept"
    REFUSED = "refused"
    REDO = "redo"
    TURN = "turn"  # another spring's turn than before, because someone asked
    RESCUED = "rescued"
    FAULT = "fault"
    LINK = "link"
    DONE = "done"


@dataclass(frozen=True)
class Event:
    """Something the person at the press should know, in words."""

    kind: EventKind
    words: str
