"""Whether a reading just typed may be a slip, beside what else its set shows. Pure.

A slip is asked about, never refused: a spring may be broken, or another one. The one thing that no
spring does is push less when it is pressed deeper on the same way; there one of two readings is
wrong, and only the person knows which.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, NamedTuple

import msgspec
import numpy as np

from coilbench.analysis.sets.courses import Course, Held, ReadAt
from coilbench.analysis.sets.foretelling import NOTHING_GIVEN, Foretold, Given, by_rate, foretold
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.keyed import SOLID_KEPT_MM, KeyedReading

# All of these are our choice, no source.
FALL_DEVIATIONS = 2.0  # k = 2: a fall within it may be none


class Slip(msgspec.Struct, frozen=True):
    """What makes a reading doubtful.

    Attributes:
        kind: `falls`: less load than another reading of the spring at less depth, or the reverse;
            `far`: from what is foretold; `near solid`; `strange height`: nothing else is read
            there; `free length`: a depth, of a free length that the loads contradict.
        other: the reading that cannot be right beside it.
        solid_height_mm: where it is near solid.
    """

    kind: Literal["falls", "far", "near solid", "strange height", "free length"]
    read: ReadAt
    foretold: Foretold | None = None
    other: ReadAt | None = None
    solid_height_mm: float | None = None

    @property
    def impossible(self) -> bool:
        """Whether no spring does this, so that it cannot be stored as it is."""
        return self.kind == "falls"


class FitsOther(NamedTuple):
    """A spring that another set's loads fit.

    Attributes:
        off, other_off: how far it is from the middle of its own set, and from that of the other,
            as fractions of the load: at its heights the middle one, and the largest.
        heights: at how many heights.
    """

    label: str
    set_name: str
    other: str
    off: float
    other_off: float
    heights: int


def slips(
    read: ReadAt, held: Sequence[ReadAt] | Held, given: Given = NOTHING_GIVEN
) -> tuple[Slip, ...]:
    """Return what makes a reading doubtful; nothing where it is as it should be.

    Args:
        held: what counts of the whole set, those of the spring itself too.
    """
    beside = Held.of(held)
    found: list[Slip] = []
    fall = _fall(read, beside.own(read))
    if fall is not None:
        found.append(Slip("falls", read, other=fall))
    solid_mm = given.solid_height_mm
    if solid_mm is not None and read.height_mm < solid_mm + SOLID_KEPT_MM:
        found.append(Slip("near solid", read, solid_height_mm=solid_mm))
    by_neighbour = None if fall is not None else by_rate(read, beside)
    for at in (foretold(read, beside, given), by_neighbour):
        if at is not None and abs(read.load_n - at.load_n) > at.allowed_n:
            found.append(Slip("far", read, foretold=at))
            break
    return tuple(found)


def _fall(read: ReadAt, own: Course) -> ReadAt | None:
    """Return the spring's own reading that contradicts this one most; None where none does."""
    if not len(own):
        return None
    deeper = np.sign(read.height_mm - own.height_mm)  # 1 where the other is pressed deeper
    apart_mm = np.abs(read.height_mm - own.height_mm)
    apart = apart_mm > FALL_DEVIATIONS * np.hypot(read.height_u_mm, own.height_u_mm)
    over_n = deeper * (read.load_n - own.load_n)
    beyond_n = np.where(apart, over_n - FALL_DEVIATIONS * np.hypot(read.u_n, own.u_n), 0.0)
    worst = int(np.argmax(beyond_n))
    return own[worst] if beyond_n[worst] > 0.0 else None


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
