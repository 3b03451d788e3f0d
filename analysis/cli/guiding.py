"""Guided calibration at the terminal: tasks, readings, undo, and going on after a break."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

import click
import msgspec
from rich.live import Live
from rich.text import Text

from coilbench.analysis.cli.common import say_aside, units
from coilbench.analysis.cli.keyboard import Keyboard, open_keyboard
from coilbench.analysis.cli.known_rig import KnownRig
from coilbench.analysis.cli.overload import ALARMS, alarm_words, is_stop, overload_watch
from coilbench.analysis.cli.plain_console import PlainConsole
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.cli.wrapping import wrapped
from coilbench.analysis.report.document import describe
from coilbench.analysis.rig.check import gravity_of
from coilbench.capture.blocks import Finding, Hello, RawBlock
from coilbench.capture.book.calibrations import PartRecord
from coilbench.capture.book.locks import hold_port
from coilbench.capture.book.rows import utc_now
from coilbench.capture.calibration.block_guide import BlockGuide
from coilbench.capture.calibration.gauge_guide import GaugeGuide
from coilbench.capture.calibration.guide import Guide
from coilbench.capture.calibration.known_points import ASSUMED_MASS_U_RELATIVE, FlexPoint
from coilbench.capture.calibration.overload import OverloadWatch
from coilbench.capture.calibration.polynomial import PolynomialFit
from coilbench.capture.calibration.standing import StandingLoad
from coilbench.capture.calibration.steady import Hold
from coilbench.capture.calibration.weigh_guide import WeighGuide
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.guided import Wish, follow, sample_stream
from coilbench.capture.sources import open_source
from coilbench.capture.sources.base import identify
from coilbench.capture.units import counted

GRACE_S = 8.0  # how long the last point can still be undone
KEYS_ON = "u or the redo button: undo the last point; Ctrl-C: stop"
_QUESTIONS = (
    *("point_refused", "left_on", "step_off", "no_gauge", "leaning"),
    *("pressed_over", "no_give"),
)
_READINGS = (
    *("load_read", "travel_read", "block_read", "no_touch", "pressed_too_little"),
    *("spring_no_block", "quill_moved", "pressed_fast"),
    *_QUESTIONS,
)
_Holds = TypeVar("_Holds", WeighGuide, GaugeGuide)
_UNDONE = ("point_undone", "press_undone")
_WISHES: dict[str, Wish] = {"u": "undo", "y": "take", "\r": "store", "\n": "store"}
_LONGEST_UNFINISHED = 100_000  # bytes; a point takes about a hundred


def _standing_load(part: PartRecord) -> StandingLoad:
    return StandingLoad(part.fit, gravity_of(part), part.reference_u_relative)


class GuidedRig(msgspec.Struct, frozen=True):
    """An open rig, what the book says of it, and whether the bell rings at each reading."""

    hello: Hello
    known: KnownRig
    _stream: Iterator[RawBlock]
    _ring: bool

    @classmethod
    @contextmanager
    def open(cls, port: str, *, ring: bool) -> Iterator[GuidedRig]:
        """Open the rig for a guided calibration, this program alone.

        Raises:
            CoilbenchError: nothing answers there, or another capture has it.
        """
        with hold_port(port), open_source(port) as source:
            hello, seen = identify(source)
            yield cls(hello, KnownRig.look(hello), sample_stream(source, seen), ring)

    def weigh(
        self, masses_kg: Sequence[float], masses_u: float | None, *, afresh: bool
    ) -> WeighGuide:
        """Read the masses, on from where an earlier weighing was interrupted; returns what read.

        Args:
            masses_u: what each may be wrong by, expanded (k = 2), a fraction; None: not stated.
        """
        part = self.known.load
        before = None if afresh else Unfinished.find(book_path(), "weigh")
        taken = self._kept("weigh", masses_kg, afresh=afresh)
        restarted = before is not None and self._counts_anew(before)
        guide = WeighGuide(
            masses_kg,
            taken,
            masses_u=ASSUMED_MASS_U_RELATIVE if masses_u is None else masses_u,
            standing=None if part is None else _standing_load(part),
            mm_per_count=self.hello.mm_per_count,
            travel_from=len(taken) if restarted else 0,
        )
        if part is None:
            say_aside("No calibration before tells whether the cell is empty: see that it is.")
        return self._read_points("weigh", guide, masses_kg, self._masses_watch(guide))

    def _masses_watch(self, guide: WeighGuide) -> OverloadWatch:
        """Return the judge of masses, which load the cell alone; at first by what is being read."""
        if self.known.load is not None:
            return overload_watch(self.known, pressed=False)
        return OverloadWatch(self.known.ratings.cell_n, None, guide.loads_n)

    def gauge(
        self, lengths_mm: Sequence[float], mm_per_count: float | None, *, afresh: bool
    ) -> GaugeGuide:
        """Read the gauges, going on where an earlier gauging was interrupted; returns what it read.

        Args:
            mm_per_count: the scale's step, which the gauges must show; None: it is not known.
        """
        taken = self._kept("gauge", lengths_mm, afresh=afresh)
        guide = self._gauge_guide(lengths_mm, taken, mm_per_count)
        return self._read_points("gauge", guide, lengths_mm, overload_watch(self.known))

    def datum(self, length_mm: float, mm_per_count: float) -> GaugeGuide:
        """Read one gauge, to set the datum of a scale of this step again; returns what read it."""
        guide = self._gauge_guide([length_mm], mm_per_count=mm_per_count)
        self._follow(guide, overload_watch(self.known))
        return guide

    def _gauge_guide(
        self,
        lengths_mm: Sequence[float],
        taken: Sequence[Hold] = (),
        mm_per_count: float | None = None,
    ) -> GaugeGuide:
        load = self.known.load
        if load is None:
            say_aside("The load is not calibrated: whether the quill touches cannot be checked.")
        load_fit = None if load is None else load.fit
        return GaugeGuide(lengths_mm, taken, mm_per_count=mm_per_count, load_fit=load_fit)

    def press(
        self, load_fit: PolynomialFit, least_n: float, mm_per_count: float
    ) -> list[FlexPoint]:
        """Read a press on a solid block; it is undone and repeated as often as needed."""
        told = self.known.ratings
        guide = BlockGuide(
            load_fit,
            least_n,
            mm_per_count=mm_per_count,
            cell_n=told.cell_n,
            press_n=told.press_n,
        )
        self._follow(guide, overload_watch(self.known))
        return guide.points

    @contextmanager
    def kept_until_stored(self, kind: str) -> Iterator[None]:
        """Forget the points beside the book once the calibration is stored inside this.

        Raises:
            CoilbenchError: it was refused; the points stay, and that is said.
        """
        try:
            yield
        except CoilbenchError:
            if Unfinished.find(book_path(), kind) is not None:
                say_aside(
                    "Its points are kept: the same command shows them again, and u undoes one "
                    "after the other from the last; --afresh starts again."
                )
            raise
        Unfinished.drop(book_path(), kind)

    def _counts_anew(self, before: Unfinished) -> bool:
        """Tell whether the travel counts from another zero than when those points were read."""
        return self.hello.travel == "quadrature" and before.boot_id != self.hello.boot_id

    def _kept(self, kind: str, values: Sequence[float], *, afresh: bool) -> tuple[Hold, ...]:
        """Return the points of an interrupted calibration; refuses those of another one."""
        if afresh:
            Unfinished.drop(book_path(), kind)
            return ()
        before = Unfinished.find(book_path(), kind)
        if before is None:
            return ()
        if before.device_id != self.hello.device_id or before.values != tuple(values):
            was = ",".join(f"{value:g}" for value in before.values)
            raise CoilbenchError(
                f"another calibration was interrupted after {counted(len(before.holds), 'point')}: "
                f"{was} on the rig {before.device_id}",
                hint="Continue that one, or start again with --afresh",
            )
        if kind == "gauge" and self._counts_anew(before):
            say_aside("The rig has restarted and its travel counts from 0: starting again.")
            return ()
        read = counted(len(before.holds), "point")
        last = f"the last at {before.touched_utc[:16]} UTC"
        click.echo(f"Continuing after {read}, {last} (--afresh: start again).")
        return before.holds

    def _read_points(
        self, kind: str, guide: _Holds, values: Sequence[float], watch: OverloadWatch
    ) -> _Holds:
        def keep() -> None:
            who = (self.hello.device_id, self.hello.boot_id)
            held = Unfinished(kind, *who, tuple(values), tuple(guide.holds), utc_now())
            held.keep(book_path())

        try:
            self._follow(guide, watch, keep)
        except BaseException:
            if guide.taken:
                read = counted(guide.taken, "point")
                say_aside(f"{read} of {len(values)} kept; the same command continues from there.")
            raise
        return guide

    def _follow(
        self, guide: Guide, watch: OverloadWatch, keep: Callable[[], None] | None = None
    ) -> None:
        """Follow a guide with the keys and a line that shows what the rig sees."""
        out = PlainConsole()
        line = _StateLine(out)
        with open_keyboard() as keyboard, line.live:

            def ring() -> None:
                if self._ring and out.is_terminal:
                    out.bell()

            def show(state: Finding) -> None:
                line.see(state)
                if is_stop(state):
                    ring()  # again and again, until the load falls

            def say(finding: Finding) -> None:
                words, reading = _words(finding), finding.kind in _READINGS
                if reading or finding.kind in _UNDONE:
                    line.say(f"   {words}")
                    if finding.kind in _QUESTIONS and keyboard.off is None:
                        line.say("   y: take it all the same")
                else:
                    line.say(words, "bold")
                if reading or finding.kind in ALARMS:
                    ring()

            keys = KEYS_ON if keep is None else f"{KEYS_ON}, points are kept"
            if keyboard.off is not None:
                keys = f"keys off: {keyboard.off}"
            line.say(keys, "bold")
            follow(
                self._stream,
                guide,
                say,
                asked=lambda: _wish(keyboard),
                watch=watch,
                show=show,
                keep=keep or (lambda: None),
                grace_s=GRACE_S if keyboard.off is None else 0.0,
            )


def _words(finding: Finding) -> str:
    return alarm_words(finding) if finding.kind in ALARMS else describe(finding, units())


def _wish(keyboard: Keyboard) -> Wish:
    typed = keyboard.wait(0.0)
    return _WISHES.get(typed[-1:].lower(), "")


class _StateLine:
    """What the rig sees, at the bottom, written over and over; above it what is said, for good.

    On a terminal both are broken between words; in a file there is no state, and a line is a line.
    """

    def __init__(self, out: PlainConsole) -> None:
        self.live = Live(console=out, auto_refresh=False, transient=True)
        self._out = out
        self._shown = ""

    def say(self, words: str, style: str | None = None) -> None:
        """Print a line above the state."""
        self._out.print(self._broken(words), soft_wrap=True, style=style)

    def see(self, state: Finding) -> None:
        """Show on a terminal what the rig sees now."""
        if self._out.is_terminal:
            self.show(_words(state))

    def show(self, words: str) -> None:
        """Show these words, if they are new."""
        if self._out.is_terminal and words != self._shown:
            self._shown = words
            self.live.update(Text(self._broken(f"   {words}")), refresh=True)

    def _broken(self, words: str) -> str:
        return wrapped(words, self._out.width) if self._out.is_terminal else words


class Unfinished(msgspec.Struct, frozen=True):
    """An interrupted guided calibration: its points so far, in a small file beside the book.

    Attributes:
        kind: `weigh` or `gauge`.
        device_id, boot_id: the rig, and which start of it.
        values: what was to be read: masses in kg or lengths in mm.
        holds: the first of them, as read.
        touched_utc: when the last was read.
    """

    kind: str
    device_id: str
    boot_id: int
    values: tuple[float, ...]
    holds: tuple[Hold, ...]
    touched_utc: str

    @staticmethod
    def drop(book: Path, kind: str) -> None:
        """Delete the interrupted calibration of a kind, if there is one."""
        _beside(book, kind).unlink(missing_ok=True)

    @classmethod
    def find(cls, book: Path, kind: str) -> Unfinished | None:
        """Return the interrupted calibration of a kind, or None.

        Raises:
            CoilbenchError: the file exists and cannot be read.
        """
        path = _beside(book, kind)
        if not path.exists():
            return None
        try:
            with path.open("rb") as file:  # what is longer ends in the middle, and is refused
                return msgspec.json.decode(file.read(_LONGEST_UNFINISHED), type=cls)
        except (OSError, msgspec.MsgspecError, UnicodeDecodeError) as error:
            raise CoilbenchError(
                "the stored points of an interrupted calibration cannot be read",
                where=str(path),
                hint="Start again with --afresh",
            ) from error

    def keep(self, book: Path) -> None:
        """Store the points so far, all or nothing; without points delete the file.

        Raises:
            CoilbenchError: it cannot be written.
        """
        if not self.holds:
            self.drop(book, self.kind)
            return
        path = _beside(book, self.kind)
        new = path.with_name(path.name + ".new")
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with new.open("wb") as file:
                file.write(msgspec.json.encode(self))
                file.flush()
                os.fsync(file.fileno())
            new.replace(path)
        except OSError as error:
            raise CoilbenchError(
                f"the points so far cannot be stored ({error.strerror})",
                where=str(path),
                hint="Check the folder's permissions and the disk's space",
            ) from error


def _beside(book: Path, kind: str) -> Path:
    return book.with_name(f"{book.name}.unfinished-{kind}.json")
