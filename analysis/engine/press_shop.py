"""A shop's candidate sets as far as they were read, and a press to make. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import groupby
from typing import Literal

from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.cam import ROUNDING
from coilbench.analysis.engine.depths import SpringSize, depth_rows
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.press_contest import STOP_RISK, PairChoice, Rival
from coilbench.analysis.engine.press_model import PressReading
from coilbench.analysis.engine.shims import SET_KEY
from coilbench.analysis.engine.valve_loads import outward_mm
from coilbench.analysis.sets.judge import DEFAULT_TOLERANCE
from coilbench.capture.tables.keyed import SOLID_KEPT_MM

LEAST_DEPTH_MM = 0.5  # less is hardly pressed


@dataclass(frozen=True)
class PressHeights:
    """A set's windows and where it may be pressed.

    Attributes:
        windows_mm: lowest and highest height it may stand at, at full lift and then shut, as far
            as it can be pressed there; fewer than two where it can't.
        too_low_mm: the lowest height that it may stand at and isn't pressed to, being too near
            its solid height; None where there is none.
    """

    name: str
    windows_mm: tuple[tuple[float, float], ...]
    size: SpringSize
    too_low_mm: float | None = None

    def safe(self, height_mm: float) -> bool:
        """Tell whether the spring may be pressed to a height, and is pressed there at all."""
        low_mm, high_mm = self.limits_mm
        return low_mm - ROUNDING <= height_mm <= high_mm + ROUNDING

    @property
    def limits_mm(self) -> tuple[float, float]:
        """The lowest height it may be pressed to, and the highest where it is pressed at all."""
        free_mm, solid_mm, closing_mm, _ = self.size
        lowest_mm = 0.0 if solid_mm is None else solid_mm + SOLID_KEPT_MM
        return (
            lowest_mm if closing_mm is None else max(lowest_mm, closing_mm),
            math.inf if free_mm is None else free_mm - LEAST_DEPTH_MM,
        )

    def settable(self, height_mm: float, *, up: bool) -> float | None:
        """Round a height up or down to what a stop can be set to; as it is where that isn't safe.

        None where it isn't safe either.
        """
        rounded = outward_mm(height_mm, 1 if up else -1)
        return next((mm for mm in (rounded, height_mm) if self.safe(mm)), None)

    @property
    def ends_mm(self) -> tuple[float, ...]:
        """The ends of both windows, ascending, rounded outwards so that all between is held."""
        ends = [
            self.settable(end, up=up)
            for window in self.windows_mm
            for end, up in zip(window, (False, True), strict=True)
        ]
        return tuple(sorted({mm for mm in ends if mm is not None}))

    @property
    def middles_mm(self) -> tuple[float, ...]:
        """The middle of each window."""
        found = [self.settable(0.5 * (low + high), up=False) for low, high in self.windows_mm]
        return tuple(mm for mm in found if mm is not None)

    @property
    def all_mm(self) -> tuple[float, ...]:
        """Ends and middles, ascending."""
        return tuple(sorted({*self.ends_mm, *self.middles_mm}))

    @property
    def shut_mm(self) -> float:
        """About where it stands with the valve shut."""
        return self.windows_mm[-1][1]

    @property
    def centre_mm(self) -> float:
        """Between all heights."""
        return 0.5 * (self.windows_mm[0][0] + self.windows_mm[-1][1])

    def depth_mm(self, label: str, height_mm: float) -> float | None:
        """Return how far to press a spring from its free length; None where that isn't known."""
        free_mm = self.size.own_free_mm.get(label, self.size.free_mm)
        return None if free_mm is None else round(free_mm - height_mm, 6)


