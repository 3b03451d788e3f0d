"""Sets at the heights where the head puts them, and their loads there. Pure."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from functools import cached_property
from statistics import StatisticsError, fmean
from typing import NamedTuple

import msgspec
import numpy as np
from msgspec.structs import replace

from coilbench.analysis.curves.curve import SpringCurve, shared_knots
from coilbench.analysis.curves.lengths import FoundHeight
from coilbench.analysis.curves.not_measured import HeightNotMeasured
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.cam import Cam, exceeds
from coilbench.analysis.engine.coil import Coil
from coilbench.analysis.engine.loads import Load
from coilbench.analysis.engine.reasons import (
    BindRisk,
    ClearanceLow,
    Inside,
    RiskKind,
    SolidContradicted,
    SomeBind,
)
from coilbench.analysis.engine.shims import HeightError, Role, SeatChoice, height_errors
from coilbench.analysis.engine.solid_heights import (
    UNSTATED_U_MM,
    SolidHeight,
    contradicted,
    of_unmeasured,
    surely_below,
)
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.bins import Array


class SetCurves(msgspec.Struct, frozen=True, dict=True):
    """A set's measured curves.

    Attributes:
        role: outer, inner or single.
        curves: one for each spring that was measured.
        solid_height_mm, free_length_mm: as registered; they and the coil are None where they
            aren't known.
        missing: labels of springs that were not measured.
        free_by_hand, solid_by_hand: of single springs, read or not, as measured by hand.
        sisters_solid: own solid heights of springs of the set that are not among these, too.
        solid_height_u_mm: expanded uncertainty of the registered one; None where none is stated.
        namesakes: labels that springs of other sets of the build have, too, or that seem to be of
            another set where the build names none.
    """

    name: str
    role: str
    curves: tuple[SpringCurve, ...]
    solid_height_mm: float | None
    coil: Coil | None = None
    free_length_mm: float | None = None
    missing: tuple[str, ...] = ()
    free_by_hand: Mapping[str, FoundHeight] = msgspec.field(default_factory=dict)
    solid_by_hand: Mapping[str, FoundHeight] = msgspec.field(default_factory=dict)
    sisters_solid: Mapping[str, SolidHeight] = msgspec.field(default_factory=dict)
    solid_height_u_mm: float | None = None
    namesakes: frozenset[str] = frozenset()

    def named(self, label: str) -> str:
        """Return what a spring is called beside those of the build's other sets."""
        return f"{self.name}/{label}" if label in self.namesakes else label

    def without(self, springs: Sequence[tuple[str, str]]) -> SetCurves:
        """Return it without some springs, each named by its set and label."""
        kept = (curve for curve in self.curves if (self.name, curve.label) not in springs)
        return replace(self, curves=tuple(kept))

    @property
    def members(self) -> Iterator[tuple[str, SpringCurve | None]]:
        """Yield each spring's label with its curve, None for those that were not measured."""
        yield from ((curve.label, curve) for curve in self.curves)
        yield from ((label, None) for label in self.missing)

    @cached_property
    def own_solids(self) -> dict[str, SolidHeight]:
        """The springs' own solid heights by label: by hand, else as pressing them showed."""
        own = dict(self.sisters_solid)
        for curve in self.curves:
            if (height_mm := curve.own_solid_mm) is not None:
                u_mm = UNSTATED_U_MM if curve.solid_u_mm is None else curve.solid_u_mm
                own[curve.label] = SolidHeight(height_mm, u_mm, "own")
        return own | {label: SolidHeight(*one, "own") for label, one in self.solid_by_hand.items()}

    @cached_property
    def _unmeasured_solid(self) -> SolidHeight | None:
        registered = self.solid_height_mm, self.coil, self.solid_height_u_mm
        return of_unmeasured(self.own_solids.values(), *registered)

    @cached_property
    def pressed_below(self) -> dict[str, float]:
        """Springs that show no solid height and went surely below the registered one, and how far.

        For them it does not hold; others may be registered rightly.
        """
        registered = self.solid_height_mm, self.solid_height_u_mm
        return {
            curve.label: curve.lowest_mm
            for curve in self.curves
            if curve.label not in self.own_solids and surely_below(curve.lowest_mm, *registered)
        }

    def solid_of(self, label: str) -> SolidHeight | None:
        """One spring's solid height: its own, else of its sisters, else as registered or computed.

        None where none is known. What its own strokes disprove is not known.
        """
        if label in self.pressed_below:
            known = self._of_sisters_or_coil
            low = known is not None and surely_below(
                self.pressed_below[label], known.height_mm, known.height_u_mm
            )
            return None if low else known
        return self.own_solids.get(label, self._unmeasured_solid)

    @cached_property
    def _of_sisters_or_coil(self) -> SolidHeight | None:
        return of_unmeasured(self.own_solids.values(), None, self.coil)

    @cached_property
    def solid(self) -> SolidHeight | None:
        """The highest that any of its springs may have; None where none is known."""
        labels = [label for label, _ in self.members] or [""]
        return SolidHeight.highest(
            one for label in labels if (one := self.solid_of(label)) is not None
        )

    @property
    def solid_contradicted(self) -> SolidContradicted | None:
        """Springs that are surely not solid at the registered height, or are elsewhere."""
        registered = self.solid_height_mm, self.solid_height_u_mm
        return contradicted(self.name, self.own_solids, self.pressed_below, *registered)

    def of_springs(self, labels: Collection[str]) -> SetCurves:
        """Return it with some of its springs alone; what the others show of them stays known."""
        return replace(
            self,
            curves=tuple(curve for curve in self.curves if curve.label in labels),
            missing=tuple(label for label in self.missing if label in labels),
            sisters_solid=self.own_solids,
        )

    @property
    def known_solid_mm(self) -> float | None:
        """The highest solid height known of the set or any spring of it; None if none is."""
        known = [self.solid_height_mm, *(one.height_mm for one in self.own_solids.values())]
        return max((height for height in known if height is not None), default=None)

    @property
    def closing_mm(self) -> float | None:
        """The highest height at which coils of a spring were seen to begin to close, if any."""
        seen = [c.coils.height_mm for c in self.curves if c.coils.kind == "beginning"]
        return max(seen, default=None)

    @property
    def free_to_mm(self) -> float | None:
        """Down to where no coils of any spring closed; None where a spring doesn't show it."""
        shown = [c.coils.height_mm for c in self.curves if c.coils.kind == "not_reached"]
        return max(shown) if shown and len(shown) == len(self.curves) else None

    @property
    def highest_solid_mm(self) -> float | None:
        """The height of `solid`; None where none is known."""
        return None if self.solid is None else self.solid.height_mm

    @property
    def smallest_gap_mm(self) -> float | None:
        """EN 13906-1's smallest sum of gaps under dynamic load; None without dimensions."""
        return None if self.coil is None else self.coil.smallest_gap_mm

    def load_at(
        self, height_mm: float, loads: SetLoads, errors: tuple[HeightError, ...] = ()
    ) -> Load | None:
        """Return its springs' mean load at a height to the nanometre; new ones are added to loads.

        None where a spring was not read there.
        """
        key = self.name, round(height_mm, 6), errors
        if key not in loads:
            loads[key] = self._read(key[1], errors)
        return loads[key]

    def mean_n(self, height_mm: float, means_n: MeanLoads) -> float | None:
        """Return the mean of load_at alone, far sooner; None where a spring wasn't read."""
        key = self.name, round(height_mm, 6)
        if key not in means_n:
            at, means = self._course
            if at.size and at[0] <= key[1] <= at[-1]:
                means_n[key] = float(np.interp(key[1], at, means))
            else:
                means_n[key] = self._mean_n(key[1])
        return means_n[key]

    def _mean_n(self, height_mm: float) -> float | None:
        """Return mean_n at one height, of which each curve alone is sooner read than in arrays."""
        try:
            return fmean(curve.load_n_at(height_mm) for curve in self.curves)
        except (HeightNotMeasured, StatisticsError):  # the latter: there is no curve
            return None

    @cached_property
    def _course(self) -> tuple[Array, Array]:
        """Heights between which the mean of load_at is straight, and the mean there."""
        at = shared_knots([curve.knots_mm for curve in self.curves])
        if not at.size:
            return at, at
        return at, np.mean([curve.loads_n_at(at) for curve in self.curves], axis=0)

    def read_means(self, heights_mm: Iterable[float], means_n: MeanLoads) -> None:
        """Add mean_n at many heights to means_n, all read at once."""
        keys = [(self.name, round(height_mm, 6)) for height_mm in heights_mm]
        new = [key for key in dict.fromkeys(keys) if key not in means_n]
        at = np.array([height_mm for _, height_mm in new])
        loads = [curve.loads_n_at(at) for curve in self.curves]
        means = np.mean(loads, axis=0) if loads else np.full(at.shape, np.nan)
        means_n.update(
            zip(new, (None if math.isnan(n) else n for n in means.tolist()), strict=True)
        )

    def _read(self, height_mm: float, errors: tuple[HeightError, ...]) -> Load | None:
        try:
            loads = [Load.of(curve.load_at(height_mm), errors) for curve in self.curves]
        except HeightNotMeasured:
            return None
        return Load.mean(loads) if loads else None


