"""Sets at the heights where the head puts them, and what they push there. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from coilbench.analysis.curves.curve import HeightNotMeasured, SpringCurve
from coilbench.analysis.engine.build_file import ROUNDING, BuildFile
from coilbench.analysis.engine.coil import Coil
from coilbench.analysis.engine.loads import Load, load_of, mean_load
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
    """A set's load at one height.

    Attributes:
        mean: over the set's springs; None where a spring wasn't measured there.
        lowest_n, highest_n: of the weakest and of the strongest spring; None with it.
        unread: the springs that were not measured there.
    """

    mean: Load | None
    lowest_n: float | None
    highest_n: float | None
    unread: tuple[SpringCurve, ...]


@dataclass(frozen=True)
class PlacedSet:
    """A set at the heights where a combination puts it.

    Attributes:
        seat_height_mm, open_height_mm: valve shut and at full lift, mean over the valves.
        bind_margin_mm: open height at the lowest valve less the set's highest solid height,
            measured, else computed from wire and coils; None where neither is known.
    """

    springs: SetCurves
    seat_height_mm: float
    open_height_mm: float
    seat: SetLoad
    open: SetLoad
    bind_margin_mm: float | None


SetLoads = dict[tuple[str, float], SetLoad]  # by set and height


def set_load(springs: SetCurves, height_mm: float) -> SetLoad:
    """Read every spring of a set at a height."""
    loads, unread = [], []
    for curve in springs.curves:
        try:
            loads.append(load_of(curve.load_at(height_mm)))
        except HeightNotMeasured:
            unread.append(curve)
    if unread:
        return SetLoad(None, None, None, tuple(unread))
    values_n = [load.load_n for load in loads]
    return SetLoad(mean_load(loads), min(values_n), max(values_n), ())


def load_at(springs: SetCurves, height_mm: float, loads: SetLoads) -> SetLoad:
    """Read a set at a height, once for each height.

    Args:
        springs: the set.
        height_mm: where, to the nanometre.
        loads: readings made before; a new one is added to it.
    """
    key = springs.name, round(height_mm, 6)
    if key not in loads:
        loads[key] = set_load(springs, key[1])
    return loads[key]


def place(
    build: BuildFile,
    outer: SetCurves,
    inner: SetCurves | None,
    choice: SeatChoice,
    loads: SetLoads,
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
        solid_mm = springs.highest_solid_mm
        lowest_open_mm = head.lowest_height_mm + change_mm - lift_mm
        margin_mm = None if solid_mm is None else round(lowest_open_mm - solid_mm, 6)
        seat, full = load_at(springs, seat_mm, loads), load_at(springs, open_mm, loads)
        placed.append(PlacedSet(springs, seat_mm, open_mm, seat, full, margin_mm))
    return tuple(placed)


def exceeds(value: float, limit: float) -> bool:
    """Tell whether a value is over a limit by more than rounding."""
    return value > limit + ROUNDING
