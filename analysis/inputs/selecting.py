"""Candidate sets out of the whole book: a first look at all, a judgement of the promising ones.

Round by round: the springs that would come nearest to the card, each first reading as near to it as
it may be, bound what any choice gives. The sets that they are of are judged, so that none of their
springs is better than it is. It ends where all of these are judged: the bound is met, or where the
time or the number of sets is used up.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from itertools import zip_longest
from typing import TYPE_CHECKING, Protocol

import msgspec
import numpy as np
from msgspec.structs import replace

from coilbench.analysis.choices import EFFORTS, Effort
from coilbench.analysis.engine.build_file import EVERY, BuildFile
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.shims import ROLES, Role, SeatOptions
from coilbench.analysis.engine.solving import Answer, Solving
from coilbench.analysis.engine.three_index import GAP, Array, Index, Solution
from coilbench.analysis.engine.valve_loads import places_of, valves_of
from coilbench.analysis.engine.wide_search import WideProblem
from coilbench.analysis.inputs.set_loads import Heights, SetLoads, SetOf
from coilbench.capture.book.connection import Database
from coilbench.capture.errors import CoilbenchError

if TYPE_CHECKING:
    from coilbench.analysis.engine.assignment import Assignment, Level
    from coilbench.analysis.inputs.shelf import Shelf, Wanted
    from coilbench.analysis.inputs.shelf_loads import ShelfLoads


FEW_SETS = 10  # of a role: where there are no more, all are judged
A_ROUND, GROWTH = 32, 3  # sets in the second round, and how many times as many in each later one
LAST_S = 3.0  # for the assignment, however little time there is
JUDGING_SHARE = 0.75  # of the time: the rest is for the assignment of what was judged
SPARE = 2  # judged springs for each valve, however little time there is: some will be flagged
MOST_PAIRED = 4  # where whole sets are compared: each pair is told of
Names = Mapping[Role, Sequence[str]]


class _JudgesSets(Protocol):
    """Judges a build's sets."""

    def keeping(self, heights_mm: Heights) -> AbstractContextManager[None]:
        """Judge at these heights meanwhile, and keep what is judged."""

    def kept(self, role: Role, names: Iterable[str]) -> Iterator[tuple[str, SetLoads]]:
        """Yield the loads of those sets whose answers were kept."""

    def judge(
        self, sets: Sequence[SetOf], go_on: Callable[[], bool]
    ) -> Iterator[tuple[str, SetLoads]]:
        """Yield the loads of sets as they are judged, until go_on says no."""


class Selection(msgspec.Struct, frozen=True):
    """A build whose sets are named, and the shelves that they were taken from.

    Attributes:
        build: with the names.
        shelves: by role; empty where the file names all sets itself.
        loads: what their springs push; None where every set is judged with the build.
        bound: over all that were read, first readings as near to the card as they may be.
    """

    build: BuildFile
    shelves: Mapping[Role, Shelf] = msgspec.field(default_factory=dict)
    loads: ShelfLoads | None = None
    bound: float = 0.0
    effort: Effort = "shims"

    @property
    def from_book(self) -> bool:
        """Whether sets were taken that the build file does not name."""
        return bool(self.shelves)

    @property
    def only_looked_at(self) -> int:
        """Springs that were read, and not judged."""
        return sum(shelf.only_looked_at for shelf in self.shelves.values())

    @property
    def read_exactly(self) -> int:
        """Springs of judged sets."""
        read = sum(len(shelf.first.springs) for shelf in self.shelves.values())
        return read - self.only_looked_at

    def narrowed(self, sets: Mapping[str, SetCurves]) -> dict[str, SetCurves]:
        """Return judged sets without springs that were not asked for."""
        kept = dict(sets)
        for shelf in self.shelves.values():
            for name in kept.keys() & shelf.labels.keys():
                kept[name] = kept[name].of_springs(shelf.labels[name])
        return kept

    def bounded(self, assignment: Assignment, solving: Solving) -> Assignment:
        """Return an assignment of some judged springs with a bound over all that were read."""
        if self.loads is None:
            return assignment
        levels = [self._level(level, solving) for level in assignment.levels]
        return replace(assignment, levels=tuple(levels))

    def _level(self, level: Level, solving: Solving) -> Level:
        status = "unknown" if level.status in ("infeasible", "not_read") else level.status
        lower = EFFORTS.index(level.effort) <= EFFORTS.index(self.effort)
        bound = self.bound if lower else 0.0
        known = bound if level.bound is None else min(level.bound, bound)
        looks = None
        if self.loads is not None and self.only_looked_at:
            met = level.objective is not None and _met(level.objective, known)
            sure = met and lower and self._surely(level.objective or 0.0, solving)
            looks = replace(self.loads.taken, sure=sure)
        return replace(
            level,
            status=status,
            bound=known,
            read_exactly=self.read_exactly,
            looked_at=self.only_looked_at,
            looks=looks,
        )

    def _surely(self, objective: float, solving: Solving) -> bool:
        """Whether nothing comes nearer, first readings anywhere between their branches."""
        if self.loads is None or not self.loads.looks_hold or solving.left_s() <= 0.0:
            return False
        bound = self.loads.at_widest().solve(_Bounding(solving)).bound
        return bound is not None and _met(objective, bound)


