"""The sets that a build file names, judged, and what of them may be paired."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager, suppress
from dataclasses import dataclass, replace
from statistics import fmean

from sqlite_utils import Database

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.coil import SpringSize
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.worked_out import WorkedOut
from coilbench.analysis.inputs.by_hand import usable
from coilbench.analysis.inputs.kept import growing
from coilbench.analysis.inputs.measured import (
    JudgedSet,
    NothingMeasured,
    asked_of,
    judge_set,
    measured_set,
)
from coilbench.capture.book.depends import depends_on
from coilbench.capture.book.sets import SetRecord, find_set
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed


def spring_size(db: Database, record: SetRecord) -> SpringSize:
    """Return a set's free length, as registered, else the mean of those surely measured; its solid.

    The solid height is the highest known: as registered, else of any spring.
    """
    curves: tuple[SpringCurve, ...] = ()
    with suppress(NothingMeasured):
        curves = measured_set(db, record).curves
    sure = [curve.free_length_mm for curve in curves if curve.length_sure]
    known = [free_mm for free_mm in sure if free_mm is not None]
    measured_mm = fmean(known) if known else None
    free_mm = measured_mm if record.free_length_mm is None else record.free_length_mm
    springs = usable(record, curves, ())
    return SpringSize(free_mm, springs.known_solid_mm, springs.closing_mm)


@dataclass(frozen=True)
class Candidates:
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


@dataclass(frozen=True)
class CandidateSet:
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


def candidate_sets(
    db: Database,
    build: BuildFile,
    use_flagged: bool,
    say: Callable[[str], None] = lambda _: None,
    known: Mapping[str, CandidateSet] | None = None,
) -> Candidates:
    """Read a build file's candidate sets from the book, flagged springs left out or not.

    A set that was not measured, or of which every spring is flagged, does not bar the others.

    Args:
        db, build, use_flagged: the book, the file, and whether flagged springs may be used.
        say: hears what is done.
        known: sets judged before for the same build; one that changed since is judged again.

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
        return None if None in rows else repr((rows, build, use_flagged)).encode()

    found = Candidates({}, {}, [], [], {}, depends())
    for name, offset_mm in places:
        record, one = records[name], (known or {}).get(name)
        found.sizes[name] = len(record.springs)
        if one is None or one.depends is None or one.depends != depends_on(db, record):
            say(f"Judging {name}, {len(found.sizes)} of {len(places)} sets")
            one = CandidateSet.judge(db, record, build, use_flagged, offset_mm)
        springs = found.sets[name] = replace(one.springs, namesakes=namesakes)
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
