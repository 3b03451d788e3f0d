"""Candidate sets out of the whole book: a first look at all, a judgement of the promising ones."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from sqlite_utils import Database

from coilbench.analysis.choices import EFFORTS, Effort
from coilbench.analysis.engine.assignment import Assignment, Level
from coilbench.analysis.engine.build_file import EVERY, BuildFile, Where
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.shims import ROLES, Role, SeatChoice, SeatOptions
from coilbench.analysis.engine.shortlist import sets_for_pairs, sets_for_valves
from coilbench.analysis.engine.solving import Solving
from coilbench.analysis.engine.three_index import Array, Index
from coilbench.analysis.engine.valve_loads import (
    Candidate,
    Place,
    Standing,
    places_of,
    read_load,
    valves_of,
)
from coilbench.analysis.engine.wide_search import Spans, WideProblem
from coilbench.analysis.inputs.first_loads import FirstLoads
from coilbench.capture.book.sets import find_set
from coilbench.capture.errors import CoilbenchError

MOST_SETS = 10  # of a role that are judged: each takes about a second
MOST_PAIRED = 4  # where whole sets are compared: each pair is told of
WIDER = 2.0  # ours: how much more than seen the first readings are taken to be off


@dataclass(frozen=True)
class Shelf:
    """All springs of a role in the book, and what became of them.

    Attributes:
        springs, sets: how many there are, with the mark that was asked for.
        unmeasured: springs without a stroke that counts.
        outside: springs not pressed over the heights that `where` asks for.
        not_read: springs that no first reading has at any height they would have.
        judged: names of the sets that are judged.
        first: first readings of the others and of the judged, K places, S choices as `standing`.
        loads_at: where in `first` the loads are, shut and at full lift, shape (K, S, 2).
    """

    role: Role
    springs: int
    sets: int
    unmeasured: int
    outside: int
    not_read: int
    judged: tuple[str, ...]
    first: FirstLoads
    loads_at: Index

    @property
    def only_looked_at(self) -> int:
        """Springs that were read, and not judged."""
        return sum(spring.set_name not in self.judged for spring in self.first.springs)

    @cached_property
    def labels(self) -> dict[str, set[str]]:
        """Labels by set."""
        found: dict[str, set[str]] = {}
        for spring in self.first.springs:
            found.setdefault(spring.set_name, set()).add(spring.label)
        return found


@dataclass(frozen=True)
class Selection:
    """A build whose sets are named, and the shelves that they were taken from.

    Attributes:
        build: with the names.
        shelves: by role; empty where the file names all sets itself.
        choices: what may be done under the springs, K places and their valves.
    """

    build: BuildFile
    shelves: Mapping[Role, Shelf] = field(default_factory=dict)
    choices: tuple[SeatChoice, ...] = ()
    effort: Effort = "shims"
    places: Mapping[Place, list[int]] = field(default_factory=dict)

    @property
    def only_looked_at(self) -> int:
        """Springs that were read, and not judged."""
        return sum(shelf.only_looked_at for shelf in self.shelves.values())

    def narrowed(self, sets: Mapping[str, SetCurves]) -> dict[str, SetCurves]:
        """Return judged sets without springs that were not asked for."""
        kept = dict(sets)
        for shelf in self.shelves.values():
            for name in shelf.judged:
                kept[name] = kept[name].of_springs(shelf.labels.get(name, set()))
        return kept

    def bounded(
        self, assignment: Assignment, sets: Mapping[str, SetCurves], solving: Solving
    ) -> Assignment:
        """Return an assignment of the judged springs with a bound over all that were read."""
        if not self.only_looked_at:
            return assignment
        problem, hold = self._at_best(sets)
        bound = problem.solve(solving).bound or 0.0
        levels = []
        for level in assignment.levels:
            lower = EFFORTS.index(level.effort) <= EFFORTS.index(self.effort)
            levels.append(self._level(level, bound if lower else 0.0, hold=hold))
        return replace(assignment, levels=tuple(levels))

    def _level(self, level: Level, bound: float, *, hold: bool) -> Level:
        status = "unknown" if level.status in ("infeasible", "not_read") else level.status
        known = bound if level.bound is None else min(level.bound, bound)
        return replace(
            level, status=status, bound=known, looked_at=self.only_looked_at, looks_hold=hold
        )

    def _at_best(self, sets: Mapping[str, SetCurves]) -> tuple[WideProblem, bool]:
        """Return the problem with judged loads, and first readings at their best; if these hold.

        Where a judged load lies outside its first reading, all are taken to be off by more.
        """
        read = {role: _judged(shelf, sets) for role, shelf in self.shelves.items()}
        off_n = max((off_n for _, off_n in read.values()), default=0.0)
        firsts = {
            role: _widened(first, self.shelves[role], WIDER * off_n)
            for role, (first, _) in read.items()
        }
        return _problem(self, firsts), off_n == 0.0


def select(
    db: Database,
    build: BuildFile,
    effort: Effort = "shims",
    *,
    by_valve: bool = True,
    say: Callable[[str], None] = lambda _: None,
) -> Selection:
    """Choose candidate sets from the whole book where the build file leaves that open.

    Args:
        db, build: the book and the file.
        effort: what may be done under the springs.
        by_valve: springs for each valve from any set; else whole sets, the same under all valves.
        say: hears what is done.

    Raises:
        CoilbenchError: no spring matches, or how many valves there are is not known.
    """
    if not build.springs.every:
        return Selection(build)
    head = build.head
    if not (head.valve_heights_mm or head.valve_count):
        hint = "Add valves = 16 to [head], or a height for each under [head.valves]"
        raise CoilbenchError(
            f'with "{EVERY}" no set says how many valves there are', where=build.name, hint=hint
        )
    valves = valves_of(build, 0)
    choices = tuple(c for c in SeatOptions.of(build, len(valves)).mixed() if c.allowed(effort))
    selection = Selection(build, {}, choices, effort, places_of(valves))
    roles = ROLES if build.springs.paired else ROLES[:1]
    shelves: dict[Role, Shelf] = {}
    for role in roles:
        say(f"Reading every {role} spring")
        shelves[role] = _shelf(db, selection, role)
    selection = replace(selection, shelves=shelves)
    say("Comparing them with the card")
    chosen = _chosen(selection, by_valve=by_valve)
    shelves = {role: replace(shelf, judged=chosen[role]) for role, shelf in shelves.items()}
    build = build.with_sets(chosen["outer"], chosen.get("inner", ()))
    return replace(selection, build=build, shelves=shelves)


def _shelf(db: Database, selection: Selection, role: Role) -> Shelf:
    """Read a role's springs at every height that they would have."""
    build, named = selection.build, getattr(selection.build.springs, role)
    every = role in build.springs.every
    where = build.springs.where if every else Where()
    for name in () if every else named:
        find_set(db, name, strokes=False)  # refuses one that is not in the book
    sets: tuple[str, str] = (role, role)
    if role == "outer" and not build.springs.paired:
        sets = ("outer", "single")
    standing = Standing.of(build, selection.choices, role)
    at_mm = np.array([place.height_mm for place in selection.places])[:, None]
    seat_mm = at_mm + np.asarray(standing.changes_mm)[None, :]
    lift_mm = np.array([place.cam.valve_lift_mm for place in selection.places])[:, None]
    wanted_mm = np.round(np.stack([seat_mm, seat_mm - lift_mm], axis=-1), 6)
    heights_mm, loads_at = np.unique(wanted_mm, return_inverse=True)
    first = FirstLoads.read(db, sets, where.mark, heights_mm)
    if not every:  # named sets beside every set of the other role
        first = first.of([n for n, one in enumerate(first.springs) if one.set_name in named])
    loads_at = loads_at.reshape(wanted_mm.shape)
    low_mm, high_mm = where.read_down_to_mm, where.read_up_to_mm
    measured = ~np.isnan(first.lowest_mm)
    over = measured.copy()
    over &= first.lowest_mm <= (math.inf if low_mm is None else low_mm)
    over &= first.highest_mm >= (-math.inf if high_mm is None else high_mm)
    both_ends = ~np.isnan(first.load_n[:, loads_at]).any(axis=3)
    read = over & np.any(both_ends, axis=(1, 2))
    if not read.any():
        _refuse_empty(build, role, len(first.springs), int(measured.sum()), heights_mm)
    return Shelf(
        role,
        len(first.springs),
        len(first.sets),
        int(np.sum(~measured)),
        int(np.sum(measured & ~over)),
        int(np.sum(over & ~read)),
        (),
        first.of(np.flatnonzero(read)),
        loads_at,
    )


