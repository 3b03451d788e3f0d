"""How the link is: counters over all connections, rate, age of the newest sample. Pure."""

from __future__ import annotations

from collections import deque
from dataclasses import fields

from coilbench.capture.blocks import RawBlock
from coilbench.capture.messages import LinkCounters

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
