"""What the springs of the shelves push: judged loads where there are any, else first readings.

As problems for the search: a first reading at its likely load, or anywhere that it may be.
"""

from __future__ import annotations

from collections.abc import Mapping

import msgspec
import numpy as np
from msgspec.structs import replace

from coilbench.analysis.engine.reasons import LooksTaken
from coilbench.analysis.engine.shims import Role, SeatOptions
from coilbench.analysis.engine.three_index import Array
from coilbench.analysis.engine.valve_loads import Flags
from coilbench.analysis.engine.wide_search import Spans, WideProblem
from coilbench.analysis.inputs.first_loads import FirstLoads, Looks
from coilbench.analysis.inputs.set_loads import SetLoads
from coilbench.analysis.inputs.shelf import Shelf, Wanted


class ShelfLoads(msgspec.Struct, frozen=True):
    """The springs of the shelves, some of them judged.

    Attributes:
        known: of each role the judged loads, in least_n and most_n; NaN where there is none.
        judged: of each role which springs are of a judged set, shape (N,).
        looks: of each role how far first readings are from judged loads.
        looks_hold: whether no judged load was beyond what the branches of its strokes allow.
    """

    wanted: Wanted
    shelves: Mapping[Role, Shelf]
    known: Mapping[Role, FirstLoads]
    judged: Mapping[Role, Flags]
    looks: Mapping[Role, Looks]
    looks_hold: bool

    @classmethod
    def of(
        cls, wanted: Wanted, shelves: Mapping[Role, Shelf], sets: Mapping[str, SetLoads]
    ) -> ShelfLoads:
        """Take judged sets, by name, at the shelves' heights."""
        known: dict[Role, FirstLoads] = {}
        judged: dict[Role, Flags] = {}
        looks: dict[Role, Looks] = {}
        hold = True
        for role, shelf in shelves.items():
            found = _Judged.of(shelf.first, sets)
            known[role], judged[role] = found.loads, found.judged
            looks[role] = Looks.seen(found.shares)
            hold = hold and found.hold
        return cls(wanted, shelves, known, judged, looks, hold)

    @property
    def taken(self) -> LooksTaken:
        """How far off first readings are taken to be, and how far judged ones were."""
        spans_n: list[Array] = []
        seen_n = 0.0
        for role, shelf in self.shelves.items():
            near, judged = shelf.first.within(self.looks[role]), self.judged[role]
            half_n = (near.most_n - near.least_n) / 2.0
            spans_n.append(half_n[~judged].ravel())
            off_n = np.abs(self.known[role].least_n - near.least_n - half_n)
            off_n[np.isnan(shelf.first.half_n)] = np.nan
            seen_n = max(seen_n, float(np.nanmax(off_n[judged], initial=0.0)))
        every_n = np.concatenate(spans_n)
        every_n = every_n[~np.isnan(every_n)]
        usual_n = float(np.median(every_n)) if every_n.size else 0.0
        springs = sum(looks.springs for looks in self.looks.values())
        return LooksTaken(usual_n, float(every_n.max(initial=0.0)), seen_n, springs)

    def likely(self) -> WideProblem:
        """Put first readings at their likely loads; none that is known to come near solid."""
        middle = {}
        for role, first in self._firsts().items():
            load_n = (first.least_n + first.most_n) / 2.0
            middle[role] = replace(first, least_n=load_n, most_n=load_n)
        return _problem(self.wanted, self.shelves, middle, barred=True)

    def at_best(self) -> WideProblem:
        """Put first readings as near to the card as they may be."""
        return _problem(self.wanted, self.shelves, self._firsts())

    def at_widest(self) -> WideProblem:
        """Put first readings anywhere between the branches of their strokes."""
        return _problem(self.wanted, self.shelves, self._firsts(widest=True))

    def of_judged(self) -> WideProblem:
        """Take judged springs alone."""
        return _problem(self.wanted, self.shelves, self.known, barred=True)

    def _firsts(self, *, widest: bool = False) -> dict[Role, FirstLoads]:
        """Return judged loads, else first readings."""
        found = {}
        for role, shelf in self.shelves.items():
            first, known = shelf.first, self.known[role]
            near = first.within(self.looks[role])
            if widest:
                least_n = np.fmin(first.least_n, near.least_n)
                near = replace(near, least_n=least_n, most_n=np.fmax(first.most_n, near.most_n))
            of_judged = self.judged[role][:, None]
            found[role] = replace(
                near,
                least_n=np.where(of_judged, known.least_n, near.least_n),
                most_n=np.where(of_judged, known.most_n, near.most_n),
            )
        return found


