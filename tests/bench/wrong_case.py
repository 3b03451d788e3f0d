"""A case that goes wrong at a bench, run on a simulated rig: what was shown of it, and how soon.

A case says from when on the thing is wrong, out of what the rig really reads, so that the time to
the screen is measured on the rig's own clock.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Literal, NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.dashboard.calls import call
from coilbench.analysis.dashboard.scene import Scene, SetTable
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.running.commands import Command, Snapshot
from coilbench.capture.virtual.bench import Bench, Step
from coilbench.capture.virtual.firmware import Faults
from coilbench.capture.virtual.instrument import RigModel
from rig_clock import STEP_S, Alter, Watched, watch_capture
from support.capture_books import book_maker

Array = NDArray[np.float64]

RIG = RigModel.draw(4)
SHOWN_S = 0.5  # so soon a screen must show it
UNITS = Units()


class Read(NamedTuple):
    """What the rig reads over a plan, by its true figures; shape (n,) each."""

    t_s: Array
    load_n: Array
    height_mm: Array


Since = Callable[[Read], float]


class Case(msgspec.Struct, frozen=True):
    """One thing that goes wrong.

    Attributes:
        since: from when on it is wrong, s.
        large: what the screen must call out.
        kind: of the alarm, question, refusal or reason that names the cause.
        counts: how many strokes may count, and must.
        measured: how many strokes of each spring are to count.
        conditioning: after how many that work it.
        unknown: what nobody knows then, and for how long, s.
        most_n: no larger load can be known.
        never: what must not be named.
        before: what an earlier capture of the same book saw.
        closes: whether a closing press is asked for at the end.
    """

    name: str
    steps: list[Step]
    since: Since
    large: str
    kind: str
    counts: int
    measured: int = 2
    conditioning: int = 1
    rig: RigModel = RIG
    faults: Faults | None = None
    alter: Alter | None = None
    commands: tuple[tuple[float, Command], ...] = ()
    restarts: bool = False
    ratings: Ratings = msgspec.field(default_factory=Ratings)
    free_mm: float | None = None
    solid_mm: float | None = None
    unknown: tuple[Literal["", "load_n", "height_mm"], float] = ("", 0.0)
    most_n: float | None = None
    never: tuple[str, ...] = ()
    before: Sequence[Step] = ()
    closes: bool = False


class Outcome(NamedTuple):
    """What came of a case.

    Attributes:
        after_s: how long after it was wrong the screen said so; None: it never did.
        words: what the screen said beside the large type.
        kinds: what was named at all, in alarms, questions, reasons and refusals.
        stale: looks at which a load or height was shown that nobody knew then.
    """

    after_s: float | None
    words: str
    kinds: frozenset[str]
    counted: int
    refused: int
    stale: int


def run(case: Case, folder: Path) -> tuple[Watched, Outcome]:
    """Capture a case in a book of its own, and say what came of it."""
    book = book_maker(folder)(
        case.rig,
        springs=4,
        measured=case.measured,
        conditioning=case.conditioning,
        device_id=case.rig.device_id,
        name="case.db",
    )
    with open_book(book) as db:
        case.ratings.store(db)
        sizes = {"free_length_mm": case.free_mm, "solid_height_mm": case.solid_mm}
        for name, mm in sizes.items():
            db.execute(f"UPDATE sets SET {name} = ?", [mm])
        db.conn.commit()
    since_s = case.since(read_of(case))
    if case.before:
        watch_capture(book, case.rig, case.before, closes=case.closes)
    seen = watch_capture(
        book,
        case.rig,
        case.steps,
        faults=case.faults,
        alter=case.alter,
        commands=case.commands,
        restarts=case.restarts,
        since_s=since_s,
        closes=case.closes,
    )
    return seen, _outcome(case, seen, since_s)


def read_of(case: Case) -> Read:
    """Return what the rig reads over a case's plan."""
    blocks = list(Bench(case.rig, case.steps, 4).blocks())
    blocks = blocks if case.alter is None else [case.alter(block) for block in blocks]
    samples = np.concatenate([block.samples for block in blocks])
    rig = case.rig
    load_n = (samples["load_counts"] - rig.zero_counts) / rig.counts_per_n
    height_mm = rig.rest_height_mm - samples["travel_counts"] / rig.travel_counts_per_mm
    return Read(samples["t_us"] * 1e-6, load_n, height_mm + rig.flex_mm(load_n))


def _outcome(case: Case, seen: Watched, since_s: float) -> Outcome:
    after_s, words, kinds = None, "", set[str]()
    for at_s, look in seen.looks:
        kinds |= _named(look)
        called = call(Scene(look, SetTable((), 2, ()), UNITS))
        said = called.large == case.large if case.large else case.kind in _named(look)
        if after_s is None and at_s >= since_s and said:
            after_s, words = at_s - since_s, called.words
            words = words if called.urgent or look.alarm is None else describe(look.alarm, UNITS)
    refused = [event.what for _, event in seen.events if event.what.kind == "stroke_refused"]
    kinds |= seen.refused_for() | seen.kept_with() | {event.what.kind for _, event in seen.events}
    if case.kind in seen.refused_for() and words.startswith("stroke"):
        words = describe(refused[0], UNITS)
    stale = sum(_stale(case, at_s - since_s, look) for at_s, look in seen.looks)
    return Outcome(after_s, words, frozenset(kinds), seen.counted(), len(refused), stale)


def _stale(case: Case, after_s: float, look: Snapshot) -> bool:
    """Tell whether a look shows a number that nobody knows."""
    if case.most_n is not None and look.load_n is not None and look.load_n > case.most_n:
        return True
    name, for_s = case.unknown
    return name != "" and SHOWN_S + STEP_S < after_s < for_s and getattr(look, name) is not None


def _named(look: Snapshot) -> set[str]:
    found = (
        look.alarm,
        look.question,
        look.datum,
        look.load_unknown,
        look.link_what,
        look.quill_low,
    )
    named = {one.kind for one in found if one is not None}
    why = None if look.datum is None else look.datum.facts.get("why")
    return named if why is None else named | {why["kind"]}


def outcomes(cases: Sequence[Case]) -> list[tuple[Case, Outcome]]:
    """Run cases, each in a folder that is removed afterwards."""
    found = []
    for case in cases:
        with TemporaryDirectory() as folder:
            found.append((case, run(case, Path(folder))[1]))
    return found
