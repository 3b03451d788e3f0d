"""What a capture looks like at one moment: the one shape that every view reads. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from typing import Any


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
        phase: where in a stroke the stream is.
        turn: the stroke wanted next in words; None when the set is done.
        label: whose turn it is; None when the set is done.
        springs_done, springs: how far the set is.
        event: the last thing that happened, in words.
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
    phase: str = "idle"
    turn: str | None = None
    label: str | None = None
    springs_done: int = 0
    springs: int = 0
    event: str = ""
    curve: tuple[tuple[float, float], ...] = ()

    def to_document(self) -> dict[str, Any]:
        """Return it as plain values for JSON."""
        return asdict(self)

    @classmethod
    def from_document(cls, document: Mapping[str, Any]) -> Snapshot:
        """Return the snapshot that to_document wrote; unknown keys are left out."""
        known = {field.name for field in fields(cls)}
        values = {key: value for key, value in document.items() if key in known}
        values["curve"] = tuple((float(h), float(n)) for h, n in values.get("curve", ()))
        return cls(**values)
