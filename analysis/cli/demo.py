"""`coilbench demo`: the whole job on a simulated rig, through the real serial path.

Everything in here is invented: the engine, the springs, the card. It shows the way of working,
not a figure to build from.
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial
from pathlib import Path

import click
import msgspec
from rich.progress import BarColumn, Progress, TaskID, TaskProgressColumn, TextColumn

from coilbench.analysis.cli.check_table import show_check
from coilbench.analysis.cli.common import print_document, units
from coilbench.analysis.cli.pairing import show_pairing
from coilbench.analysis.cli.plain_console import PlainConsole
from coilbench.analysis.cli.settings import settings
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.outcomes import Pairing
from coilbench.analysis.engine.pairing import pair_sets
from coilbench.analysis.inputs.candidates import Candidates, candidate_sets
from coilbench.analysis.sets.judge import SetCheck
from coilbench.capture.blocks import RawBlock
from coilbench.capture.book.calibrations import store_part
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import Role, SetPlan, labels_for, new_set
from coilbench.capture.calibration.block_guide import BlockGuide
from coilbench.capture.calibration.fit import load_part, travel_part
from coilbench.capture.calibration.flex_fit import flex_part
from coilbench.capture.calibration.gauge_guide import GaugeGuide
from coilbench.capture.calibration.overload import OverloadWatch
from coilbench.capture.calibration.standing import stop_note
from coilbench.capture.calibration.weigh_guide import WeighGuide
from coilbench.capture.choices import CONDITIONING_STROKES, MEASURED_STROKES
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import as_typed
from coilbench.capture.running.commands import Command, Event, Snapshot
from coilbench.capture.running.guided import Say, follow, sample_stream
from coilbench.capture.running.kinds import Action
from coilbench.capture.running.questions import READ_S
from coilbench.capture.running.request import CaptureRequest
from coilbench.capture.running.session import Session
from coilbench.capture.sources import open_source
from coilbench.capture.sources.base import Source, identify
from coilbench.capture.virtual.bench import (
    ABOVE_SOLID_MM,
    CHANGE_S,
    Bench,
    PressSpring,
    Rest,
    Step,
    calibration_steps,
    worked,
)
from coilbench.capture.virtual.firmware import Firmware
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.port import Pace, VirtualPort
from coilbench.capture.virtual.spring import SpringModel, draw_set

LET_UP_S = 0.2  # the spring stays in the press between two strokes
LOOK_S = 0.01
DRAWN_PER_S = 4

BUILD_FILE = """\
# An invented straight-six with a cam of more lift; every figure in here is made up.
[cam]
name = "Lake six, road grind"
valve_lift = "10.9 mm"
seat_load = "36 kg"
seat_tolerance = "2 kg"
open_load = "64 kg"
open_tolerance = "3 kg"

[head]
installed_height = "38.5 mm"
inner_offset = "3.0 mm"

[[shims]]
thickness = "0.5 mm"
count = 24

[[shims]]
thickness = "1.0 mm"
count = 24

[limits]
coil_bind_margin = "1.2 mm"
max_shims = 2

[springs]
outer = ["larch", "rowan"]
inner = ["heron", "plover"]
"""

MASSES_KG = (0.0, 5.0, 10.0, 20.0, 30.0, 40.0, 50.0, 40.0, 30.0, 20.0, 10.0, 5.0, 0.0)
GAUGES_MM = (10.0, 20.0, 30.0, 40.0, 50.0, 60.0)
BLOCK_N = 500.0
CALIBRATION = calibration_steps(MASSES_KG, GAUGES_MM, (GAUGES_MM[2], 1.5 * BLOCK_N))
SPRINGS = 12


class DemoSet(msgspec.Struct, frozen=True):
    """One of the demo's sets: what its springs were made as, and how many are not sound."""

    name: str
    role: Role
    nominal: SpringModel
    tired: int = 0
    cracked: int = 0

    @property
    def plan(self) -> SetPlan:
        """How it is registered."""
        labels, solid_mm = labels_for(self.name, SPRINGS), self.nominal.solid_height_mm
        return SetPlan(self.name, self.role, labels, solid_height_mm=solid_mm)


SETS = (
    DemoSet("larch", "outer", SpringModel(53.0, 16.0, 24.0), tired=2),
    DemoSet("rowan", "outer", SpringModel(52.2, 18.6, 24.0)),
    DemoSet("heron", "inner", SpringModel(47.0, 9.2, 21.0), cracked=1),
    DemoSet("plover", "inner", SpringModel(45.8, 7.6, 20.5)),
)