def _met(objective: float, bound: float) -> bool:
    return objective - bound <= GAP * max(objective, 1.0)


def select(
    db: Database,
    build: BuildFile,
    effort: Effort = "shims",
    *,
    judge: _JudgesSets | None = None,
    say: Callable[[str], None] = lambda _: None,
    solving: Solving | None = None,
) -> Selection:
    """Choose candidate sets from the whole book where the build file leaves that open.

    Args:
        db, build: the book and the file.
        effort: what may be done under the springs.
        judge: judges sets, for springs for each valve from any set; None for whole sets, the same
            under all valves.
        say: hears what is done.
        solving: how long it may go on; None: until it ends.

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
    # imported late: slow to load
    from coilbench.analysis.inputs.shelf import Wanted, read_shelf
    from coilbench.analysis.inputs.shelf_loads import ShelfLoads

    valves = valves_of(build, 0)
    choices = tuple(c for c in SeatOptions.of(build, len(valves)).mixed() if c.allowed(effort))
    wanted = Wanted(build, choices, places_of(valves))
    shelves: dict[Role, Shelf] = {}
    for role in ROLES if build.springs.paired else ROLES[:1]:
        say(f"Reading every {role} spring")
        shelves[role] = read_shelf(db, wanted, role)
    names = {
        role: shelf.first.sets if role in build.springs.every else getattr(build.springs, role)
        for role, shelf in shelves.items()
    }
    if all(len(names[role]) <= FEW_SETS for role in shelves if role in build.springs.every):
        return _named(Selection(build, shelves, effort=effort), names)
    if judge is None:
        say("Comparing them with the card")
        nearest = _nearest_pairs(ShelfLoads.of(wanted, shelves, {}), names)
        return _named(Selection(build, shelves, effort=effort), nearest)
    solving = solving or Solving()
    rounds = _Rounds(wanted, shelves, judge, solving, say)
    with judge.keeping({role: shelf.first.heights_mm for role, shelf in shelves.items()}):
        loads = rounds.judge(names)
    solving.at_least(LAST_S)
    judged = {role: replace(one, judged=rounds.judged(one)) for role, one in shelves.items()}
    chosen = rounds.chosen(loads, names)
    solving.at_least(LAST_S)
    found = Selection(build, judged, loads, rounds.bound, effort)
    return _named(found, chosen, judged=False)


def _named(
    selection: Selection, names: Mapping[Role, tuple[str, ...]], *, judged: bool = True
) -> Selection:
    """Name the sets in the build; judged: they are all that will be judged."""
    build = selection.build.with_sets(names["outer"], names.get("inner", ()))
    shelves = dict(selection.shelves)
    if judged:
        shelves = {role: replace(shelf, judged=names[role]) for role, shelf in shelves.items()}
    return replace(selection, build=build, shelves=shelves)


def _nearest_pairs(
    loads: ShelfLoads, names: Mapping[Role, tuple[str, ...]]
) -> dict[Role, tuple[str, ...]]:
    """Return the sets whose means come nearest to the card; named ones all."""

    numbers = {
        role: np.repeat(np.arange(len(shelf.labels)), list(map(len, shelf.labels.values())))
        for role, shelf in loads.shelves.items()
    }
    stand_in = np.zeros(1, dtype=np.intp)
    found = sets_for_pairs(
        loads.likely(), numbers["outer"], numbers.get("inner", stand_in), MOST_PAIRED
    )
    every = loads.wanted.build.springs.every
    chosen = dict(names)
    for (role, shelf), some in zip(loads.shelves.items(), found, strict=False):
        if role in every:
            sets = shelf.first.sets
            chosen[role] = tuple(sets[number] for number in sorted(some)) or sets[:1]
    return chosen


class _Rounds(msgspec.Struct):
    """The judging.

    Attributes:
        known: the sets judged so far, by name, without springs that may not be used.
        bound: what no choice is below, first readings at their best.
    """

    wanted: Wanted
    shelves: Mapping[Role, Shelf]
    judge_sets: _JudgesSets
    solving: Solving
    say: Callable[[str], None]
    known: dict[str, SetLoads] = msgspec.field(default_factory=dict)
    bound: float = 0.0

    def judged(self, shelf: Shelf) -> tuple[str, ...]:
        """Return the names of a shelf's judged sets."""
        return tuple(name for name in shelf.first.sets if name in self.known)

    def judge(self, names: Names) -> ShelfLoads:
        """Judge what comes nearest to the card; names are those of all sets that may be used."""
        until_s = (1.0 - JUDGING_SHARE) * self.solving.left_s()
        self._take_known(names)
        self.say("Comparing them with the card")
        self._judge(self._picked(self._loads().likely().solve(_Bounding(self.solving))), until_s)
        most = A_ROUND
        while True:
            loads = self._loads()
            found = loads.at_best().solve(_Bounding(self.solving))
            self.bound = found.bound or 0.0  # not the best of all: looks may have become wider
            new = self._picked(found)
            if new or found.status != "optimal":
                new = list(dict.fromkeys([*new, *self._nearest(loads)]))
            if not self._judge(new[:most], until_s):
                return loads
            most *= GROWTH

    def chosen(self, loads: ShelfLoads, names: Names) -> dict[Role, tuple[str, ...]]:
        """Return the sets that the best choice of judged springs is from; all where there is none.

        Those that the build file names stay.
        """
        found = loads.of_judged().solve(_Bounding(self.solving))
        chosen = {role: tuple(some) for role, some in names.items()}
        for role, shelf in self.shelves.items():
            if role in self.wanted.build.springs.every:
                picked = self._of(role, found)
                judged = self.judged(shelf)
                chosen[role] = tuple(n for n in judged if n in picked) or judged
        return chosen

    def _take_known(self, names: Names) -> None:
        """Judge the sets that the build file names, and take those whose answers were kept."""
        named = []
        for role, some in names.items():
            if role in self.wanted.build.springs.every:
                self.known |= dict(self.judge_sets.kept(role, some))
            else:
                named += [SetOf(role, name) for name in some]
        self.known |= dict(self.judge_sets.judge(named, lambda: True))

    def _judge(self, sets: Sequence[SetOf], until_s: float) -> bool:
        """Judge sets while there is time; tells whether any was."""
        done = len(self.known)
        short = self._short()

        def go_on() -> bool:
            return self.solving.left_s() > until_s or (short and self._short())

        for name, loads in self.judge_sets.judge(sets, go_on):
            self.known[name] = loads
            bound = f"; none is below {self.bound:.4g}" if self.bound else ""
            self.say(f"Judged {name}, {len(self.known)} sets in all{bound}")
        return len(self.known) > done

    def _short(self) -> bool:
        """Whether there are hardly enough judged springs of a role for the valves."""
        valves = sum(map(len, self.wanted.places.values()))
        return any(
            sum(len(self.known[name].labels) for name in self.judged(shelf)) < SPARE * valves
            for shelf in self.shelves.values()
        )

    def _loads(self) -> ShelfLoads:
        from coilbench.analysis.inputs.shelf_loads import ShelfLoads  # imported late: slow to load

        return ShelfLoads.of(self.wanted, self.shelves, self.known)

    def _of(self, role: Role, found: Solution) -> Counter[str]:
        """Count the picks of each set."""
        springs = self.shelves[role].first.springs
        index = [pick.outer if role == "outer" else pick.inner for pick in found.picks]
        return Counter(springs[number].set_name for number in index)

    def _picked(self, found: Solution) -> list[SetOf]:
        """Return the sets of the picks that are not judged, the most picked first."""
        return self._in_turn(
            {role: [name for name, _ in self._of(role, found).most_common()] for role in self._open}
        )

    def _nearest(self, loads: ShelfLoads) -> list[SetOf]:
        """Return the sets that may be of a better choice than of judged springs, the nearest first.

        No triple of a choice costs more than the whole.
        """
        best = loads.of_judged().solve(_Bounding(self.solving)).objective
        near = {}
        for role, least in zip(self.shelves, loads.at_best().least_costs(), strict=False):
            of_set: dict[str, float] = {}
            for spring, cost in zip(self.shelves[role].first.springs, least, strict=True):
                if best is None or cost <= best:
                    of_set[spring.set_name] = min(of_set.get(spring.set_name, np.inf), cost)
            near[role] = sorted(of_set, key=lambda name: of_set[name])
        return self._in_turn({role: near[role] for role in self._open})

    @property
    def _open(self) -> list[Role]:
        """The roles whose sets are not named."""
        return [role for role in self.shelves if role in self.wanted.build.springs.every]

    def _in_turn(self, names: Names) -> list[SetOf]:
        """Return sets that are not judged, one of each role after the other."""
        new = [
            [SetOf(role, name) for name in some if name not in self.known]
            for role, some in names.items()
        ]
        return [one for turn in zip_longest(*new) for one in turn if one is not None]


