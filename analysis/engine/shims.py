"""What can be done under a spring, shims or a seat cut, and how deep to press it then. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations_with_replacement
from typing import Literal, get_args

from coilbench.analysis.engine.build_file import BuildFile, Head, Shim
from coilbench.capture.errors import CoilbenchError

Stack = tuple[float, ...]
Effort = Literal["none", "shims", "cuts"]  # what may be done under the springs, least first
EFFORTS: tuple[Effort, ...] = get_args(Effort)
SET_KEY = {"json": "set"}  # the key of a set's name in a JSON document


@dataclass(frozen=True)
class SeatChoice:
    """One thing to do under both springs of a valve.

    Attributes:
        shims_mm: thickness of each shim, thin first; empty for none.
        seat_cut_mm: how deep the seat is cut; 0 for not at all. Never both: a shim over a cut
            undoes it.
    """

    shims_mm: Stack = ()
    seat_cut_mm: float = 0.0

    @property
    def shim_mm(self) -> float:
        """Thickness of the whole stack."""
        return total_mm(self.shims_mm)

    @property
    def count(self) -> int:
        """How many shims there are."""
        return len(self.shims_mm)

    def allowed(self, effort: Effort) -> bool:
        """Tell whether a level of effort may do it; nothing under the springs it always may."""
        if self.seat_cut_mm > 0.0:
            return effort == "cuts"
        return effort != "none" or not self.shims_mm

    @property
    def height_change_mm(self) -> float:
        """What it adds to both springs' heights: a cut raises them, a shim lowers them."""
        return self.seat_cut_mm - self.shim_mm


@dataclass(frozen=True)
class Shortage:
    """Shims of one thickness that a stack needs under every valve, and how many there are."""

    kind: Literal["too_few_shims"] = field(default="too_few_shims", init=False)
    thickness_mm: float
    needed: int
    count: int


def seat_choices(build: BuildFile, valves: int) -> tuple[SeatChoice, ...]:
    """List everything that can be done alike under all valves: nothing, each stack, each cut.

    How many valves would get the same decides between stacks of one thickness.
    """
    stacks = shim_stacks(build.shims, build.limits.max_shims, valves)
    shimmed = [SeatChoice(shims_mm=stack) for stack in stacks]
    return (*shimmed, *(SeatChoice(seat_cut_mm=cut) for cut in seat_cuts_mm(build.head)))


def mixed_choices(build: BuildFile, valves: int) -> tuple[SeatChoice, ...]:
    """List all that can be of use where valves share the stock and each gets its own."""
    stacks = stacks_from_stock(build.shims, build.limits.max_shims, valves)
    cuts = (SeatChoice(seat_cut_mm=cut) for cut in seat_cuts_mm(build.head))
    return (*(SeatChoice(shims_mm=stack) for stack in stacks), *cuts)


def seat_cuts_mm(head: Head) -> tuple[float, ...]:
    """List the cuts to consider: whole steps up to the deepest allowed, from one step on."""
    steps = math.floor(head.max_seat_cut_mm / head.seat_cut_step_mm + 1e-9)
    return tuple(round(step * head.seat_cut_step_mm, 6) for step in range(1, steps + 1))


def shim_stacks(shims: Sequence[Shim], max_shims: int, valves: int = 1) -> tuple[Stack, ...]:
    """List one stack for each total thickness that can be had, from none to the thickest.

    Of two stacks as thick as one another the one that stock can give every valve comes first,
    then the one with fewer shims. The stock, all of different thickness, must hold a stack once.
    """
    most = max_shims if shims else 0  # there is no end of empty stacks
    best: dict[float, Stack] = {}
    for size in range(most + 1):
        for stack in combinations_with_replacement(sorted(s.thickness_mm for s in shims), size):
            if shortages(stack, shims, 1):
                continue
            total = total_mm(stack)
            known = best.get(total)
            if known is None or (
                shortages(known, shims, valves) and not shortages(stack, shims, valves)
            ):
                best[total] = stack
    return tuple(best[total] for total in sorted(best))


