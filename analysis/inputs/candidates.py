"""The sets that a build file names, judged, and what of them may be paired."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext
from functools import cached_property, partial
from pathlib import Path
from typing import NamedTuple

import msgspec
from msgspec.structs import replace

from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.shims import Role
from coilbench.analysis.engine.three_index import Array
from coilbench.analysis.engine.worked_out import WorkedOut
from coilbench.analysis.inputs.by_hand import usable
from coilbench.analysis.inputs.kept import anything_kept, growing, nothing_kept, only_kept
from coilbench.analysis.inputs.measured import JudgedSet, NothingMeasured, asked_of, judge_set
from coilbench.analysis.inputs.set_loads import Heights, SetLoads, SetOf
from coilbench.analysis.inputs.several import Several
from coilbench.capture.book.connection import Database
from coilbench.capture.book.depends import depends_on
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed

MANY = 16  # sets, from which on processes of their own are worth their beginning
KEPT_WHOLE = 48  # of a role, the first: most of what is chosen is of them, and read once more


class _KeptLoads(msgspec.Struct, frozen=True):
    """Loads that were kept, each by a digest of all that its set's curves are read from."""

    sets: dict[str, SetLoads] = msgspec.field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.sets)


class Candidates(msgspec.Struct, frozen=True):
    """A build file's sets.

    Attributes:
        sets: by name, without the springs that are left out.
        judged: by name, at valve shut and full lift as far as it was measured there; not those of
            which no spring was measured.
        left_out: springs left out as flagged, as they are named beside those of the other sets.
        unsure: likewise, those that are counted in though they could not be judged.
        sizes: how many springs each set is registered with.
        depends: a digest of all that this and the build are made of; None where there is none.
    """

    sets: dict[str, SetCurves]
    judged: dict[str, JudgedSet]
    left_out: list[str]
    unsure: list[str]
    sizes: dict[str, int]
    depends: bytes | None = None

    def before(self) -> AbstractContextManager[WorkedOut]:
        """Give what was worked out of them before; what is added meanwhile is kept."""
        return growing(WorkedOut, self.depends)

    def of_sets(self, sets: dict[str, SetCurves]) -> Candidates:
        """Return them with fewer springs."""
        kept = {one.named(curve.label) for one in sets.values() for curve in one.curves}
        unsure = [one for one in self.unsure if one in kept]
        used = {name: [curve.label for curve in one.curves] for name, one in sets.items()}
        depends = None if self.depends is None else self.depends + repr(used).encode()
        return replace(self, sets=sets, unsure=unsure, depends=depends)


class CandidateSet(msgspec.Struct, frozen=True):
    """One set of a build.

    Attributes:
        record: as the book has it.
        springs: its curves, without those of springs that are left out.
        judged: None where no spring was measured.
        left_out: labels of springs left out as flagged.
        depends: a digest of all that it was read from; None where there is none.
    """

    record: SetRecord
    springs: SetCurves
    judged: JudgedSet | None
    left_out: tuple[str, ...]
    depends: bytes | None

    @classmethod
    def judge(
        cls, db: Database, record: SetRecord, build: BuildFile, use_flagged: bool, offset_mm: float
    ) -> CandidateSet:
        """Judge a set at a build's heights; an inner stands lower by the offset."""
        depends = depends_on(db, record)
        try:
            asked = asked_of(build, offset_mm, alone=False)
            judged = judge_set(db, record, asked, must_reach=False)
        except NothingMeasured:
            return cls(record, usable(record, (), record.labels), None, (), depends)
        flagged = () if use_flagged else tuple(sorted(judged.set_apart))
        kept = [curve for curve in judged.measured.curves if curve.label not in flagged]
        springs = usable(record, kept, judged.measured.missing)
        return cls(record, springs, judged, flagged, depends)


class _Asked(NamedTuple):
    """A set that is to be judged beside others; whole: its answers are kept whole."""

    one: SetOf
    build: BuildFile
    use_flagged: bool
    at_mm: Array
    whole: bool


class _Told(NamedTuple):
    """What is told of it; the key is None where it is not to be kept."""

    loads: SetLoads
    key: str | None


