"""What lies on the bench for an assignment: valves, springs, what can go under them. Pure."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from coilbench.analysis.curves.curve import HeightNotMeasured, Reading, SpringCurve
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.chosen_sets import chosen_set
from coilbench.analysis.engine.placed_sets import SetCurves
from coilbench.analysis.engine.shims import SeatChoice, seat_cuts_mm, stacks_from_stock
from coilbench.analysis.engine.three_index import Array, Index

Loads = dict[tuple[int, float], Reading | None]  # by id of the curve and height


@dataclass(frozen=True)
class Valve:
    """A valve and the outer's installed height there."""

    name: str
    height_mm: float


@dataclass(frozen=True)
class Candidate:
    """A spring that may be used; its name says its set too where labels alone don't differ."""

    name: str
    springs: SetCurves
    curve: SpringCurve

    @property
    def solid_mm(self) -> float | None:
        """Its solid height, else the highest known of its set, else None."""
        return self.springs.solid_of_mm(self.curve)


@dataclass(frozen=True)
class LoadTable:
    """Springs at their heights, arrays of shape (heights, springs, choices).

    Attributes:
        seat_n, open_n: loads with the valve shut and at full lift; NaN where not measured.
        margin_mm: open height less solid height; NaN where that isn't known.
    """

    seat_n: Array
    open_n: Array
    margin_mm: Array


@dataclass(frozen=True)
class AssignmentBench:
    """Everything an assignment chooses from.

    Attributes:
        valves: as the build file lists them.
        outers, inners: the springs; no inners for single springs.
        choices: every stack of shims that can be of use, then every cut.
        heights_mm: shape (K,), the different installed heights, ascending.
        wanted: shape (K,), how many valves stand at each.
        outer_loads, inner_loads: (K, O, S) and (K, I, S).
        loads: the readings they were made of.
    """

    build: BuildFile
    valves: tuple[Valve, ...]
    outers: tuple[Candidate, ...]
    inners: tuple[Candidate, ...]
    choices: tuple[SeatChoice, ...]
    heights_mm: Array
    wanted: Index
    outer_loads: LoadTable
    inner_loads: LoadTable | None
    loads: Loads


def valves_of(build: BuildFile, set_sizes: Mapping[str, int]) -> tuple[Valve, ...]:
    """List the valves.

    As [head.valves] lists them; else as many as `valves` in [head] says, all at
    installed_height; else one for each spring of the largest candidate outer set, flagged ones
    too: springs that were bought together are one for each valve.

    Args:
        build: the head and the candidate sets.
        set_sizes: how many springs each set is registered with.
    """
    head = build.head
    if head.valve_heights_mm:
        return tuple(Valve(name, height) for name, height in head.valve_heights_mm.items())
    count = head.valve_count
    if count is None:
        count = max(set_sizes[name] for name in build.springs.outer)
    return tuple(Valve(str(number), head.installed_height_mm) for number in range(1, count + 1))


def candidates(build: BuildFile, sets: Mapping[str, SetCurves], role: str) -> tuple[Candidate, ...]:
    """Pool the springs of every candidate set of a role, ordered by name.

    Raises:
        CoilbenchError: a set is unknown or has the wrong role.
    """
    names = build.springs.outer if role == "outer" else build.springs.inner
    pool = [chosen_set(build, sets, role, name) for name in names]
    labels = Counter(curve.label for springs in pool for curve in springs.curves)
    return tuple(
        Candidate(
            curve.label if labels[curve.label] == 1 else f"{springs.name}/{curve.label}",
            springs,
            curve,
        )
        for springs in sorted(pool, key=lambda springs: springs.name)
        for curve in sorted(springs.curves, key=lambda curve: curve.label)
    )


def lay_out(
    build: BuildFile,
    valves: Sequence[Valve],
    outers: tuple[Candidate, ...],
    inners: tuple[Candidate, ...],
    loads: Loads,
) -> AssignmentBench:
    """Read every spring at every height it may stand at.

    Args:
        build: head, shims and limits.
        valves: at least one.
        outers, inners: the springs; no inners for single springs.
        loads: readings made before; new ones are added to it.
    """
    stacks = stacks_from_stock(build.shims, build.limits.max_shims, len(valves))
    choices = [SeatChoice(shims_mm=stack) for stack in stacks]
    choices += [SeatChoice(seat_cut_mm=cut) for cut in seat_cuts_mm(build.head)]
    heights, wanted = np.unique([round(v.height_mm, 6) for v in valves], return_counts=True)
    changes = np.array([choice.height_change_mm for choice in choices])
    outer_heights = heights[:, None] + changes[None, :]
    lift_mm = build.cam.valve_lift_mm
    inner_loads = None
    if inners:
        inner_heights = outer_heights - build.head.inner_offset_mm
        inner_loads = _load_table(inners, inner_heights, lift_mm, loads)
    return AssignmentBench(
        build,
        tuple(valves),
        outers,
        inners,
        tuple(choices),
        heights,
        wanted,
        _load_table(outers, outer_heights, lift_mm, loads),
        inner_loads,
        loads,
    )


def read_load(curve: SpringCurve, height_mm: float, loads: Loads) -> Reading | None:
    """Read a load, once for each height; None where it wasn't measured."""
    key = id(curve), round(height_mm, 6)
    if key not in loads:
        try:
            loads[key] = curve.load_at(key[1])
        except HeightNotMeasured:
            loads[key] = None
    return loads[key]


def _load_table(
    springs: Sequence[Candidate], heights_mm: Array, lift_mm: float, loads: Loads
) -> LoadTable:
    places, choices = heights_mm.shape
    seat, full, margin = (np.full((places, len(springs), choices), np.nan) for _ in range(3))
    for index, spring in enumerate(springs):
        for at, height_mm in np.ndenumerate(heights_mm):
            place, choice = at
            for table, read_at_mm in ((seat, height_mm), (full, height_mm - lift_mm)):
                reading = read_load(spring.curve, float(read_at_mm), loads)
                table[place, index, choice] = math.nan if reading is None else reading.load_n
        if spring.solid_mm is not None:
            margin[:, index, :] = heights_mm - lift_mm - spring.solid_mm
    return LoadTable(seat, full, margin)
