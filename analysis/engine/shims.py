"""What can be done under a spring: shims or a seat cut. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from itertools import combinations_with_replacement
from typing import Literal, NamedTuple, get_args

import msgspec
from msgspec.structs import replace

from coilbench.analysis.choices import Effort
from coilbench.analysis.curves.uncertainty import SourceKind
from coilbench.analysis.engine.build_file import UNDERS, BuildFile, Shim
from coilbench.analysis.engine.reasons import Shortage

Stack = tuple[float, ...]
Role = Literal["outer", "inner"]  # a single spring stands as the outer does
ROLES: tuple[Role, ...] = get_args(Role)


class SeatChoice(msgspec.Struct, frozen=True):
    """One thing to do under the springs of a valve.

    Attributes:
        shims_mm: thickness of each shim under both springs, thin first; empty for none.
        seat_cut_mm: how deep the seat is cut; 0 for not at all. A shim over a cut gives a height
            that neither does alone.
        outer_shims_mm, inner_shims_mm: of each shim under that spring alone.
    """

    shims_mm: Stack = ()
    seat_cut_mm: float = 0.0
    outer_shims_mm: Stack = ()
    inner_shims_mm: Stack = ()

    @classmethod
    def of(cls, shims: Iterable[Shim]) -> SeatChoice:
        """Return what some shims are, thin first."""
        stacks: dict[str, list[float]] = {under: [] for under in UNDERS}
        for shim in sorted(shims, key=lambda one: one.thickness_mm):
            stacks[shim.under].append(shim.thickness_mm)
        both, outer, inner = (tuple(stacks[under]) for under in UNDERS)
        return cls(both, 0.0, outer, inner)

    @property
    def shim_mm(self) -> float:
        """Thickness of the stack under both springs."""
        return _total_mm(self.shims_mm)

    @property
    def outer_shim_mm(self) -> float:
        """Thickness of the stack under the outer alone."""
        return _total_mm(self.outer_shims_mm)

    @property
    def inner_shim_mm(self) -> float:
        """Thickness of the stack under the inner alone."""
        return _total_mm(self.inner_shims_mm)

    @property
    def count(self) -> int:
        """How many shims there are."""
        return len(self.shims_mm) + len(self.outer_shims_mm) + len(self.inner_shims_mm)

    @property
    def alike(self) -> bool:
        """Whether both springs have the same under them."""
        return not self.outer_shims_mm and not self.inner_shims_mm

    def uses(self, shim: Shim) -> int:
        """Return how many shims of a kind it takes."""
        stacks = self.shims_mm, self.outer_shims_mm, self.inner_shims_mm
        return stacks[UNDERS.index(shim.under)].count(shim.thickness_mm)

    def under_mm(self, role: Role) -> float:
        """Return the thickness of all shims under one spring."""
        alone = self.outer_shims_mm if role == "outer" else self.inner_shims_mm
        return _total_mm((*self.shims_mm, *alone))

    def change_mm(self, role: Role) -> float:
        """Return what it adds to one spring's height: a cut raises it, a shim lowers it."""
        return self.seat_cut_mm - self.under_mm(role)

    @property
    def changes_mm(self) -> tuple[float, float]:
        """What it adds to the outer's height and to the inner's, to the nanometre."""
        return round(self.change_mm("outer"), 6), round(self.change_mm("inner"), 6)

    def allowed(self, effort: Effort) -> bool:
        """Tell whether a level of effort may do it; nothing under the springs it always may."""
        if self.seat_cut_mm > 0.0:
            return effort == "cuts"
        return effort != "none" or self.count == 0

    @property
    def height_change_mm(self) -> float:
        """What it adds to both springs' heights alike."""
        return self.seat_cut_mm - self.shim_mm


class HeightError(NamedTuple):
    """Why a spring's height is unsure, and its expanded uncertainty, k = 2."""

    source: SourceKind
    u_mm: float


def height_errors(build: BuildFile, choice: SeatChoice, role: Role) -> tuple[HeightError, ...]:
    """Return what makes a spring's height in the engine unsure, as far as the build file gives it.

    Shims of one kind err alike, as they were measured once; those of several kinds don't.
    """
    under = [shim for shim in build.shims if shim.under in ("both", role)]
    each_u_mm = [choice.uses(shim) * (shim.thickness_u_mm or 0.0) for shim in under]
    errors = (
        HeightError("installed_height", build.head.height_u_mm or 0.0),
        HeightError("shim_thickness", math.hypot(*each_u_mm)),
    )
    return tuple(error for error in errors if error.u_mm > 0.0)


