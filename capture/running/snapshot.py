"""What a capture looks like at one moment: the one shape that every view reads. Pure.

How the link is: counters over all connections, rate, age of the newest sample. Pure.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, replace
from typing import Any

from coilbench.capture.blocks import RawBlock
from coilbench.capture.messages import LinkCounters

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


QUIET_S = 2.0  # silence this long is said
RATE_SPAN_S = 3.0


class LinkHealth:
    """Keeps how the link is doing; every counter only grows, over reconnects too."""

    def __init__(self) -> None:
        self._earlier = LinkCounters()  # of connections that are gone
        self._present = LinkCounters()
        self._up = False
        self._waiting_since_s = 0.0  # the newest sample, or when the link came up
        self._heard_s: float | None = None
        self._quiet_told = False
        self._recent: deque[tuple[int, int]] = deque()  # (t_us, samples) of the newest blocks
        self._last_seq: int | None = None

    @property
    def counters(self) -> LinkCounters:
        """The counters of all connections together."""
        return added(self._earlier, self._present)

    @property
    def last_seq(self) -> int | None:
        """The number of the newest sample; None before the first."""
        return self._last_seq

    def up(self, now_s: float) -> None:
        """The link came up."""
        self._up, self._waiting_since_s, self._quiet_told = True, now_s, False
        self._recent.clear()

    def down(self) -> None:
        """The link went down: its counters are kept."""
        self._up = False
        self._earlier, self._present = self.counters, LinkCounters()

    def count(self, counters: LinkCounters) -> None:
        """Take the counters of the present connection."""
        self._present = counters

    def heard(self, block: RawBlock, now_s: float) -> None:
        """Take note of samples."""
        if len(block) == 0:
            return
        self._heard_s = self._waiting_since_s = now_s
        self._quiet_told = False
        self._last_seq = int(block.samples["seq"][-1])
        newest_us = int(block.samples["t_us"][-1])
        if self._recent and newest_us < self._recent[-1][0]:
            self._recent.clear()
        self._recent.append((newest_us, len(block)))
        while newest_us - self._recent[0][0] > RATE_SPAN_S * 1e6:
            self._recent.popleft()

    def age_s(self, now_s: float) -> float | None:
        """Return the age of the newest sample; None before the first."""
        return None if self._heard_s is None else now_s - self._heard_s

    def fell_quiet(self, now_s: float) -> float | None:
        """Return how long a link that is up has been silent, once for each silence, else None."""
        quiet_s = now_s - self._waiting_since_s
        if not self._up or self._quiet_told or quiet_s <= QUIET_S:
            return None
        self._quiet_told = True
        return quiet_s

    def rate_hz(self) -> float:
        """Return samples a second over the last seconds, by the rig's clock."""
        if len(self._recent) < 2:
            return 0.0
        span_us = self._recent[-1][0] - self._recent[0][0]
        samples = sum(count for _, count in self._recent) - self._recent[0][1]
        return samples / (span_us * 1e-6) if span_us > 0 else 0.0


def added(one: LinkCounters, other: LinkCounters) -> LinkCounters:
    """Return the sums of two sets of counters."""
    names = [field.name for field in fields(LinkCounters)]
    return LinkCounters(**{name: getattr(one, name) + getattr(other, name) for name in names})