class SetJudge(msgspec.Struct, dict=True):
    """Judges a build's sets: many of them several at once, of which the loads alone come back.

    Attributes:
        use_flagged: whether flagged springs may be used.
        known: the sets that were judged one by one, by name, whole.
    """

    db: Database
    build: BuildFile
    use_flagged: bool
    known: dict[str, CandidateSet] = msgspec.field(default_factory=dict)
    _heights_mm: Heights = msgspec.field(default_factory=dict)
    _kept: dict[Role, _KeptLoads] = msgspec.field(default_factory=dict)

    @contextmanager
    def keeping(self, heights_mm: Heights) -> Iterator[None]:
        """Judge at these heights meanwhile, and keep what is judged."""
        self._heights_mm = heights_mm
        with ExitStack() as stack:
            for role, at_mm in heights_mm.items():
                asked = asked_of(self.build, _offset_mm(self.build, role), alone=False)
                depends = repr((asked, self.use_flagged, role, at_mm.tolist())).encode()
                self._kept[role] = stack.enter_context(growing(_KeptLoads, depends))
            if self._several is not None:
                stack.callback(self._several.end)
            yield

    def kept(self, role: Role, names: Iterable[str]) -> Iterator[tuple[str, SetLoads]]:
        """Yield the loads of those sets whose answers were kept."""
        if not anything_kept():
            return
        for name in names:
            key = _key(self.db, name)
            found = None if key is None else self._kept[role].sets.get(key)
            if found is None:
                found = only_kept(partial(self._alone, SetOf(role, name), strokes=False))
            if found is not None:
                yield name, found

    def judge(
        self, sets: Sequence[SetOf], go_on: Callable[[], bool]
    ) -> Iterator[tuple[str, SetLoads]]:
        """Yield the loads of sets as they are judged, until go_on says no.

        Raises:
            CoilbenchError: a set is damaged.
        """
        left = dict.fromkeys(sets)
        if len(sets) >= MANY and self._several is not None:
            try:
                for asked, told in self._several.each(_told, map(self._asked, sets), go_on):
                    if told is not None:  # else it is judged alone, to be refused
                        del left[asked.one]
                        self._keep(asked.one, told.key, told.loads)
                        yield asked.one.name, told.loads
            except OSError:  # no processes can be had: one after the other
                self._several.end()
        for one in left:
            if not go_on():
                return
            yield one.name, self._alone(one)

    def _asked(self, one: SetOf) -> _Asked:
        whole = len(self._kept[one.role]) < KEPT_WHOLE
        return _Asked(one, self.build, self.use_flagged, self._heights_mm[one.role], whole)

    def _alone(self, one: SetOf, *, strokes: bool = True) -> SetLoads:
        whole = _judged(self.db, self.build, self.use_flagged, one, strokes=strokes)
        self.known[one.name] = whole
        found = SetLoads.of(whole.springs, self._heights_mm[one.role])
        self._keep(one, _key(self.db, one.name), found)
        return found

    def _keep(self, one: SetOf, key: str | None, found: SetLoads) -> None:
        if key is not None:
            self._kept[one.role].sets[key] = found

    @cached_property
    def _several(self) -> Several | None:
        """The processes beside; None for a book in memory."""
        files = {name: file for _, name, file in self.db.execute("PRAGMA database_list")}
        return Several(Path(files["main"])) if files["main"] else None


def _told(db: Database, asked: _Asked) -> _Told:
    """Judge a set in a process of its own."""
    before = _key(db, asked.one.name)
    with nullcontext() if asked.whole else nothing_kept():  # of thousands, only the loads
        whole = _judged(db, asked.build, asked.use_flagged, asked.one)
    unchanged = before == _key(db, asked.one.name)
    return _Told(SetLoads.of(whole.springs, asked.at_mm), before if unchanged else None)


def _judged(
    db: Database, build: BuildFile, use_flagged: bool, one: SetOf, *, strokes: bool = True
) -> CandidateSet:
    record = find_set(db, one.name, strokes=strokes)
    return CandidateSet.judge(db, record, build, use_flagged, _offset_mm(build, one.role))


def _offset_mm(build: BuildFile, role: Role) -> float:
    return float(build.head.inner_offset_mm) if role == "inner" else 0.0


def _key(db: Database, name: str) -> str | None:
    found = depends_on(db, find_set(db, name, strokes=False))
    return None if found is None else found.hex()


def candidate_sets(
    db: Database,
    build: BuildFile,
    use_flagged: bool,
    say: Callable[[str], None] = lambda _: None,
    known: Mapping[str, CandidateSet] | None = None,
    *,
    from_book: bool = False,
) -> Candidates:
    """Read a build file's candidate sets from the book, flagged springs left out or not.

    A set that was not measured, or of which every spring is flagged, does not bar the others.

    Args:
        db, build, use_flagged: the book, the file, and whether flagged springs may be used.
        say: hears what is done.
        known: sets judged before for the same build; one that changed since is judged again.
        from_book: whether nobody named the sets: a label that does not tell its set is told with it

    Raises:
        CoilbenchError: a set is not in the book, or no spring of any is measured and sound.
    """
    places = [(name, 0.0) for name in build.springs.outer]
    places += [(name, float(build.head.inner_offset_mm)) for name in build.springs.inner]
    records = {name: find_set(db, name) for name, _ in places}
    times = Counter(label for record in records.values() for label in record.labels)
    namesakes = frozenset(label for label, many in times.items() if many > 1)

    def depends() -> bytes | None:
        rows = [depends_on(db, record) for record in records.values()]
        return None if None in rows else repr((rows, build, use_flagged, from_book)).encode()

    found = Candidates({}, {}, [], [], {}, depends())
    for name, offset_mm in places:
        record, one = records[name], (known or {}).get(name)
        found.sizes[name] = len(record.springs)
        if one is None or one.depends is None or one.depends != depends_on(db, record):
            say(f"Judging {name}, {len(found.sizes)} of {len(places)} sets")
            one = CandidateSet.judge(db, record, build, use_flagged, offset_mm)
        unlike = [label for label in record.labels if not label.startswith(f"{record.name}-")]
        unclear = namesakes.union(unlike if from_book else ())
        springs = found.sets[name] = replace(one.springs, namesakes=unclear)
        found.left_out.extend(map(springs.named, one.left_out))
        if one.judged is not None:
            found.judged[name] = one.judged
            found.unsure.extend(map(springs.named, one.judged.unsure))
    for role, names in (("outer", build.springs.outer), ("inner", build.springs.inner)):
        _refuse_unusable(role, [found.sets[name] for name in names])
    unchanged = found.depends is not None and found.depends == depends()
    return found if unchanged else replace(found, depends=None)


def _refuse_unusable(role: str, sets: Sequence[SetCurves]) -> None:
    if not sets or any(springs.curves for springs in sets):
        return
    names = ", ".join(springs.name for springs in sets)
    if all(springs.missing for springs in sets):
        raise CoilbenchError(
            f"no spring of a candidate {role} set is measured yet: {names}",
            hint="Measure one: coilbench live, coilbench note or coilbench import",
        )
    raise CoilbenchError(
        f"every measured {role} spring is flagged: {names}",
        hint=f"See: coilbench set check {as_typed(sets[0].name)}, or add --use-flagged",
    )
