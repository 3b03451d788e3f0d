"""What each candidate spring pushes under each valve, over each choice of shims and cuts. Pure.

What was not read is kept as what it can be: a spring pushes the more the shorter it is pressed, so
that a load below the lowest height read is at least the load read there, and one above the highest
at most that.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from functools import cached_property
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.not_measured import HeightNotMeasured
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.cam import ROUNDING, Cam
from coilbench.analysis.engine.loads import Load
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.reasons import BindRisk, Loose, Need, SolidContradicted, SolidUnknown
from coilbench.analysis.engine.shims import HeightError, Role, SeatChoice, height_errors
from coilbench.analysis.engine.solid_heights import SolidHeight
from coilbench.capture.tables.keyed import SOLID_KEPT_MM

QUILL_MM = 0.1  # the step to which a quill is set: heights asked for are rounded outward to it
Array = NDArray[np.float64]
Flags = NDArray[np.bool_]


class Valve(msgspec.Struct, frozen=True):
    """A valve, the outer's installed height there, and the cam that opens it."""

    name: str
    height_mm: float
    cam: Cam


def valves_of(build: BuildFile, count: int) -> tuple[Valve, ...]:
    """List the valves: as [head.valves] lists them, else so many at installed_height."""
    head = build.head
    if head.valve_heights_mm:
        return tuple(
            Valve(name, height_mm, build.cam_of(name))
            for name, height_mm in head.valve_heights_mm.items()
        )
    count = head.valve_count or count
    return tuple(Valve(str(n), head.installed_height_mm, build.cam) for n in range(1, count + 1))


class Place(NamedTuple):
    """An installed height under a cam, where one valve stands or several."""

    height_mm: float
    cam: Cam


def places_of(valves: Sequence[Valve]) -> dict[Place, list[int]]:
    """Group valves by height and cam, ascending in height: the indices of the valves of each."""
    found: dict[Place, list[int]] = {}
    for index, valve in sorted(enumerate(valves), key=lambda one: one[1].height_mm):
        found.setdefault(Place(round(valve.height_mm, 6), valve.cam), []).append(index)
    return found


class Candidate(msgspec.Struct, frozen=True):
    """A spring that may be used; its name says its set too where labels alone don't differ.

    The curve is None where the spring was not measured at all.
    """

    name: str
    springs: SetCurves
    label: str
    curve: SpringCurve | None

    @property
    def solid(self) -> SolidHeight | None:
        """Its solid height, as its set knows it; None where it does not."""
        return self.springs.solid_of(self.label)

    @property
    def free_mm(self) -> float | None:
        """Its free length as measured by hand, else as its curve has it, else its set's, else None.

        A depth that is typed counts from the same.
        """
        curve, by_hand = self.curve, self.springs.free_by_hand.get(self.label)
        if by_hand is not None:
            return by_hand.height_mm
        own = curve.free_length_mm if curve is not None and curve.length_sure else None
        return self.springs.free_length_mm if own is None else own

    @property
    def surely_loose_mm(self) -> float | None:
        """From which height on it surely stands loose; None where that isn't known."""
        curve = self.curve
        if curve is None:  # its own length may be another than the set's
            return None
        if curve.free_length_mm is None:
            return self.springs.free_length_mm
        return curve.free_length_mm + (curve.free_length_u_mm or 0.0)

    @property
    def read_range_mm(self) -> tuple[float, float]:
        """Between which heights it was read; an empty range where it was not."""
        curve = self.curve
        return (math.inf, -math.inf) if curve is None else (curve.lowest_mm, curve.highest_mm)

    @property
    def lowest_press_mm(self) -> float:
        """How far it may be pressed: not near to solid, nor where coils were seen to close."""
        solid, closing_mm = self.solid, self.springs.closing_mm
        near_mm = -math.inf if solid is None else solid.height_mm + SOLID_KEPT_MM
        return max(near_mm, -math.inf if closing_mm is None else closing_mm)

    def need(self, height_mm: float) -> Need:
        """Return the reading of it at a height."""
        depth_mm = None if self.free_mm is None else round(self.free_mm - height_mm, 6)
        return Need("reading", self.springs.name, self.label, round(height_mm, 6), depth_mm)

    def read_near(self, height_mm: float) -> bool:
        """Whether it was read nearer to a height than a quill is set."""
        fits = (
            [fit for sweep in self.curve.sweeps for fit in (sweep.loading, sweep.unloading)]
            if (self.curve is not None)
            else []
        )
        return any(
            np.abs(fit.height_mm - height_mm).min() < QUILL_MM - ROUNDING
            for fit in fits
            if fit is not None
        )