class DemoResult(msgspec.Struct, frozen=True):
    """What the demo found; candidates are its sets in the order of SETS."""

    build: BuildFile
    candidates: Candidates
    pairing: Pairing

    @property
    def checks(self) -> tuple[SetCheck, ...]:
        """One a set."""
        found = (judged.check for judged in self.candidates.judged.values())
        return tuple(check for check in found if check is not None)


class Demo:
    """Runs the demo's steps, one call a step; the same seed gives the same result."""

    def __init__(self, book: Path, seed: int) -> None:
        self.book = book
        self._seed = seed
        self._rig = RigModel.draw(seed)
        self.samples = self.samples_lost = 0

    def calibrate(self, say: Say) -> None:
        """Weigh masses, gauge lengths and press a block, as the guided commands do."""
        with self._opened(CALIBRATION, phase=0) as source:
            hello, seen = identify(source, 5.0)
            stream = sample_stream(source, seen)
            unrated = OverloadWatch()  # the simulated rig has no plates
            masses = follow(stream, WeighGuide(MASSES_KG), say, watch=unrated).points
            load = load_part(masses, "demo").on(hello)
            step = hello.mm_per_count
            gauge = GaugeGuide((0.0, *GAUGES_MM), mm_per_count=step, load_fit=load.fit)
            gauged = follow(stream, gauge, say, watch=unrated)
            travel = travel_part(gauged.points, "demo", step).on(hello)
            stop_counts = gauged.stop_counts
            block = BlockGuide(load.fit, BLOCK_N)
            pressed = follow(stream, block, say, watch=unrated).points
            flex = flex_part(pressed, load.fit, travel.fit, "demo").on(hello)
        if stop_counts is not None:
            travel = travel.noted(stop_note(travel.fit, stop_counts))
        with open_book(self.book, create=True) as db, db.atomic():
            for part in (load, travel, flex):
                store_part(db, part)

    def register(self) -> None:
        """Register all of SETS."""
        with open_book(self.book, create=True) as db, db.atomic():
            for one in SETS:
                new_set(db, one.plan)

    def capture(self, number: int, say: Callable[[Event], None]) -> None:
        """Capture one set of SETS, hands free."""
        one = SETS[number]
        labels = one.plan.labels
        seed = self._seed * len(SETS) + number
        springs = draw_set(one.nominal, SPRINGS, seed, tired=one.tired, cracked=one.cracked)
        phase_seed = self._phase_seed(number + 1)

        def shown() -> Snapshot:
            return session.snapshot

        def answer(command: Command) -> None:
            session.submit(command)

        hand = Hand(dict(zip(labels, springs, strict=True)), shown, answer)
        port = self._port(hand.blocks(self._rig, phase_seed))

        def opened() -> Source:
            source = open_source(port.url)
            port.start()
            return source

        session = Session(CaptureRequest(self.book, one.name, port.url), opened, say)
        with port:
            try:
                snapshot = session.run()
            finally:
                hand.leave()
        self.samples += snapshot.samples
        self.samples_lost += snapshot.samples_lost

    def decide(self) -> DemoResult:
        """Check the sets and rank the pairs."""
        build = parse_build(BUILD_FILE, "demo.toml")
        with open_book(self.book) as db:
            found = candidate_sets(db, build, use_flagged=False)
        return DemoResult(build, found, pair_sets(build, found.sets))

    def _phase_seed(self, phase: int) -> int:
        return self._seed * 100 + phase

    def _port(self, blocks: Iterable[RawBlock]) -> VirtualPort:
        # one seed for all phases: the rig is never switched off, so its start keeps its id
        return VirtualPort(Firmware(self._rig, blocks, seed=self._seed), pace=Pace.FAST)

    @contextmanager
    def _opened(self, steps: Sequence[Step], phase: int) -> Iterator[Source]:
        blocks = Bench(self._rig, steps, self._phase_seed(phase)).blocks()
        with self._port(blocks) as port, open_source(port.url) as source:
            port.start()
            yield source


def demo_command(seed: int, book: Path | None, as_json: bool) -> None:
    """Run the whole job on a simulated rig: calibrate, capture four sets, check, pair."""
    path = _new_book(book if book is not None else settings().book_given)
    demo = Demo(path, seed)
    result = _run(demo)
    build_path = path.with_suffix(".toml")
    build_path.write_text(BUILD_FILE, encoding="utf-8")
    if as_json:
        flagged = {
            check.name: {"springs": len(check.springs), "flagged": check.flagged}
            for check in result.checks
        }
        best, lost = result.pairing.combinations[0], demo.samples_lost
        print_document({"book": path, "sets": flagged, "best_pair": best, "lost_samples": lost})
    else:
        _show(demo, build_path, result)