def _refuse_empty(
    build: BuildFile, role: Role, springs: int, measured: int, heights_mm: Array
) -> None:
    mark = build.springs.where.mark
    marked = "" if mark is None else f" marked {mark!r}"
    where = f"{build.name}, springs.{'outer' if role == 'outer' else 'inner'}"
    if not springs:
        hint = "See the sets, their roles and marks: coilbench set list"
        raise CoilbenchError(f"the book has no {role} spring{marked}", where=where, hint=hint)
    what = f"none of the book's {springs} {role} springs{marked} "
    if not measured:
        raise CoilbenchError(
            f"{what}is measured yet", where=where, hint="Measure one: coilbench live"
        )
    raise CoilbenchError(
        f"{what}was pressed as far as is asked for, between {{low_mm}} and {{high_mm}}",
        where=where,
        hint="Measure some there, or ask for less under springs.where",
        low_mm=float(heights_mm[0]),
        high_mm=float(heights_mm[-1]),
    )


def _chosen(selection: Selection, *, by_valve: bool) -> dict[Role, tuple[str, ...]]:
    """Return which sets of each role are judged: all, where they are few."""
    shelves = selection.shelves
    springs = selection.build.springs
    names = {role: shelf.first.sets for role, shelf in shelves.items()}
    named: dict[Role, tuple[str, ...]] = {
        role: getattr(springs, role) for role in shelves if role not in springs.every
    }
    if all(len(each) <= MOST_SETS for each in names.values()):
        return names | named
    firsts = {role: shelf.first for role, shelf in shelves.items()}
    problem = _problem(selection, firsts, barred=True)
    of_set = {
        role: np.array([names[role].index(spring.set_name) for spring in first.springs])
        for role, first in firsts.items()
    }
    choose = sets_for_valves if by_valve else sets_for_pairs
    stand_in = np.zeros(1, dtype=np.intp)
    most = MOST_SETS if by_valve else min(MOST_SETS, MOST_PAIRED)
    found = choose(problem, of_set["outer"], of_set.get("inner", stand_in), most)
    return {
        role: tuple(names[role][number] for number in sorted(numbers)) or names[role][:1]
        for role, numbers in zip(shelves, found, strict=False)
    } | named