def outward_mm(height_mm: float, way: int) -> float:
    """Round a height to the next step of the quill, down for way -1 and up for 1."""
    steps = height_mm / QUILL_MM
    return round(QUILL_MM * (math.floor(steps + 1e-6) if way < 0 else math.ceil(steps - 1e-6)), 6)


def candidates_of(sets: Sequence[SetCurves]) -> tuple[Candidate, ...]:
    """Pool the springs of some sets, those not measured too, in the sets' order, by label in each.

    Not by the sets' names, which benches that share their books may have otherwise.
    """
    pool = [
        (springs.name, label, springs, curve)
        for springs in sets
        for label, curve in sorted(springs.members, key=lambda one: one[0])
    ]
    times = Counter(label for _, label, _, _ in pool)
    return tuple(
        Candidate(
            springs.named(label) if times[label] == 1 else f"{name}/{label}", springs, label, curve
        )
        for name, label, springs, curve in pool
    )


class Standing(NamedTuple):
    """How springs of one role stand over some choices: by how much higher, and what is unsure."""

    changes_mm: tuple[float, ...]
    errors: tuple[tuple[HeightError, ...], ...]

    @classmethod
    def of(cls, build: BuildFile, choices: Sequence[SeatChoice], role: Role) -> Standing:
        """Return it for a build's choices, less the inner's offset."""
        offset_mm = build.head.inner_offset_mm if role == "inner" else 0.0
        return cls(
            tuple(choice.change_mm(role) - offset_mm for choice in choices),
            tuple(height_errors(build, choice, role) for choice in choices),
        )


class Known(NamedTuple):
    """What is known of one load, and between what it must lie.

    The load is None where it was not read; between two heights that were, it may be off by what
    the spring's shape leaves open.
    """

    load: Load | None
    least_n: float
    most_n: float


NOTHING_KNOWN = Known(None, 0.0, math.inf)
Errors = tuple[HeightError, ...]
Readings = dict[tuple[str, str, float, Errors], Known]  # by set, label, height and its errors


def read_load(spring: Candidate, height_mm: float, errors: Errors, readings: Readings) -> Known:
    """Read a load, or what it can be; once for each height: new ones are added to readings."""
    curve = spring.curve
    if curve is None:
        return NOTHING_KNOWN
    at_mm = round(height_mm, 6)
    key = spring.springs.name, spring.label, at_mm, errors
    if key not in readings:
        try:
            reading = curve.load_at(at_mm)
            shape_u_n = 0.0 if spring.read_near(at_mm) else reading.shape_u_n
            least_n, most_n = reading.load_n - shape_u_n, reading.load_n + shape_u_n
            readings[key] = Known(Load.of(reading, errors), max(least_n, 0.0), most_n)
        except HeightNotMeasured:
            readings[key] = _between(curve, at_mm, errors)
    return readings[key]


def _between(curve: SpringCurve, height_mm: float, errors: Errors) -> Known:
    """Return what the nearest readings leave open; their own uncertainty stays open too."""
    least_n, most_n = 0.0, math.inf
    for at_mm in (curve.lowest_mm, curve.highest_mm):
        try:
            near = Load.of(curve.load_at(at_mm), errors)
        except HeightNotMeasured:
            continue
        if height_mm < at_mm:
            least_n = max(least_n, near.load_n - near.load_u_n)
        else:
            most_n = min(most_n, near.load_n + near.load_u_n)
    return Known(None, least_n, most_n)


class SpringMeans(NamedTuple):
    """Mean loads over springs, arrays of shape (places, choices); NaN where none was read.

    The springs' own errors average out, those of the bench do not.
    """

    load_n: Array
    own_u_n: Array
    common_u_n: Array


