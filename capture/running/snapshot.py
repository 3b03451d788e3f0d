"""What a capture looks like at one moment: the one shape that every view reads. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

EVENTS_KEPT = 8


@dataclass(frozen=True)
class Snapshot:
    """State of a running capture.

    Attributes:
        set_name: the set being pressed.
        source: the source's address.
        link: `waiting`, `up` or `lost`.
        link_words: the same in a sentence.
        rate_hz: samples a second over the last seconds.
        samples, samples_lost, lines_bad, restarts: grow only, since the capture began.
        sample_age_s: age of the newest sample when the snapshot was taken; None before the first.
        load_n, height_mm: newest values; None before the first sample.
        free_length_mm: the height above which the spring is free, roughly: the set's, else where
            the quill touched it; None where neither is known.
        reach_height_mm: what every stroke must be pressed down to; None where nothing was said.
        phase: where in a stroke the stream is.
        turn: the stroke wanted next in words; None when the set is done.
        label: whose turn it is; None when the set is done.
        ends_in_s: when a set that is done ends by itself; None before.
        springs_done, springs: how far the set is.
        events: the last things that happened, (number, kind, words), the latest last; numbers rise
            by one, so that a screen knows what is new to it.
        curve: the running stroke as (height_mm, load_n) pairs, thinned for a screen.
    """

    set_name: str
    source: str
    link: str = "waiting"
    link_words: str = "waiting for the rig"
    rate_hz: float = 0.0
    samples: int = 0
    samples_lost: int = 0
    lines_bad: int = 0
    restarts: int = 0
    sample_age_s: float | None = None
    load_n: float | None = None
    height_mm: float | None = None
    free_length_mm: float | None = None
    reach_height_mm: float | None = None
    phase: str = "idle"
    turn: str | None = None
    label: str | None = None
    springs_done: int = 0
    springs: int = 0
    ends_in_s: float | None = None
    events: tuple[tuple[int, str, str], ...] = ()
    curve: tuple[tuple[float, float], ...] = ()

    @property
    def depth_mm(self) -> float | None:
        """How far the spring is pressed; None where its free length is not known."""
        if self.height_mm is None or self.free_length_mm is None:
            return None
        return max(0.0, self.free_length_mm - self.height_mm)

    @property
    def event(self) -> str:
        """The last thing that happened, in words."""
        return self.events[-1][2] if self.events else ""

    def after(self, kind: str, words: str) -> Snapshot:
        """Return the snapshot after one more thing has happened."""
        number = self.events[-1][0] + 1 if self.events else 1
        return replace(self, events=(*self.events, (number, kind, words))[-EVENTS_KEPT:])

    def to_document(self) -> dict[str, Any]:
        """Return it as plain values for JSON."""
        return asdict(self)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Snapshot:
        """Return the snapshot that to_document wrote; unknown keys are left out."""
        known = {field.name for field in fields(cls)}
        values = {key: value for key, value in document.items() if key in known}
        values["curve"] = tuple((float(h), float(n)) for h, n in values.get("curve", ()))
        values["events"] = tuple((int(n), str(k), str(w)) for n, k, w in values.get("events", ()))
        return cls(**values)
