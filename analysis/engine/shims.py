"""What can be done under a spring: shims or a seat cut. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import combinations_with_replacement
from typing import Literal, get_args

from coilbench.analysis.engine.build_file import BuildFile, Shim

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
        return _total_mm(self.shims_mm)

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


@dataclass(frozen=True)
class SeatOptions:
    """What can be done under the springs of some valves.

    Attributes:
        shims: the stock, thicknesses all different.
        max_shims: most shims in a stack.
        valves: how many share the stock.
        cuts_mm: seat cuts to consider.
    """

    shims: Sequence[Shim]
    max_shims: int
    valves: int = 1
    cuts_mm: tuple[float, ...] = ()

    @classmethod
    def of(cls, build: BuildFile, valves: int) -> SeatOptions:
        """Return a build's: cuts in whole steps up to the deepest allowed, from one step on."""
        head = build.head
        steps = math.floor(head.max_seat_cut_mm / head.seat_cut_step_mm + 1e-9)
        cuts_mm = (round(step * head.seat_cut_step_mm, 6) for step in range(1, steps + 1))
        return cls(build.shims, build.limits.max_shims, valves, tuple(cuts_mm))

    def alike(self) -> tuple[SeatChoice, ...]:
        """List everything that can be done alike under all valves: nothing, each stack, each cut.

        One stack for each total thickness that can be had, thin first: of two as thick as one
        another the one that stock can give every valve, then the one with fewer shims.
        """
        best: dict[float, Stack] = {}
        for stack in self._stacks():
            total = _total_mm(stack)
            known = best.get(total)
            if known is None or (self.shortages(known) and not self.shortages(stack)):
                best[total] = stack
        return self._choices(best[total] for total in sorted(best))

    def mixed(self) -> tuple[SeatChoice, ...]:
        """List all that can be of use where each valve gets its own, thin first.

        Of stacks as thick as one another those are left out that need no fewer shims in all, nor of
        any thickness that could run short, than another one.
        """
        scarce = [shim.thickness_mm for shim in self.scarce]
        by_total: dict[float, list[Stack]] = {}
        for stack in self._stacks():
            others = by_total.setdefault(_total_mm(stack), [])
            # Sizes only grow: a later stack is better only by what is scarce.
            if not any(all(o.count(t) <= stack.count(t) for t in scarce) for o in others):
                others.append(stack)
        return self._choices(stack for total in sorted(by_total) for stack in by_total[total])

    @property
    def scarce(self) -> tuple[Shim, ...]:
        """The shims of which there are fewer than every valve could take."""
        most = self.max_shims * self.valves
        return tuple(s for s in self.shims if s.count is not None and s.count < most)

    def shortages(self, stack: Stack) -> tuple[Shortage, ...]:
        """List the shims of which there are too few to put the stack under every valve."""
        needed = ((shim, stack.count(shim.thickness_mm) * self.valves) for shim in self.shims)
        return tuple(
            Shortage(shim.thickness_mm, count, shim.count)
            for shim, count in needed
            if shim.count is not None and count > shim.count
        )

    def _stacks(self) -> Iterator[Stack]:
        """Yield every stack that the stock holds once, fewest shims first."""
        thicknesses, once = sorted(s.thickness_mm for s in self.shims), replace(self, valves=1)
        most = self.max_shims if self.shims else 0  # there is no end of empty stacks
        for size in range(most + 1):
            for stack in combinations_with_replacement(thicknesses, size):
                if not once.shortages(stack):
                    yield stack

    def _choices(self, stacks: Iterable[Stack]) -> tuple[SeatChoice, ...]:
        shimmed = (SeatChoice(shims_mm=stack) for stack in stacks)
        return (*shimmed, *(SeatChoice(seat_cut_mm=cut) for cut in self.cuts_mm))


def _total_mm(stack: Stack) -> float:
    """Return a stack's thickness, to the nanometre, so that equal stacks compare equal."""
    return round(math.fsum(stack), 6)
