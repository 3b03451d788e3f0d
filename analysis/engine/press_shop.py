"""A shop's candidate sets as far as they were read, and a press to make. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from itertools import groupby

import msgspec
from msgspec.structs import replace

from coilbench.analysis.choices import DEFAULT_TOLERANCE
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.cam import ROUNDING
from coilbench.analysis.engine.coil import SpringSize
from coilbench.analysis.engine.depths import depth_rows
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.press_model import PressReading
from coilbench.analysis.engine.valve_loads import outward_mm
from coilbench.capture.tables.keyed import SOLID_KEPT_MM

LEAST_DEPTH_MM = 0.5  # less is hardly pressed


class PressHeights(msgspec.Struct, frozen=True):
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


class ShopSet(msgspec.Struct, frozen=True):
    """A candidate set as far as it was read.

    Attributes:
        springs: without those that are left out as flagged.
        readings: of those springs.
        presses: how many there were; a stroke that was recorded whole is one.
        left_out: labels of the springs that are left out as flagged.
        tolerance: share of the load by which a spring may be lower and is not called weak.
        doubted: labels of springs that are flagged by what may be a slip: they count as not read.
    """

    springs: SetCurves
    readings: tuple[PressReading, ...]
    presses: int
    size: SpringSize
    left_out: tuple[str, ...] = ()
    tolerance: float = DEFAULT_TOLERANCE
    doubted: tuple[str, ...] = ()

    @property
    def labels(self) -> tuple[str, ...]:
        """Its springs, in the order of their names."""
        return tuple(sorted(label for label, _ in self.springs.members))


class Shop(msgspec.Struct, frozen=True):
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
