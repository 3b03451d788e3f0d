"""A shop's candidate sets as far as they were read, and a press to make. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.depths import SpringSize
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.press_contest import PairChoice
from coilbench.analysis.engine.press_heights import PressHeights
from coilbench.analysis.engine.press_model import PressReading
from coilbench.analysis.engine.shims import SET_KEY

Why = Literal["begin", "decide", "tired", "valve", "once"]


@dataclass(frozen=True)
class Press:
    """One press to make.

    Attributes:
        depth_mm: on the quill from the free length; None where that isn't known.
        kind: what for.
        rival: the choice that it tells apart from the best, where it does.
    """

    set_name: str = field(metadata=SET_KEY)
    label: str
    height_mm: float
    depth_mm: float | None
    kind: Why
    rival: PairChoice | None = None


def press_at(
    heights: PressHeights, label: str, height_mm: float, kind: Why, rival: PairChoice | None = None
) -> Press:
    """Return a press of a spring at one of its set's heights."""
    return Press(heights.name, label, height_mm, heights.depth_mm(height_mm), kind, rival)


@dataclass(frozen=True)
class ShopSet:
    """A candidate set as far as it was read.

    Attributes:
        springs: without those that are left out as flagged.
        readings: of those springs.
        presses: how many there were; a stroke that was recorded whole is one.
        left_out: labels of the springs that are left out as flagged.
    """

    springs: SetCurves
    readings: tuple[PressReading, ...]
    presses: int
    size: SpringSize
    left_out: tuple[str, ...] = ()

    @property
    def labels(self) -> tuple[str, ...]:
        """Its springs, in the order of their names."""
        return tuple(sorted(label for label, _ in self.springs.members))


@dataclass(frozen=True)
class Shop:
    """All that a plan goes by.

    Attributes:
        sets: the candidate sets by name, in the order of the build file.
        set_sizes: how many springs each is registered with.
        load_u_n, height_u_mm: standard uncertainties of one more reading, k = 1.
        common_u: of what all readings have in common, a fraction, k = 1.
    """

    build: BuildFile
    sets: Mapping[str, ShopSet]
    set_sizes: Mapping[str, int]
    load_u_n: float
    height_u_mm: float
    common_u: float

    @property
    def presses(self) -> int:
        """How many were made."""
        return sum(each.presses for each in self.sets.values())
