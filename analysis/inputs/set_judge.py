"""Judges sets of a build by the hundred: several at once, each in a process of its own.

What comes back of a set is little (`SetLoads`), and kept; the whole of a judgement stays with the
few that are judged alone.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack, contextmanager, nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from sqlite_utils import Database

from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.shims import Role
from coilbench.analysis.engine.three_index import Array
from coilbench.analysis.inputs.candidates import CandidateSet
from coilbench.analysis.inputs.kept import (
    NotKept,
    anything_kept,
    growing,
    kept_only,
    nothing_kept,
)
from coilbench.analysis.inputs.measured import asked_of
from coilbench.analysis.inputs.set_loads import KeptLoads, SetLoads
from coilbench.capture.book.depends import depends_on
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import find_set
from coilbench.capture.errors import CoilbenchError

MANY = 16  # sets, from which on processes of their own are worth their beginning
MOST_PROCESSES = 8  # ours: each takes about 150 MB
NICE = 10  # a capture goes first
KEPT_WHOLE = 48  # of a role, the first: most of what is chosen is of them, and read once more
Heights = Mapping[Role, Array]


class SetOf(NamedTuple):
    """A set by its name, and which role it has in the build."""

    role: Role
    name: str


@dataclass
class SetJudge:
    """Judges a build's sets.

    Attributes:
        use_flagged: whether flagged springs may be used.
        known: the sets that were judged alone, by name, whole.
    """

    db: Database
    build: BuildFile
    use_flagged: bool
    known: dict[str, CandidateSet] = field(default_factory=dict)
    _kept: dict[Role, KeptLoads] = field(default_factory=dict)
    _pool: ProcessPoolExecutor | None = None

    @contextmanager
    def keeping(self, heights_mm: Heights) -> Iterator[None]:
        """Judge at these heights meanwhile, and keep what is judged."""
        with ExitStack() as stack:
            for role, at_mm in heights_mm.items():
                asked = repr(
                    (
                        asked_of(self.build, _offset_mm(self.build, role), alone=False),
                        self.use_flagged,
                        role,
                        at_mm.tolist(),
                    )
                )
                self._kept[role] = stack.enter_context(growing(KeptLoads, asked.encode()))
            try:
                yield
            finally:
                if self._pool is not None:
                    self._pool.shutdown(cancel_futures=True)
                    self._pool = None

    def kept(
        self, role: Role, names: Iterable[str], at_mm: Array
    ) -> Iterator[tuple[str, SetLoads]]:
        """Yield the loads of those sets whose answers were kept."""
        if not anything_kept():
            return
        for name in names:
            key = _key(self.db, name)
            found = None if key is None else self._kept[role].sets.get(key)
            if found is None:
                with kept_only():
                    try:
                        found = self._alone(SetOf(role, name), at_mm, strokes=False)
                    except NotKept:
                        continue
            yield name, found

    def judge(
        self, sets: Sequence[SetOf], heights_mm: Heights, go_on: Callable[[], bool]
    ) -> Iterator[tuple[str, SetLoads]]:
        """Yield the loads of sets as they are judged, until go_on says no.

        Raises:
            CoilbenchError: a set is damaged.
        """
        left = dict.fromkeys(sets)
        path = _path_of(self.db)
        if len(sets) >= MANY and path is not None:
            try:
                for one, found in self._beside(path, sets, heights_mm, go_on):
                    if found is not None:
                        del left[one]
                        yield one.name, found
            except (OSError, BrokenProcessPool):  # no processes can be had: one after the other
                self._pool = None
        for one in left:
            if not go_on():
                return
            yield one.name, self._alone(one, heights_mm[one.role])

    def _alone(self, one: SetOf, at_mm: Array, *, strokes: bool = True) -> SetLoads:
        whole = _judged(self.db, self.build, self.use_flagged, one, strokes=strokes)
        self.known[one.name] = whole
        found = SetLoads.of(whole.springs, at_mm)
        self._keep(one, _key(self.db, one.name), found)
        return found

    def _keep(self, one: SetOf, key: str | None, found: SetLoads) -> None:
        if key is not None:
            self._kept[one.role].sets[key] = found

    def _beside(
        self, path: Path, sets: Sequence[SetOf], heights_mm: Heights, go_on: Callable[[], bool]
    ) -> Iterator[tuple[SetOf, SetLoads | None]]:
        """Yield sets with their loads; None for one that is to be judged alone, to be refused."""
        many = min(os.cpu_count() or 1, MOST_PROCESSES)
        if self._pool is None:
            context = multiprocessing.get_context("spawn")
            given = path, self.build, self.use_flagged
            self._pool = ProcessPoolExecutor(many, context, _begin, given)
        waiting, running = iter(sets), dict[Future[_Told | None], SetOf]()
        while True:
            while len(running) < 2 * many and go_on() and (one := next(waiting, None)):
                whole = len(self._kept[one.role]) < KEPT_WHOLE
                running[self._pool.submit(_told, one, heights_mm[one.role], whole)] = one
            if not running:
                return
            for future in wait(running, return_when=FIRST_COMPLETED).done:
                one, told = running.pop(future), future.result()
                if told is not None:
                    self._keep(one, told.key, told.loads)
                yield one, None if told is None else told.loads


class _Told(NamedTuple):
    """What a process tells of a set; the key is None where it is not to be kept."""

    loads: SetLoads
    key: str | None


class _Process:
    """What a process of its own has, from its beginning to its end."""

    db: Database
    build: BuildFile
    use_flagged: bool
    open: ExitStack


def _begin(path: Path, build: BuildFile, use_flagged: bool) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the search's: it asks for no more
    if hasattr(os, "nice"):
        os.nice(NICE)
    _Process.open = ExitStack()
    _Process.db = _Process.open.enter_context(open_book(path))
    _Process.build, _Process.use_flagged = build, use_flagged


def _told(one: SetOf, at_mm: Array, keep_whole: bool) -> _Told | None:
    """Judge a set in a process of its own; None where it is refused."""
    try:
        before = _key(_Process.db, one.name)
        with nullcontext() if keep_whole else nothing_kept():
            whole = _judged(_Process.db, _Process.build, _Process.use_flagged, one)
        unchanged = before == _key(_Process.db, one.name)
        return _Told(SetLoads.of(whole.springs, at_mm), before if unchanged else None)
    except CoilbenchError:
        return None


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


def _path_of(db: Database) -> Path | None:
    """Return where a book is; None for one in memory."""
    file = next((row[2] for row in db.execute("PRAGMA database_list") if row[1] == "main"), "")
    return Path(file) if file else None
