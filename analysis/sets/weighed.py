"""A reading just typed, weighed beside what the book holds. Pure."""

from __future__ import annotations

import msgspec

from coilbench.analysis.sets.slips import Slip
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.keyed import KeyedReading


class Weighed(msgspec.Struct, frozen=True):
    """What a reading looks like beside what the book holds.

    Attributes:
        found: what makes it doubtful.
        refusal: why it cannot be stored at all, as its height or load is impossible.
        meant: what was probably meant, of which nothing would be asked; None where unknown.
        earlier: the spring's own reading without which nothing would be asked, of several the one
            farthest from the other springs; None where there is none.
    """

    reading: KeyedReading
    found: tuple[Slip, ...] = ()
    refusal: CoilbenchError | None = None
    meant: KeyedReading | None = None
    earlier: str | None = None

    @property
    def sound(self) -> bool:
        """Whether there is nothing to ask."""
        return not self.found and self.refusal is None

    @property
    def wrong_beside(self) -> str | None:
        """The name of the reading that cannot be right beside it; None where there is none."""
        return next((one.other.name for one in self.found if one.other is not None), None)

    @property
    def may_be_wrong(self) -> str | None:
        """The name of an earlier reading that may be the wrong one of the two; None without."""
        return self.wrong_beside or self.earlier