def _problem(
    selection: Selection, firsts: Mapping[Role, FirstLoads], *, barred: bool = False
) -> WideProblem:
    """Put first readings as a problem; barred: without those that are known to come near solid."""
    valves = sum(map(len, selection.places.values()))
    options = SeatOptions.of(selection.build, valves)
    uses = [[choice.uses(shim) for shim in options.scarce] for choice in selection.choices]
    shape = len(selection.choices), len(options.scarce)
    outer = _spans(selection, firsts["outer"], "outer", barred=barred)
    nothing = np.zeros((len(selection.places), shape[0], 1, 2))
    inner, inner_uses = Spans(nothing, nothing), np.array([valves])
    if "inner" in firsts:
        inner = _spans(selection, firsts["inner"], "inner", barred=barred)
        inner_uses = np.ones(len(firsts["inner"].springs), dtype=np.intp)
    return WideProblem(
        outer,
        inner,
        np.array([len(some) for some in selection.places.values()]),
        inner_uses,
        np.array(uses, dtype=float).reshape(shape),
        np.array([shim.count for shim in options.scarce], dtype=float),
        np.zeros(shape[0]),
    )


def _spans(selection: Selection, first: FirstLoads, role: Role, *, barred: bool) -> Spans:
    """Return what springs push in the card's tolerances, the outers less the card's loads."""
    loads_at = selection.shelves[role].loads_at
    cards = [place.cam for place in selection.places]
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
        limit_mm = selection.build.limits.coil_bind_margin_mm
        near = opened_mm[:, :, None] - solid[None, None, :] < limit_mm
        low = np.where(near[..., None], np.nan, low)
    return Spans(low, high)


def _judged(shelf: Shelf, sets: Mapping[str, SetCurves]) -> tuple[FirstLoads, float]:
    """Put judged loads in place of first ones; returns also how far outside of these they were.

    A judged spring that may not be used has none. Between heights that were read singly a load lies
    where the spring's shape may have it.
    """
    first, off_n = shelf.first, 0.0
    least_n, most_n = first.least_n.copy(), first.most_n.copy()
    curves = {(name, curve.label): curve for name in shelf.judged for curve in sets[name].curves}
    for number, spring in enumerate(first.springs):
        if spring.set_name not in shelf.judged:
            continue
        curve = curves.get((spring.set_name, spring.label))
        if curve is None:
            least_n[number] = most_n[number] = np.nan
            continue
        load_n = curve.loads_n_at(first.heights_mm)
        beyond_n = np.fmax(first.least_n[number] - load_n, load_n - first.most_n[number])
        off_n = max(off_n, float(np.nanmax(beyond_n, initial=0.0)))
        least_n[number], most_n[number] = load_n, load_n
        if not all(sweep.dense for sweep in curve.sweeps):
            candidate = Candidate(spring.label, sets[spring.set_name], spring.label, curve)
            known = [read_load(candidate, mm, (), {}) for mm in first.heights_mm.tolist()]
            least_n[number] = [np.nan if one.load is None else one.least_n for one in known]
            most_n[number] = [np.nan if one.load is None else one.most_n for one in known]
    return replace(first, least_n=least_n, most_n=most_n), off_n


def _widened(first: FirstLoads, shelf: Shelf, by_n: float) -> FirstLoads:
    """Take first readings, not judged ones, to be off by so much more."""
    looked_at = np.array([spring.set_name not in shelf.judged for spring in first.springs])
    more_n = np.where(looked_at, by_n, 0.0)[:, None]
    least_n = np.fmax(first.least_n - more_n, 0.0)
    return replace(
        first,
        least_n=np.where(np.isnan(first.least_n), np.nan, least_n),
        most_n=first.most_n + more_n,
    )