def _new_book(given: Path | None) -> Path:
    if given is None:
        return Path(tempfile.mkdtemp(prefix="coilbench-demo-")) / "demo.db"
    if given.exists():
        raise CoilbenchError(
            "the demo writes a new book, and this file is there already",
            where=str(given),
            hint="Name another file",
        )
    return given


def _run(demo: Demo) -> DemoResult:
    """Run the steps; progress goes to stderr, so that stdout stays for the result."""
    console = PlainConsole(stderr=True)
    progress = Progress(
        TextColumn("{task.description:<28}"),
        BarColumn(bar_width=30),
        TaskProgressColumn(),
        console=console,
        auto_refresh=console.is_terminal,  # elsewhere the end alone is drawn
        refresh_per_second=DRAWN_PER_S,
    )
    with progress:
        task = progress.add_task("calibrating the rig", total=1)
        demo.calibrate(lambda _finding: None)
        demo.register()
        progress.update(task, completed=1)
        for number, one in enumerate(SETS):
            words = f"capturing {one.name} ({one.role})"
            strokes = CONDITIONING_STROKES + MEASURED_STROKES
            task = progress.add_task(words, total=SPRINGS * strokes)
            demo.capture(number, partial(_advance, progress, task))
        task = progress.add_task("checking and pairing", total=1)
        result = demo.decide()
        progress.update(task, completed=1)
    return result


def _advance(progress: Progress, task: TaskID, event: Event) -> None:
    if event.what.kind == "stroke_kept":
        progress.advance(task)


def _show(demo: Demo, build_path: Path, result: DemoResult) -> None:
    path, typed = demo.book, as_typed(demo.book)
    for check in result.checks:
        click.echo(f"\nSet {check.name}")
        show_check(check, (), units())
    click.echo("")
    show_pairing(result.build, result.candidates, result.pairing, top=6)
    click.echo(
        f"\n{demo.samples} samples were read over the serial path, {demo.samples_lost} lost.\n"
        f"The book is {path}, the build file {build_path}. Everything in them is invented.\n\n"
        "Try next:\n"
        f"  coilbench --book {typed} set check larch --at 38.5mm --at 27.6mm\n"
        f"  coilbench --book {typed} pair {as_typed(build_path)}\n"
        f"  coilbench --book {typed} assign {as_typed(build_path)}\n"
        f"  coilbench --book {typed} report {as_typed(build_path)} -o sheet.html\n"
        f"  coilbench --book {typed} depths {as_typed(build_path)}\n"
        f"  coilbench --book {typed} rig card\n"
        f"  sqlite-utils tables {typed} --counts"
    )


class Hand:
    """Presses the spring whose turn it is until no turn is left.

    The rig's time stands still while it waits for the capture to have seen what it sent, so that
    what is done does not depend on how fast either is. `blocks` is used by the rig's thread.

    Args:
        springs: by label.
        look: returns what the capture shows.
        answer: takes what a person answers.
    """

    def __init__(
        self,
        springs: Mapping[str, SpringModel],
        look: Callable[[], Snapshot],
        answer: Callable[[Command], None],
    ) -> None:
        self._springs = springs
        self._look = look
        self._answer = answer
        self._sent = 0
        self._away = False

    def leave(self) -> None:
        """The capture is over; nothing more is done."""
        self._away = True

    def blocks(self, rig: RigModel, seed: int) -> Iterator[RawBlock]:
        """Make the rig's samples, a block for each thing that is done."""
        for block in worked(rig, self._steps(), seed):
            self._sent += len(block)
            yield block

    def _steps(self) -> Iterator[Step]:
        inside = None
        yield Rest(CHANGE_S)
        while (label := self._whose_turn()) is not None:
            if inside not in (None, label):
                yield Rest(CHANGE_S)
            inside = label
            spring = self._springs[label]
            yield PressSpring(spring, spring.solid_height_mm + ABOVE_SOLID_MM)
            yield Rest(LET_UP_S)
        yield Rest(CHANGE_S)

    def _whose_turn(self) -> str | None:
        """Read it once all that was sent is seen; a spring that is asked about is the right one."""
        asked, answered_s = None, 0.0
        while not self._away:
            seen, now_s = self._look(), time.monotonic()
            if seen.question is not asked:
                asked, answered_s = seen.question, now_s
            if asked is not None and now_s - answered_s > READ_S:  # a person reads it first
                answered_s = now_s
                self._answer(Command(Action.ACCEPT))
            if seen.question is None and seen.samples + seen.samples_lost >= self._sent:
                return None if seen.turn is None else seen.turn.label
            time.sleep(LOOK_S)
        return None
