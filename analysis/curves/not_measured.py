"""That a load was asked for at a height outside what was measured. Pure."""

from __future__ import annotations

import msgspec
from msgspec.structs import asdict

from coilbench.capture.errors import CoilbenchError


class NotMeasured(msgspec.Struct, frozen=True):
    """A height outside what was measured; with the load to which the flex is known, if that is why.

    Attributes:
        lowest_mm, highest_mm: between which the spring was measured.
        other_mm: where it was measured in the other branch alone, so that no rate joins both.
    """

    spring: str
    height_mm: float
    lowest_mm: float
    highest_mm: float
    reach_n: float | None
    other_mm: float | None = None


class HeightNotMeasured(CoilbenchError):
    """The height lies outside what was measured; a curve is never extended."""

    def __init__(self, finding: NotMeasured) -> None:
        self.finding = finding
        if finding.reach_n is not None:
            super().__init__(
                "spring {spring} at {height_mm} pushes more than the {reach_n} to which the "
                "press's flex is known",
                hint="Press a solid block as hard as the springs: coilbench rig flex",
                **asdict(finding),
            )
            return
        if finding.other_mm is not None:
            super().__init__(
                "spring {spring} was measured at {height_mm} and at {other_mm} in different "
                "branches alone: no rate joins them",
                hint="Press again, and let go as far as you pressed",
                **asdict(finding),
            )
            return
        super().__init__(
            "spring {spring} was measured from {lowest_mm} to {highest_mm}, not at {height_mm}",
            hint="Ask for a height that was measured, or measure the spring there",
            **asdict(finding),
        )
