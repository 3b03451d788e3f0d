"""Sets at the heights where the head puts them, and what they push there. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from coilbench.analysis.curves.curve import HeightNotMeasured, Reading, SpringCurve
from coilbench.analysis.engine.build_parts import ROUNDING, BuildFile
from coilbench.analysis.engine.coil_geometry import Coil
from coilbench.analysis.engine.shims import SeatChoice


@dataclass(frozen=True)
class SetCurves:
    """A set's measured curves.

    Attributes:
        name: the set's name.
        role: outer, inner or single.
        curves: one for each spring that was measured.
        solid_height_mm: as registered; None where it isn't known.
        coil: dimensions; None where they aren't known.
    """

    name: str
    role: str
    curves: tuple[SpringCurve, ...]
    solid_height_mm: float | None
    coil: Coil | None = None

    @property
    def known_solid_mm(self) -> float | None:
        """The highest solid height known of the set or any spring of it; None if none is."""
        known = [self.solid_height_mm, *(curve.solid_height_mm for curve in self.curves)]
        return max((height for height in known if height is not None), default=None)

    @property
    def highest_solid_mm(self) -> float | None:
        """The highest known solid height, else the one computed from wire and coils, else None."""
        known_mm = self.known_solid_mm
        return self.coil.solid_height_mm if known_mm is None and self.coil is not None else known_mm

    def solid_of_mm(self, curve: SpringCurve) -> float | None:
        """One spring's solid height: its own, else the set's highest; None if none is known."""
        return self.highest_solid_mm if curve.solid_height_mm is None else curve.solid_height_mm


@dataclass(frozen=True)
class SetLoad:
    """A set's mean load at one height.

    Attributes:
        load_n: mean over the set's springs; None where a spring wasn't measured there.
        load_u_n: expanded uncertainty (k = 2) of the mean; None with it. The mean of the
            springs' own: they were read on one bench, whose error averaging doesn't lessen.
        unread: the springs that were not measured there.
    """

    load_n: float | None
    load_u_n: float | None
    unread: tuple[SpringCurve, ...]


@dataclass(frozen=True)
class PlacedSet:
    """A set at the heights where a combination puts it.

    Attributes:
        seat_height_mm, open_height_mm: valve shut and at full lift, mean over the valves.
        bind_margin_mm: open height at the lowest valve less the set's highest solid height;
            None where no solid height is known.
    """

    springs: SetCurves
    seat_height_mm: float
    open_height_mm: float
    seat: SetLoad
    open: SetLoad
    bind_margin_mm: float | None


def set_load(springs: SetCurves, height_mm: float) -> SetLoad:
    """Read a set's mean load at a height."""
    readings, unread = [], []
    for curve in springs.curves:
        try:
            readings.append(curve.load_at(height_mm))
        except HeightNotMeasured:
            unread.append(curve)
    if unread:
        return SetLoad(None, None, tuple(unread))
    count = len(readings)
    return SetLoad(
        math.fsum(reading.load_n for reading in readings) / count,
        math.fsum(reading.load_u_n for reading in readings) / count,
        (),
    )


def place(
    build: BuildFile,
    outer: SetCurves,
    inner: SetCurves | None,
    choice: SeatChoice,
    loads: dict[tuple[str, float], SetLoad],
) -> tuple[PlacedSet, ...]:
    """Put the sets at their heights and read them there.

    Args:
        build: head and lift.
        outer, inner: the sets; no inner for single springs.
        choice: the shims or the cut.
        loads: readings made before, by set and height; new ones are added to it.
    """
    head, lift_mm = build.head, build.cam.valve_lift_mm
    offsets_mm = [(outer, 0.0)] + ([] if inner is None else [(inner, head.inner_offset_mm)])
    placed: list[PlacedSet] = []
    for springs, offset_mm in offsets_mm:
        change_mm = choice.height_change_mm - offset_mm
        seat_mm = round(head.installed_height_mm + change_mm, 6)
        open_mm = round(seat_mm - lift_mm, 6)
        for height_mm in (seat_mm, open_mm):
            if (springs.name, height_mm) not in loads:
                loads[springs.name, height_mm] = set_load(springs, height_mm)
        solid_mm = springs.highest_solid_mm
        lowest_open_mm = head.lowest_height_mm + change_mm - lift_mm
        margin_mm = None if solid_mm is None else round(lowest_open_mm - solid_mm, 6)
        seat, full = loads[springs.name, seat_mm], loads[springs.name, open_mm]
        placed.append(PlacedSet(springs, seat_mm, open_mm, seat, full, margin_mm))
    return tuple(placed)


def parallel(readings: Sequence[Reading]) -> tuple[float, float]:
    """Add the loads of springs that act in parallel; returns load and expanded uncertainty.

    The uncertainties are added by root sum of squares.
    """
    return (
        math.fsum(reading.load_n for reading in readings),
        math.hypot(*(reading.load_u_n for reading in readings)),
    )


def exceeds(value: float, limit: float) -> bool:
    """Tell whether a value is over a limit by more than rounding."""
    return value > limit + ROUNDING