def press_heights(build: BuildFile, sizes: Mapping[str, SpringSize]) -> dict[str, PressHeights]:
    """Return each candidate set's heights, in the order of the build file.

    Sets that can't be pressed at all have no windows.

    Raises:
        CoilbenchError: a candidate set is not among the sizes.
    """
    found = {}
    for name, rows in groupby(depth_rows(build, sizes), key=lambda row: row.set_name):
        ends = sorted(rows, key=lambda row: row.at != "open")
        none = PressHeights(name, (), sizes[name])
        held = [list(_below(row.heights_mm, none.limits_mm[1])) for row in ends]
        windows = tuple((heights[0], heights[-1]) for heights in held if heights)
        low_mm = min((row.too_low_mm for row in ends if row.too_low_mm is not None), default=None)
        found[name] = replace(none, windows_mm=windows, too_low_mm=low_mm)
    return found


def _below(heights_mm: tuple[float, ...], high_mm: float) -> Iterator[float]:
    """Yield heights up to a limit, and the limit itself where some are above it."""
    yield from (mm for mm in heights_mm if mm <= high_mm)
    if heights_mm and heights_mm[0] < high_mm < heights_mm[-1]:
        yield high_mm


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
    return Press(heights.name, label, height_mm, heights.depth_mm(label, height_mm), kind, rival)


@dataclass(frozen=True)
class ShopSet:
    """A candidate set as far as it was read.

    Attributes:
        springs: without those that are left out as flagged.
        readings: of those springs.
        presses: how many there were; a stroke that was recorded whole is one.
        left_out: labels of the springs that are left out as flagged.
        tolerance: share of the load by which a spring may be lower and is not called weak.
    """

    springs: SetCurves
    readings: tuple[PressReading, ...]
    presses: int
    size: SpringSize
    left_out: tuple[str, ...] = ()
    tolerance: float = DEFAULT_TOLERANCE

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


@dataclass(frozen=True)
class TiredSpring:
    """A spring of a chosen set that stands apart from it, and may have lost load.

    Attributes:
        found: whether that is more likely than not; chance: how likely.
        below: by what share of its set's load it is lower, the most where it was read.
        tolerance: the share from which the check of its set calls it weak.
    """

    set_name: str = field(metadata=SET_KEY)
    label: str
    chance: float
    below: float
    tolerance: float

    @property
    def found(self) -> bool:
        """Whether it rather is tired than not."""
        return self.chance > 0.5


@dataclass(frozen=True)
class NotPressed:
    """A set that may stand where it is not pressed to, being too near its solid height."""

    set_name: str = field(metadata=SET_KEY)
    lowest_mm: float
    solid_height_mm: float | None


@dataclass(frozen=True)
class PressPlan:
    """What to press next.

    Attributes:
        stage: what the presses are for; `no_choice` where every choice breaks a known limit or
            can't be pressed.
        presses: the next batch, in order; empty where nothing is left to press.
        best: None before every set was read.
        risk: chance that another choice is nearer to the card by more than MARGIN_N, the errors
            that all readings have in common left out; None with best.
        common_risk: the same with them.
        ties: once it is decided, choices as good as the best within what can be read.
        rivals: that may be better, the likeliest first.
        tired: springs of the chosen sets that are, or may be.
        made, remaining: presses, as far as can be foreseen.
        not_pressed: where choices were left out because a set can't be pressed there.
        solid_unknown: sets of which no solid height is known.
        left_out: labels of springs that the check of their set flags.
    """

    stage: Literal["begin", "decide", "tired", "valve", "done", "no_choice", "once"]
    presses: tuple[Press, ...] = ()
    best: PairChoice | None = None
    risk: float | None = None
    common_risk: float | None = None
    ties: tuple[PairChoice, ...] = ()
    rivals: tuple[Rival, ...] = ()
    tired: tuple[TiredSpring, ...] = ()
    made: int = 0
    remaining: int = 0
    not_pressed: tuple[NotPressed, ...] = ()
    solid_unknown: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()

    @property
    def done(self) -> bool:
        """Whether nothing is left to press."""
        return not self.presses

    @property
    def equal(self) -> bool:
        """Whether other choices are as good as the best within what can be read."""
        return bool(self.ties)

    @property
    def common_error_decides(self) -> bool:
        """Whether what all readings have in common could change the decision."""
        return self.common_risk is not None and self.common_risk >= STOP_RISK