class SeatOptions(msgspec.Struct, frozen=True):
    """What can be done under the springs of some valves.

    Attributes:
        shims: the stock, no two of one thickness for the same spring or springs.
        max_shims: most shims under a valve.
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
        """List everything that can be done alike under all valves, the least effort first.

        One choice for each change of heights that can be had: of two that change them alike the one
        that stock can give every valve, then the one without a cut, then that with fewer shims.
        """
        best: dict[tuple[float, float], SeatChoice] = {}
        for choice in self._choices():
            known = best.get(choice.changes_mm)
            if known is None or (self.shortages(known) and not self.shortages(choice)):
                best[choice.changes_mm] = choice
        return tuple(sorted(best.values(), key=_effort))

    def mixed(self) -> tuple[SeatChoice, ...]:
        """List all that can be of use where each valve gets its own, the least effort first.

        Of choices that change the heights alike those are left out that need no shallower cut, no
        fewer shims in all, nor fewer of any kind that could run short, than another one.
        """
        scarce = self.scarce
        by_change: dict[tuple[float, float], list[SeatChoice]] = {}
        for choice in self._choices():
            others = by_change.setdefault(choice.changes_mm, [])
            # Effort only grows: a later choice is better only by what is scarce.
            if not any(all(o.uses(s) <= choice.uses(s) for s in scarce) for o in others):
                others.append(choice)
        return tuple(sorted((one for alike in by_change.values() for one in alike), key=_effort))

    @property
    def scarce(self) -> tuple[Shim, ...]:
        """The shims of which there are fewer than every valve could take."""
        most = self.max_shims * self.valves
        return tuple(s for s in self.shims if s.count is not None and s.count < most)

    def shortages(self, choice: SeatChoice) -> tuple[Shortage, ...]:
        """List the shims of which there are too few to do the same under every valve."""
        needed = ((shim, choice.uses(shim) * self.valves) for shim in self.shims)
        return tuple(
            Shortage(shim.thickness_mm, count, shim.count, shim.under)
            for shim, count in needed
            if shim.count is not None and count > shim.count
        )

    def _stacks(self) -> Iterator[SeatChoice]:
        """Yield every stack that the stock holds once, fewest shims first."""
        kinds = sorted(self.shims, key=lambda s: (s.thickness_mm, UNDERS.index(s.under)))
        once = replace(self, valves=1)
        most = self.max_shims if self.shims else 0  # there is no end of empty stacks
        for size in range(most + 1):
            for shims in combinations_with_replacement(kinds, size):
                stack = SeatChoice.of(shims)
                if not once.shortages(stack):
                    yield stack

    def _choices(self) -> Iterator[SeatChoice]:
        """Yield every stack, then every stack over every cut, the least effort first."""
        stacks = list(self._stacks())
        yield from stacks
        for cut_mm in self.cuts_mm:
            yield from (replace(stack, seat_cut_mm=cut_mm) for stack in stacks)


def _effort(choice: SeatChoice) -> tuple[float, ...]:
    """Return what sorts choices: no cut before any, then from the thinnest stack up."""
    return choice.seat_cut_mm, *(-mm for mm in choice.changes_mm), choice.count


def _total_mm(stack: Stack) -> float:
    """Return a stack's thickness, to the nanometre, so that equal stacks compare equal."""
    return round(math.fsum(stack), 6)


class Window(NamedTuple):
    """Changes of height, least and greatest; whether either is only the end of what was read."""

    low_mm: float
    high_mm: float
    low_unread: bool
    high_unread: bool

    def overlap(self, other: Window) -> Window | None:
        """Return what lies in both; None where nothing does."""
        low_mm, low_unread = max((self.low_mm, self.low_unread), (other.low_mm, other.low_unread))
        high_mm, high_unread = min(
            (self.high_mm, self.high_unread), (other.high_mm, other.high_unread)
        )
        return Window(low_mm, high_mm, low_unread, high_unread) if low_mm <= high_mm else None