class LoadRange(msgspec.Struct, frozen=True):
    """A load of two sets together.

    Attributes:
        load_n: outer and inner, means over the sets and the valves.
        load_u_n: its expanded uncertainty, k = 2: what the bench's errors have in common added
            linearly, the readings' own by root sum of squares.
        lowest_n, highest_n: the weakest springs of both sets together, and the strongest.
    """

    load_n: float
    load_u_n: float
    lowest_n: float
    highest_n: float


class Bind(NamedTuple):
    """How near one spring comes to coil bind.

    Attributes:
        margin_mm: its height at full lift less its solid height; unsure_mm: how far that may be
            off, k = 2, by the heights and the solid height.
    """

    label: str
    solid: SolidHeight
    margin_mm: float
    unsure_mm: float


class PlacedSet(msgspec.Struct, frozen=True, dict=True):
    """A set at the heights where a combination puts it.

    Attributes:
        seat_height_mm, open_height_mm: valve shut and at full lift, mean over the valves.
        lowest_open_mm: at full lift, at the lowest valve.
        height_errors: what makes the heights unsure.
        opened_mm: at full lift by spring, where each has its valve; else each may be at any.
    """

    springs: SetCurves
    seat_height_mm: float
    open_height_mm: float
    lowest_open_mm: float
    height_errors: tuple[HeightError, ...] = ()
    opened_mm: Mapping[str, float] | None = None

    @cached_property
    def binds(self) -> tuple[Bind, ...]:
        """Each spring of a known solid height, at its valve or the lowest; the nearest first."""
        of_heights_mm = math.hypot(*(error.u_mm for error in self.height_errors))
        labels = [label for label, _ in self.springs.members] or [""]
        found = []
        for label in labels:
            solid = self.springs.solid_of(label)
            if solid is not None:
                opened_mm = (self.opened_mm or {}).get(label, self.lowest_open_mm)
                unsure_mm = math.hypot(solid.height_u_mm, of_heights_mm)
                margin_mm = round(opened_mm - solid.height_mm, 6)
                found.append(Bind(label, solid, margin_mm, unsure_mm))
        return tuple(sorted(found, key=lambda one: one.margin_mm))

    @property
    def bind_margin_mm(self) -> float | None:
        """The least margin to coil bind of any of its springs; None where none is known."""
        return self.binds[0].margin_mm if self.binds else None

    def weakest(self, lift_mm: float) -> Load | None:
        """Return the weakest spring's load at a lift; None where a spring wasn't read.

        A spring shorter than its height pushes nothing.
        """
        height_mm, loads = round(self.seat_height_mm - lift_mm, 6), []
        for curve in self.springs.curves:
            if curve.free_length_mm is not None and height_mm >= curve.free_length_mm:
                loads.append(Load(0.0, 0.0, 0.0))
                continue
            try:
                loads.append(Load.of(curve.load_at(height_mm), self.height_errors))
            except HeightNotMeasured:
                return None
        return min(loads, default=None)

    def free_below(self, margin_mm: float) -> bool:
        """Whether coils were seen not to close down to a margin below full lift."""
        free_to_mm = self.springs.free_to_mm
        return free_to_mm is not None and not exceeds(margin_mm, self.lowest_open_mm - free_to_mm)

    def bind_risks(self, limit_mm: float) -> Iterator[BindRisk | SomeBind | SolidContradicted]:
        """Yield which springs bind or come too near to it, or how their solid heights are known.

        Where any spring may stand under any valve, some that come too near are left out.
        """
        springs, binds = self.springs, self.binds
        name, gap_mm, closing_mm = springs.name, springs.smallest_gap_mm, springs.closing_mm
        if (contradiction := springs.solid_contradicted) is not None:
            yield contradiction
        if closing_mm is not None and closing_mm > self.lowest_open_mm - limit_mm:
            yield BindRisk("closing", name, closing_mm, self.lowest_open_mm - closing_mm, limit_mm)
        if not binds:
            if not self.free_below(limit_mm) and closing_mm is None:
                yield BindRisk("solid_unknown", name, None, None, limit_mm)
            return
        near = tuple(one.label for one in binds if exceeds(limit_mm, one.margin_mm))
        if near and self.opened_mm is None and len(near) < len(binds):
            yield SomeBind(name, near, limit_mm)
            binds = binds[len(near) :]
        worst = binds[0]
        at = name, worst.solid.height_mm, worst.margin_mm, limit_mm
        if exceeds(limit_mm, worst.margin_mm):
            kind: RiskKind = "binds" if worst.margin_mm <= 0.0 else "margin_low"
            yield BindRisk(kind, *at)
        elif unsure := [one for one in binds if exceeds(limit_mm, one.margin_mm - one.unsure_mm)]:
            first = unsure[0]
            known = first.solid.height_mm, first.margin_mm, limit_mm
            yield BindRisk("margin_unsure", name, *known)
        if worst.solid.known_from == "computed":
            yield BindRisk("solid_computed", *at)
        if gap_mm is not None and worst.margin_mm > 0.0 and exceeds(gap_mm, worst.margin_mm):
            yield BindRisk("gaps_small", name, worst.solid.height_mm, worst.margin_mm, gap_mm)