class _Judged(msgspec.Struct, frozen=True):
    """A shelf's judged loads, and how its first readings of the same springs compare."""

    loads: FirstLoads
    judged: Flags
    shares: Array
    hold: bool

    @classmethod
    def of(cls, first: FirstLoads, sets: Mapping[str, SetLoads]) -> _Judged:
        """Take them; a judged spring that may not be used has none."""
        load_n, least_n, most_n = np.full((3, *first.load_n.shape), np.nan)
        at = {
            (name, label): (each, row)
            for name, each in sets.items()
            for row, label in enumerate(each.labels)
        }
        for number, spring in enumerate(first.springs):
            found = at.get((spring.set_name, spring.label))
            if found is not None:
                each, row = found
                load_n[number] = each.load_n[row]
                least_n[number], most_n[number] = each.least_n[row], each.most_n[row]
        beyond_n = np.fmax(first.least_n - load_n, load_n - first.most_n)
        judged = np.array([spring.set_name in sets for spring in first.springs], dtype=bool)
        loads = replace(first, least_n=least_n, most_n=most_n)
        exact_n = np.where(least_n == most_n, least_n, np.nan)
        hold = float(np.nanmax(beyond_n, initial=0.0)) <= 0.0
        return cls(loads, judged, first.shares(exact_n), hold)


def _problem(
    wanted: Wanted,
    shelves: Mapping[Role, Shelf],
    firsts: Mapping[Role, FirstLoads],
    *,
    barred: bool = False,
) -> WideProblem:
    """Put first readings as a problem; barred: without those that are known to come near solid."""
    valves = sum(map(len, wanted.places.values()))
    options = SeatOptions.of(wanted.build, valves)
    uses = [[choice.uses(shim) for shim in options.scarce] for choice in wanted.choices]
    shape = len(wanted.choices), len(options.scarce)
    outer = _spans(wanted, shelves["outer"], firsts["outer"], "outer", barred=barred)
    nothing = np.zeros((len(wanted.places), shape[0], 1, 2))
    inner, inner_uses = Spans(nothing, nothing), np.array([valves])
    if "inner" in firsts:
        inner = _spans(wanted, shelves["inner"], firsts["inner"], "inner", barred=barred)
        inner_uses = np.ones(len(firsts["inner"].springs), dtype=np.intp)
    return WideProblem(
        outer,
        inner,
        np.array([len(some) for some in wanted.places.values()]),
        inner_uses,
        np.array(uses, dtype=float).reshape(shape),
        np.array([shim.count for shim in options.scarce], dtype=float),
        np.zeros(shape[0]),
    )


def _spans(wanted: Wanted, shelf: Shelf, first: FirstLoads, role: Role, *, barred: bool) -> Spans:
    """Return what springs push in the card's tolerances, the outers less the card's loads."""
    loads_at = shelf.loads_at
    cards = [place.cam for place in wanted.places]
    tolerance_n = np.array([[c.seat_tolerance_n, c.open_tolerance_n] for c in cards])
    card_n = np.array([[c.seat_load_n, c.open_load_n] for c in cards])
    card_n = card_n if role == "outer" else np.zeros_like(card_n)
    low, high = (
        (np.moveaxis(each[:, loads_at], 0, 2) - card_n[:, None, None, :])
        / tolerance_n[:, None, None, :]
        for each in (first.least_n, first.most_n)
    )
    if barred:
        solid_mm = [spring.solid_height_mm for spring in first.springs]
        solid = np.array([np.nan if mm is None else mm for mm in solid_mm], dtype=float)
        opened_mm = first.heights_mm[loads_at[:, :, 1]]
        limit_mm = wanted.build.limits.coil_bind_margin_mm
        near = opened_mm[:, :, None] - solid[None, None, :] < limit_mm
        low = np.where(near[..., None], np.nan, low)
    return Spans(low, high)