def stacks_from_stock(shims: Sequence[Shim], max_shims: int, valves: int) -> tuple[Stack, ...]:
    """List every stack that can be of use where valves get different ones, thin first.

    Of stacks as thick as one another those are left out that need no fewer shims in all, nor of
    any thickness that could run short, than another one.

    Args:
        shims: the stock, thicknesses all different.
        max_shims: most shims in a stack.
        valves: how many valves share the stock.
    """
    scarce = [shim.thickness_mm for shim in scarce_shims(shims, max_shims, valves)]
    by_total: dict[float, list[Stack]] = {}
    for size in range((max_shims if shims else 0) + 1):
        for stack in combinations_with_replacement(sorted(s.thickness_mm for s in shims), size):
            others = by_total.setdefault(total_mm(stack), [])
            # Sizes only grow: a later stack is better only by what is scarce.
            better = any(all(o.count(t) <= stack.count(t) for t in scarce) for o in others)
            if not better and not shortages(stack, shims, 1):
                others.append(stack)
    return tuple(stack for total in sorted(by_total) for stack in by_total[total])


def scarce_shims(shims: Sequence[Shim], max_shims: int, valves: int) -> tuple[Shim, ...]:
    """List the shims of which there are fewer than every valve could take."""
    return tuple(s for s in shims if s.count is not None and s.count < max_shims * valves)


def shortages(stack: Stack, shims: Sequence[Shim], valves: int) -> tuple[Shortage, ...]:
    """List the shims of which there are too few to put the stack under every valve."""
    short: list[Shortage] = []
    for shim in shims:
        needed = stack.count(shim.thickness_mm) * valves
        if shim.count is not None and needed > shim.count:
            short.append(Shortage(shim.thickness_mm, needed, shim.count))
    return tuple(short)


def total_mm(stack: Stack) -> float:
    """Return a stack's thickness, to the nanometre, so that equal stacks compare equal."""
    return round(math.fsum(stack), 6)


@dataclass(frozen=True)
class DepthRow:
    """How far to press one set over one choice of shims or cut.

    Attributes:
        role: outer or inner, as the build file names it.
        shim_mm, seat_cut_mm: what is under the spring; one of them is 0.
        seat_height_mm, open_height_mm: valve shut and at full lift, mean over the valves.
        seat_depth_mm, open_depth_mm: free length less height; None where the free length isn't
            known; negative where the spring would stand loose.
    """

    set_name: str = field(metadata=SET_KEY)
    role: str
    shim_mm: float
    seat_cut_mm: float
    seat_height_mm: float
    open_height_mm: float
    seat_depth_mm: float | None
    open_depth_mm: float | None


def depths(build: BuildFile, free_lengths_mm: Mapping[str, float | None]) -> tuple[DepthRow, ...]:
    """List how far to press each candidate set, shims first from none up, then cuts.

    Free lengths are by set, None where unknown.

    Raises:
        CoilbenchError: a candidate set is not among them.
    """
    head, rows = build.head, []
    choices = seat_choices(build, 1 if head.valve_count is None else head.valve_count)
    named = [("outer", name, 0.0) for name in build.springs.outer]
    named += [("inner", name, head.inner_offset_mm) for name in build.springs.inner]
    for role, name, offset_mm in named:
        if name not in free_lengths_mm:
            raise CoilbenchError(
                f"there is no set {name!r}",
                where=f"{build.name}, springs.{role}",
                hint="See: coilbench set list",
            )
        free_mm = free_lengths_mm[name]
        for choice in choices:
            seat_mm = head.installed_height_mm + choice.height_change_mm - offset_mm
            open_mm = seat_mm - build.cam.valve_lift_mm
            rows.append(
                DepthRow(
                    set_name=name,
                    role=role,
                    shim_mm=choice.shim_mm,
                    seat_cut_mm=choice.seat_cut_mm,
                    seat_height_mm=round(seat_mm, 6),
                    open_height_mm=round(open_mm, 6),
                    seat_depth_mm=None if free_mm is None else round(free_mm - seat_mm, 6),
                    open_depth_mm=None if free_mm is None else round(free_mm - open_mm, 6),
                )
            )
    return tuple(rows)