# By set, height and its errors: see SetCurves.load_at.
SetLoads = dict[tuple[str, float, tuple[HeightError, ...]], Load | None]
MeanLoads = dict[tuple[str, float], float | None]  # by set and height; None where one was not read


def place(
    build: BuildFile,
    outer: SetCurves,
    inner: SetCurves | None,
    choice: SeatChoice,
    bare_mm: Mapping[tuple[str, str], float] | None = None,
) -> tuple[PlacedSet, ...]:
    """Put the sets at their heights.

    Args:
        bare_mm: the outer's installed height at each spring's valve, by set and label, where
            springs were given to valves; else any may stand under any.
    """
    head, lift_mm = build.head, build.cam.valve_lift_mm
    sets: list[tuple[Role, SetCurves, float]] = [("outer", outer, 0.0)]
    sets += [] if inner is None else [("inner", inner, head.inner_offset_mm)]
    placed: list[PlacedSet] = []
    for role, springs, offset_mm in sets:
        change_mm, errors = choice.change_mm(role) - offset_mm, height_errors(build, choice, role)
        seat_mm = round(head.installed_height_mm + change_mm, 6)
        open_mm = round(seat_mm - lift_mm, 6)
        lowest_open_mm = head.lowest_height_mm + change_mm - lift_mm
        opened_mm = None
        if bare_mm is not None:
            of_set = {label: mm for (name, label), mm in bare_mm.items() if name == springs.name}
            opened_mm = {label: mm + change_mm - lift_mm for label, mm in of_set.items()}
        placed.append(PlacedSet(springs, seat_mm, open_mm, lowest_open_mm, errors, opened_mm))
    return tuple(placed)


