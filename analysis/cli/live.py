"""`coilbench live`: the dashboard, running a capture or attached to one.

Frames on a terminal that can, plain lines on any other.
"""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType
from typing import Protocol

import click
import msgspec
from msgspec.structs import replace
from rich.console import Console, RenderableType
from rich.live import Live

from coilbench.analysis.cli.capture_lines import capture_ended, event_line
from coilbench.analysis.cli.common import units
from coilbench.analysis.cli.keyboard import Keyboard, open_keyboard
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.cli.tables import console
from coilbench.analysis.dashboard.bell import Bell
from coilbench.analysis.dashboard.calls import DONE, call
from coilbench.analysis.dashboard.frame import frame
from coilbench.analysis.dashboard.keys import HELP, LEAVE, KeyMap, answer_help
from coilbench.analysis.dashboard.scene import Scene, known_now
from coilbench.analysis.dashboard.set_table import BookReader
from coilbench.analysis.report.bench_text import AS_LOADED
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding
from coilbench.capture.book.locks import hold_port
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sessions import UNCLOSED, CaptureRun
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import NOW_S, Command, Snapshot
from coilbench.capture.running.control import ask_snapshot, send_command
from coilbench.capture.running.request import CaptureRequest
from coilbench.capture.running.session import LINGER_S, Session
from coilbench.capture.sources import open_source

SILENT_S = 5.0  # a capture writes each second; after this long without, it may be gone
REDRAW_S = 0.125  # at most 8 frames a second, and only when something changed
TOLD_S = 5.0  # for so long it is said why a key was not taken
FIRST_LOOK_S = 2.0  # --once waits so long for a first sample
NONE_RUNS = "No capture is running. Start one: coilbench daemon --port PORT --set NAME"
PLAIN = (
    "This is no terminal that frames can be drawn on (TERM=dumb, a file or a pipe): what happens "
    "comes line by line."
)


def live_command(
    port: str | None,
    set_name: str | None,
    heights_mm: tuple[float, ...],
    reach_height_mm: float | None,
    bell: bool,
    once: bool,
) -> None:
    """Press a set with the terminal in view: whose turn, load, height, the table, the curve."""
    path = book_path()
    screen = Screen(console(), heights_mm, units(), ring=bell)
    if port is None:
        if set_name is not None or reach_height_mm is not None:
            raise CoilbenchError("--set and --down-to need --port", hint="Leave them to attach")
        with _ended_by_signals():
            screen.show(OtherCapture(path), once=once)
        return
    if set_name is None:
        raise CoilbenchError("--port needs --set", hint="Say whose springs are pressed")
    request = CaptureRequest(path, set_name, port, reach_height_mm, LINGER_S)
    session = Session(request, lambda: open_source(port), lambda _event: None)
    with hold_port(port), _ended_by_signals():
        capture = OwnCapture(session)
        try:
            screen.show(capture, once=once)
        finally:
            last = capture.end()
    if not once:
        seen = 0 if screen.last is None else screen.last.newest_event
        for line in capture_ended(last, heights_mm, seen):
            click.echo(line)