class _Bounding(Solving):
    """A search for a bound alone, in the time of another: what it finds is no choice to be told."""

    def __init__(self, of: Solving) -> None:
        self._of = of

    def left_s(self) -> float:
        """Return what the other has left."""
        return self._of.left_s()

    def run(self, work: Callable[[], Answer]) -> Answer | None:
        """Do it as the other does."""
        return self._of.run(work)


def sets_for_pairs(
    problem: WideProblem, outer_set: Index, inner_set: Index, most: int
) -> tuple[list[int], list[int]]:
    """Return the sets that come nearest to the card, outer and inner by their means, few of them.

    The same under all valves.

    Args:
        problem: of first readings and how far they may be off.
        outer_set, inner_set: shape (N,), which set each spring is of.
        most: sets of a role at most.
    """
    outer, inner = _means(problem, outer_set, True), _means(problem, inner_set, False)
    share = problem.wanted / problem.wanted.sum()
    cost = np.full((outer.shape[2], inner.shape[2]), np.inf)
    for stack in range(outer.shape[1]):
        missed = np.zeros(cost.shape)
        for place in range(outer.shape[0]):
            off = outer[place, stack][:, None, :] + inner[place, stack][None, :, :]
            missed += share[place] * np.square(off).sum(axis=-1)
        cost = np.fmin(cost, missed)
    chosen: tuple[list[int], list[int]] = ([], [])
    for pair in np.argsort(np.nan_to_num(cost, nan=np.inf).ravel()):
        for number, known in zip(np.unravel_index(pair, cost.shape), chosen, strict=True):
            if int(number) not in known and len(known) < most:
                known.append(int(number))
        if all(len(known) == most for known in chosen):
            break
    return chosen


def _means(problem: WideProblem, of_set: Index, outer: bool) -> Array:
    """Return the mean of the middles of each set's springs, (K, S, sets, 2); NaN for none."""
    side = problem.outer if outer else problem.inner
    middle = (side.least + side.most) / 2.0
    places, stacks, _, ends = middle.shape
    found = np.full((places, stacks, int(of_set.max()) + 1, ends), np.nan)
    for number in range(found.shape[2]):
        mine = middle[:, :, of_set == number]
        read = ~np.isnan(mine)
        count = np.where(read.any(axis=2), read.sum(axis=2), np.nan)
        found[:, :, number] = np.where(read, mine, 0.0).sum(axis=2) / count
    return found