def inside_card(cam: Cam, seat: Load, full: Load) -> Inside:
    """Compare two loads and their uncertainties with a card."""
    if not cam.fits(seat.load_n, full.load_n):
        return "outside"
    unsure = any(
        exceeds(abs(load.load_n - card_n) + load.load_u_n, tolerance_n)
        for load, card_n, tolerance_n in (
            (seat, cam.seat_load_n, cam.seat_tolerance_n),
            (full, cam.open_load_n, cam.open_tolerance_n),
        )
    )
    return "inside_unsure" if unsure else "inside"


def clearance_low(build: BuildFile) -> tuple[ClearanceLow, ...]:
    """Return that the retainer comes too near to the guide, where it does."""
    clearance_mm, limit_mm = build.clearance_mm, build.limits.min_clearance_mm
    if clearance_mm is None or not exceeds(limit_mm, clearance_mm):
        return ()
    return (ClearanceLow(clearance_mm, limit_mm),)


def chosen_set(build: BuildFile, sets: Mapping[str, SetCurves], role: str, name: str) -> SetCurves:
    """Return a set that the build file names as outer or inner, or say what is wrong with it.

    Raises:
        CoilbenchError: it is unknown or has another role.
    """
    roles: tuple[str, ...] = (role,)
    if role == "outer" and not build.springs.inner:
        roles = ("outer", "single")
    springs = sets.get(name)
    if springs is not None and springs.role in roles:
        return springs
    if springs is None:
        what, hint = f"there is no set {name!r}", "See: coilbench set list"
    else:
        what = f"the set {name!r} is registered as {springs.role}, not as {' or '.join(roles)}"
        hint = "Name it under its own role, or name another set"
    raise CoilbenchError(what, where=f"{build.name}, springs.{role}", hint=hint)