@contextmanager
def _ended_by_signals() -> Iterator[None]:
    """Let SIGTERM and a closed terminal end it as Ctrl-C does: drained, and the screen put back."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def stop(_signal: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    names = [name for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {name: signal.signal(getattr(signal, name), stop) for name in names}
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)


class OwnCapture:
    """A session on a thread of its own, watched by the screen's thread."""

    own = True

    def __init__(self, session: Session) -> None:
        self._session = session
        self._error: BaseException | None = None
        self._thread = threading.Thread(target=self._run, name="coilbench-session", daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            self._session.run()
        except BaseException as error:
            self._error = error

    def see(self) -> Snapshot | None:
        """Return the newest snapshot, or None once the session has ended."""
        if self._error is not None:
            raise self._error
        return self._session.snapshot if self._thread.is_alive() else None

    def tell(self, command: Command) -> None:
        """Give the session a command."""
        self._session.submit(command)

    def end(self) -> Snapshot:
        """Stop the session and return its last snapshot; raises what it raised."""
        self._session.stop()
        self._thread.join()
        if self._error is not None:
            raise self._error
        return self._session.snapshot


class OtherCapture:
    """The capture of another process on this book: asked itself, else read out of the book."""

    own = False

    def __init__(self, path: Path) -> None:
        self._path = path

    def see(self) -> Snapshot | None:
        """Return the newest snapshot, or None where no capture runs on the book."""
        asked = ask_snapshot(self._path)
        return self._in_book() if asked is None else asked

    def tell(self, command: Command) -> None:
        """Give that capture a command; refused where nobody takes it."""
        send_command(self._path, command)

    def _in_book(self) -> Snapshot | None:
        """Return what the capture wrote last; it writes each second."""
        with open_book(self._path) as db:
            found = CaptureRun.live(db)
        if found is None:
            return None
        seen_utc, snapshot = found[0], Snapshot.from_document(found[1])
        behind_s = (datetime.now(UTC) - datetime.fromisoformat(seen_utc)).total_seconds()
        if behind_s > SILENT_S:
            silent = Finding.of("capture_silent", silent_s=behind_s)
            snapshot = replace(snapshot, link="lost", link_what=silent)
        return snapshot.aged(max(0.0, behind_s))


class _Feed(Protocol):
    """A capture as a screen sees it: its own, or another process's."""

    own: bool

    def see(self) -> Snapshot | None:
        """Return the newest snapshot, or None where no capture runs."""

    def tell(self, command: Command) -> None:
        """Give the capture a command."""


class _Canvas(Protocol):
    """What is drawn on."""

    def show(self, scene: Scene) -> None:
        """Show a scene, if it says anything new."""


class _Frames(msgspec.Struct):
    """Frames, one over the other."""

    live: Live
    _drawn: object = None

    def show(self, scene: Scene) -> None:
        """Draw the scene, where it or the terminal's size has changed."""
        out = self.live.console
        if (scene, out.size) != self._drawn:
            self.live.update(drawn(scene, out), refresh=True)
            self._drawn = (scene, out.size)


class _Lines(msgspec.Struct):
    """Plain lines, one below the other: what happens, and what is called out."""

    _told: int = 0
    _called: tuple[str, str] = ("", "")
    _said: str = ""

    def show(self, scene: Scene) -> None:
        """Print the events that are new, then what is called out where that is new."""
        for number, event in scene.snapshot.events:
            if number > self._told:
                click.echo(event_line(event, scene.units))
        self._told = scene.snapshot.newest_event
        called = call(scene)
        counts_down = called.urgent or called.large == DONE
        key = (called.large, "" if counts_down else called.words)
        if key != self._called:
            self._called = key
            click.echo(f"{called.large}: {called.words}")
            answers = answer_help(called.question)
            if answers is not None:
                click.echo(f"  {answers}")
        if scene.said not in ("", self._said):
            click.echo(f"  {scene.said}")
        self._said = scene.said


def drawn(scene: Scene, out: Console) -> RenderableType:
    """Return the frame of a scene for a terminal: in what it can show, in its size."""
    # where LC_ALL says C, Python writes UTF-8 all the same
    plain = os.environ.get("LC_ALL") in ("C", "POSIX")
    ascii_only = plain or "utf" not in (out.encoding or "").lower()
    return frame(scene, width=out.width, height=out.height, ascii_only=ascii_only)


class Screen(msgspec.Struct, dict=True):
    """Shows a feed, rings the bell, and passes keys on.

    Args:
        heights_mm: the heights asked for.
        ring: whether the bell rings.

    Attributes:
        last: what was shown last; None before the first.
    """

    out: Console
    heights_mm: tuple[float, ...]
    units: Units
    ring: bool
    last: Snapshot | None = None
    _told: str = ""  # why the last key was not taken
    _told_s: float = 0.0

    def __post_init__(self) -> None:
        self._keys = KeyMap(self.units.length)

    @property
    def _plain(self) -> bool:
        return not self.out.is_terminal or self.out.is_dumb_terminal

    def show(self, feed: _Feed, *, once: bool) -> None:
        """Show a feed until it ends or the person leaves."""
        snapshot = feed.see()
        if snapshot is None:
            if not feed.own:
                click.echo(NONE_RUNS)
            return
        reader = BookReader(book_path(), snapshot.set_name, self.heights_mm, self.units)
        if once:
            self._print_once(feed, snapshot, reader)
            return
        reader.start()
        try:
            with open_keyboard() as keyboard:
                self._show_on_canvas(feed, snapshot, reader, keyboard)
        except KeyboardInterrupt:
            pass  # closing the screen is how it is left
        finally:
            reader.close()
        if not feed.own:
            for line in _how_it_stands(feed, self.last or snapshot, self.heights_mm):
                click.echo(line)

    def _show_on_canvas(
        self, feed: _Feed, snapshot: Snapshot, reader: BookReader, keyboard: Keyboard
    ) -> None:
        if self._plain:
            click.echo(PLAIN)
            self._follow(feed, snapshot, reader, keyboard, _Lines())
            return
        with Live(console=self.out, auto_refresh=False, screen=True) as live:
            self._follow(feed, snapshot, reader, keyboard, _Frames(live))

    def _follow(
        self,
        feed: _Feed,
        snapshot: Snapshot | None,
        reader: BookReader,
        keyboard: Keyboard,
        canvas: _Canvas,
    ) -> None:
        bell, ageing = Bell(), Ageing()
        while snapshot is not None:
            now = known_now(ageing(snapshot))
            scene = self._scene(now, reader, keyboard)
            canvas.show(scene)
            self.last = snapshot
            rings = bell.rings(now, stop=scene.stop, now_s=time.monotonic())
            if rings and self.ring and self.out.is_terminal:
                self.out.bell()
            called = call(scene)
            asked = replace(now, question=called.question)  # what is not shown has no answer
            first = called.large if called.urgent else ""
            if self._leaves(self._keys.press(keyboard.wait(REDRAW_S), asked, first), feed):
                return
            snapshot = feed.see()

    def _leaves(self, pressed: Sequence[Command | str], feed: _Feed) -> bool:
        """Pass on what the keys ask for; returns whether the person leaves."""
        why_not = self._keys.said
        for asked in pressed:
            if asked == LEAVE:
                return True
            if isinstance(asked, Command):
                self._told = ""
                try:
                    feed.tell(asked)
                except CoilbenchError as error:
                    why_not = str(error)
        if why_not:
            self._told, self._told_s = why_not, time.monotonic()
        return False

    def _scene(
        self, snapshot: Snapshot, reader: BookReader, keyboard: Keyboard | None = None
    ) -> Scene:
        of = (snapshot, reader.table, self.units, self.heights_mm, reader.standing)
        if keyboard is None:
            return Scene(*of)
        if keyboard.off is not None:
            return Scene(*of, f"keys off: {keyboard.off}; no key is needed, Ctrl-C leaves")
        if time.monotonic() - self._told_s > TOLD_S:
            self._told = ""
        typed = self._keys.prompt()
        return Scene(*of, "" if typed else HELP, typed or self._told)

    def _print_once(self, feed: _Feed, snapshot: Snapshot, reader: BookReader) -> None:
        """Print the first frame that has samples in it; the last known one after two seconds."""
        ageing = Ageing()
        give_up_s = time.monotonic() + FIRST_LOOK_S
        while snapshot.load_n is None and time.monotonic() < give_up_s:
            time.sleep(REDRAW_S)
            newer = feed.see()
            if newer is None:
                break
            snapshot = ageing(newer)
        reader.read()
        self.out.print(drawn(self._scene(ageing(snapshot), reader), self.out))


def _how_it_stands(feed: _Feed, last: Snapshot, heights_mm: Sequence[float]) -> Iterator[str]:
    """Say it; raises CoilbenchError where the capture was ended from outside.

    Args:
        last: what was shown last.
    """
    now = feed.see()
    if now is not None:
        asks = "" if now.question is None else f" It asks: {describe(now.question, units())}"
        closes = (
            "" if now.closing is None else f" It waits for {now.closing} to be pressed once more."
        )
        yield f"The capture continues.{asks or closes}"
        return
    with open_book(book_path()) as db:
        ended = CaptureRun.last_end(db)
    if ended is None or ended[0].startswith(UNCLOSED):
        raise CoilbenchError(
            f"the capture {UNCLOSED}: nobody watches the press, {AS_LOADED}",
            hint="Begin it again as before: it says what was rescued",
        )
    reason, document = ended
    yield f"The capture has ended: {reason}."
    if document.get("set_name") == last.set_name:
        last = Snapshot.from_document(document)  # as it stood at its end
    yield from capture_ended(last, heights_mm)


class Ageing:
    """Ages a snapshot that is seen again and again: a capture that hangs makes no newer one.

    Args:
        clock: any steady clock, s.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._seen: Snapshot | None = None
        self._since_s = 0.0

    def __call__(self, snapshot: Snapshot) -> Snapshot:
        """Return the snapshot as it is worth now; the same one while its numbers are of now."""
        now_s = self._clock()
        if snapshot != self._seen:
            self._seen, self._since_s = snapshot, now_s
        by_s = now_s - self._since_s
        if snapshot.sample_age_s is None or snapshot.sample_age_s + by_s <= NOW_S:
            return snapshot
        return snapshot.aged(by_s)
