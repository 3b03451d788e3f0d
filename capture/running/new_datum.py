"""A datum that was read on a gauge, beside the one that stands. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from coilbench.capture.blocks import Finding
from coilbench.capture.book.notes import AS_CLOSED
from coilbench.capture.calibration.model import NewPart
from coilbench.capture.strokes.pressed_again import same_shift


class NewDatum(NamedTuple):
    """A datum that was read on a gauge.

    Attributes:
        moved_mm: how much higher heights are by it than by the one that stands, at the gauge, or
            stood before the rig started again, by the quill's stop.
        u_mm: expanded uncertainty of that, k = 2.
        both None where nothing tells.
        by_stop: whether the quill's stop tells it, after a restart.
        presses: of the set that count by the one that stands: it asks them back.
        as_closed: whether a closing press was found to lie elsewhere by just as much.
    """

    part: NewPart
    length_mm: float
    moved_mm: float | None
    u_mm: float | None
    by_stop: bool = False
    presses: int = 0
    as_closed: bool = False

    @property
    def differs(self) -> bool:
        """Whether it contradicts the one that stands."""
        if self.moved_mm is None or self.u_mm is None:
            return False
        return abs(self.moved_mm) > self.u_mm

    @property
    def contradiction(self) -> Finding:
        """That it contradicts."""
        return Finding("datum_differs", self.facts | {"by_stop": self.by_stop})

    @property
    def question(self) -> Finding:
        """Whether the gauge's length is right, where it contradicts; a yes asks presses back."""
        return Finding("datum_differs", {**self.contradiction.facts, "presses": self.presses})

    def beside(self, closing: Mapping[str, Any], travel_part_id: str) -> NewDatum:
        """Return it beside a closing press that differed, by the datum that stands."""
        if self.moved_mm is None or self.u_mm is None or self.by_stop:
            return self
        apart = closing["moved_mm"], closing["u_mm"]
        if not same_shift(*apart, self.moved_mm, self.u_mm):
            return self
        return self._replace(as_closed=True).noted(AS_CLOSED, before=travel_part_id)

    def noted(self, what: str, **more: str) -> NewDatum:
        """Return it with that said of how it compares."""
        compared = Finding.of(what, moved_mm=self.moved_mm, allowed_mm=self.u_mm, **more)
        return self._replace(part=self.part.noted(compared))

    @property
    def facts(self) -> dict[str, float | None]:
        """It as facts of a finding."""
        return {"height_mm": self.length_mm, "moved_mm": self.moved_mm, "u_mm": self.u_mm}