class EndLoads(msgspec.Struct, frozen=True, dict=True):
    """Springs at one end of the lift, arrays of shape (places, springs, choices).

    Attributes:
        height_mm: each spring's height, shape (places, choices).
        load_n: NaN where it was not read; own_u_n, common_u_n: as in Load, likewise.
        least_n, most_n: between which a load must lie that was not read at that very height.
    """

    height_mm: Array
    load_n: Array
    own_u_n: Array
    common_u_n: Array
    least_n: Array
    most_n: Array

    @classmethod
    def read(
        cls,
        springs: Sequence[Candidate],
        height_mm: Array,
        errors: Sequence[Errors],
        readings: Readings,
    ) -> EndLoads:
        """Read every spring at every height."""
        places, choices = height_mm.shape
        found = np.full((5, places, len(springs), choices), np.nan)
        for index, spring in enumerate(springs):
            for (place, choice), at_mm in np.ndenumerate(height_mm):
                known = read_load(spring, float(at_mm), errors[choice], readings)
                load = (math.nan,) * 3 if known.load is None else known.load
                found[:, place, index, choice] = (*load, known.least_n, known.most_n)
        return cls(height_mm, *found)

    @cached_property
    def known_u_n(self) -> Array:
        """Uncertainty of the loads that were read, 0 of the others."""
        return np.hypot(np.nan_to_num(self.own_u_n), np.nan_to_num(self.common_u_n))

    @cached_property
    def means(self) -> SpringMeans:
        """Their means over the springs that were read."""
        read = ~np.isnan(self.load_n)
        count = np.where(read.any(axis=1), read.sum(axis=1), np.nan)

        def total(values: Array) -> Array:
            return np.asarray(np.where(read, values, 0.0).sum(axis=1))

        own_u_n: Array = np.sqrt(total(self.own_u_n**2)) / count
        return SpringMeans(total(self.load_n) / count, own_u_n, total(self.common_u_n) / count)


