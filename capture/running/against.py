"""What stands against the heights by which presses count all the same."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from typing import Any

from msgspec.structs import replace

from coilbench.capture.blocks import Finding
from coilbench.capture.strokes.judging import Verdict

SAID = "heights_said"  # counts by a person's word


class Against:
    """Keeps it, until a datum is set or a press bears heights out.

    Used by the thread that owns the book.
    """

    def __init__(self, found: tuple[Finding, ...]) -> None:
        self.found = found

    def __iter__(self) -> Iterator[Finding]:
        return iter(self.found)

    def set_aside(self, why: Mapping[str, Any]) -> Finding:
        """A person said that heights are right in spite of this; returns what then stands."""
        word = Finding(SAID, {"why": why})
        self.found = (*self.found, word)
        return word

    def was_lower(self, high: Finding) -> Finding:
        """The quill's stop was lower at first; returns what then stands."""
        lower = Finding("stop_was_lower", high.facts)
        self.found = (*(one for one in self.found if one.kind != lower.kind), lower)
        return lower

    def bear_out(self, but: Collection[Finding]) -> None:
        """Nothing stands any more but these."""
        self.found = tuple(one for one in self.found if one in but)

    def noted(self, verdict: Verdict) -> Verdict:
        """Return a verdict on a press with what stands against its heights, where it counts."""
        more = [one for one in self.found if one not in verdict.findings]
        if not verdict.counted or not more:
            return verdict
        return replace(verdict, findings=(*verdict.findings, *more))