class LoadTable(msgspec.Struct, frozen=True, dict=True):
    """Candidates of one role at every place over every choice.

    Attributes:
        seat, open: loads with the valve shut and at full lift.
        margin_mm: open height less solid height; NaN where that isn't known.
        loose: which stand loose with the valve shut.
        limit_mm: the coil bind margin to keep.
        errors: what makes heights unsure, by choice.
    """

    springs: tuple[Candidate, ...]
    seat: EndLoads
    open: EndLoads
    margin_mm: Array
    loose: Flags
    limit_mm: float
    errors: tuple[Errors, ...]

    @classmethod
    def read(
        cls,
        springs: Sequence[Candidate],
        places: Iterable[Place],
        standing: Standing,
        limit_mm: float,
        readings: Readings,
    ) -> LoadTable:
        """Read candidates of one role.

        Args:
            springs: S of them.
            places: K of them.
            standing: over C choices.
            limit_mm: the coil bind margin to keep.
            readings: made before; new ones are added.
        """
        at = tuple(places)
        changes_mm = np.asarray(standing.changes_mm, dtype=float)
        seat_mm = np.array([place.height_mm for place in at])[:, None] + changes_mm
        open_mm = seat_mm - np.array([place.cam.valve_lift_mm for place in at])[:, None]
        rows = np.round([*seat_mm, *open_mm], 6).tolist()
        asked = [each for row in rows for each in zip(row, standing.errors, strict=True)]
        for spring in springs:
            own = spring.springs.name, spring.label
            if spring.curve is not None:
                spring.curve.read(mm for mm, u in asked if (*own, mm, u) not in readings)
        seat = EndLoads.read(springs, seat_mm, standing.errors, readings)
        solids_mm = [None if s.solid is None else s.solid.height_mm for s in springs]
        solid, free = (
            np.array([math.nan if mm is None else mm for mm in known], dtype=float)
            for known in (solids_mm, [s.surely_loose_mm for s in springs])
        )
        loose = np.isnan(seat.load_n) & (seat_mm[:, None, :] >= free[None, :, None])
        margin_mm = open_mm[:, None, :] - solid[None, :, None]
        full = EndLoads.read(springs, open_mm, standing.errors, readings)
        return cls(tuple(springs), seat, full, margin_mm, loose, limit_mm, standing.errors)

    @cached_property
    def barred(self) -> Flags:
        """What a spring must not be put to: too near to coil bind, or loose."""
        return self.loose | (self.margin_mm < self.limit_mm - ROUNDING)

    @cached_property
    def unread(self) -> Flags:
        """Where a load is missing that could be read: not what is barred anyway."""
        missing = np.isnan(self.seat.load_n) | np.isnan(self.open.load_n)
        return missing & ~self.barred

    @cached_property
    def margin_kept(self) -> Flags:
        """Where the coil bind margin is kept by more than it is unsure, or is unknown.

        Unsure are the height that a spring stands at and the one at which it is solid.
        """
        of_heights_mm = [math.hypot(*(e.u_mm for e in of_choice)) for of_choice in self.errors]
        solids = [spring.solid for spring in self.springs]
        of_solid_mm = np.array([0.0 if one is None else one.height_u_mm for one in solids])
        unsure_mm = np.hypot(of_solid_mm[:, None], np.array(of_heights_mm)[None, :])
        low: Flags = self.margin_mm - unsure_mm[None, :, :] < self.limit_mm - ROUNDING
        return ~low

    def loose_springs(self, choice: int) -> Iterator[Loose]:
        """Yield which springs would stand loose with the valve shut, at the highest place."""
        loose = self.loose[-1, :, choice]
        found = [spring for spring, one in zip(self.springs, loose, strict=True) if one]
        for name in dict.fromkeys(spring.springs.name for spring in found):
            of_set = [spring for spring in found if spring.springs.name == name]
            free_mm = min(spring.free_mm or 0.0 for spring in of_set)
            height_mm = float(self.seat.height_mm[-1, choice])
            yield Loose(name, tuple(spring.label for spring in of_set), height_mm, free_mm)

    def shape_needs(self, index: int, choice: int, place: int) -> Iterator[Need]:
        """Yield the readings of one spring at heights between those that were read."""
        for end in (self.open, self.seat):
            at = place, index, choice
            if not np.isnan(end.load_n[at]) and end.most_n[at] - end.least_n[at] > ROUNDING:
                yield self.springs[index].need(round(float(end.height_mm[place, choice]), 1))

    def solid_contradicted(self) -> Iterator[SolidContradicted]:
        """Yield the sets whose registered solid height their springs contradict."""
        for springs in {one.springs.name: one.springs for one in self.springs}.values():
            if (found := springs.solid_contradicted) is not None:
                yield found

    @property
    def exact(self) -> bool:
        """Whether every load was read at its very height."""
        return all(np.all(end.most_n - end.least_n <= ROUNDING) for end in (self.seat, self.open))

    def closing(self, place: int, index: int, choice: int) -> bool:
        """Whether coils of its set were seen to begin to close above full lift less the margin."""
        closing_mm = self.springs[index].springs.closing_mm
        lowest_mm = float(self.open.height_mm[place, choice]) - self.limit_mm
        return closing_mm is not None and closing_mm > lowest_mm + ROUNDING

    def bind_unknown(self) -> Iterator[SolidUnknown | BindRisk]:
        """Yield the sets whose coil bind can't be told at some height of the table.

        Nor can it where coils begin to close there, whatever solid height is told.
        """
        lowest_mm = float(self.open.height_mm.min()) - self.limit_mm
        for springs in {one.springs.name: one.springs for one in self.springs}.values():
            free = springs.free_to_mm is not None and springs.free_to_mm <= lowest_mm + ROUNDING
            if springs.solid is None and not free:
                yield SolidUnknown(springs.name, springs.closing_mm)
            elif (at_mm := springs.closing_mm) is not None and at_mm > lowest_mm + ROUNDING:
                margin_mm = lowest_mm + self.limit_mm - at_mm
                yield BindRisk("closing", springs.name, at_mm, margin_mm, self.limit_mm)

    def needs(self, index: int, choices: Sequence[int], place: int | None = None) -> Iterator[Need]:
        """Yield the readings of one spring that fill its gaps over some choices, at some place.

        The lowest height that is missing and the highest: between two readings a curve is read.
        """
        spring = self.springs[index]
        at = np.ix_(range(len(self.margin_mm)) if place is None else [place], choices)
        gaps = self.unread[:, index, :][at]
        heights_mm = [
            float(mm)
            for end in (self.open, self.seat)
            for mm in end.height_mm[at][gaps & np.isnan(end.load_n[:, index, :][at])]
        ]
        if not heights_mm:
            return
        low_mm, high_mm = spring.read_range_mm
        asked = {outward_mm(min(heights_mm), -1)} if min(heights_mm) < low_mm else set()
        asked |= {outward_mm(max(heights_mm), 1)} if max(heights_mm) > high_mm else set()
        lowest_mm = spring.lowest_press_mm
        for height_mm in sorted(asked or set(heights_mm)):
            if min(heights_mm) >= lowest_mm:
                yield spring.need(max(height_mm, lowest_mm))
