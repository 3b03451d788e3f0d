"""`coilbench live`: the dashboard, running a capture or attached to one."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType

import click
from rich.console import Console, RenderableType
from rich.live import Live
from sqlite_utils import Database

from coilbench.analysis.cli.common import LENGTH, at_option, console, units
from coilbench.analysis.cli.daemon import capture_ended
from coilbench.analysis.cli.keyboard import Keyboard, open_keyboard
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.dashboard.frame import Scene, SetTable, frame
from coilbench.analysis.dashboard.keys import HELP, LEAVE, Bell, KeyMap
from coilbench.analysis.dashboard.set_table import read_set_table
from coilbench.analysis.inputs.rig_record import calibration_state
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding
from coilbench.capture.book.opening import hold_port, open_book
from coilbench.capture.book.rows import utc_now
from coilbench.capture.book.sessions import CaptureRun
from coilbench.capture.book.sets import set_names
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import Command, Snapshot
from coilbench.capture.running.control import ask_snapshot, send_command
from coilbench.capture.running.session import LINGER_S, CaptureRequest, Session
from coilbench.capture.sources import open_source

REDRAW_S = 0.125  # at most 8 frames a second, and only when something changed
RING_GAP_S = 0.25  # between two rings, so that two are heard as two
TOLD_S = 5.0  # for so long it is said why a key was not taken
FIRST_LOOK_S = 2.0  # --once waits so long for a first sample
BOOK_LOOK_S = 0.5
RETRY_S = 2.0  # after the book could not be read
SILENT_S = 5.0  # a capture writes each second; after this long without, it may be gone
NONE_RUNS = "No capture is running. Start one: coilbench daemon --port PORT --set NAME"


@click.command(
    name="live",
    epilog="Examples: coilbench live --port /dev/ttyUSB0 --set larch --at 38.5mm --at 27.6mm ; "
    "coilbench live (attaches to the capture that runs on this book)",
)
@click.option("--port", help="Run a capture from this source; without it, attach to one.")
@click.option("--set", "set_name", help="The set that is pressed (with --port).")
@at_option(
    "Heights the table reads at and the bar marks, the highest as the seat's and the lowest "
    "as the open one's. [default: those of the set's nominal, else two inside what was measured, "
    "not marked]"
)
@click.option(
    "--down-to", "reach_height_mm", type=LENGTH, help="Press every stroke to this height."
)
@click.option(
    "--bell/--no-bell",
    default=True,
    help="Ring the terminal's bell: once for a stroke kept, twice for one refused or a fault, "
    "three times for a set that is done.",
)
@click.option("--once", is_flag=True, help="Print one frame and end.")
def live_command(
    port: str | None,
    set_name: str | None,
    heights_mm: tuple[float, ...],
    reach_height_mm: float | None,
    bell: bool,
    once: bool,
) -> None:
    """Press a set with the terminal in view: whose turn, load, height, the table, the curve.

    With --port it runs the capture itself and ends it when the screen is closed (q or Ctrl-C).
    Without, it looks on and passes keys to the capture that runs: closing it ends nothing. Keys:
    r redo the last stroke, s skip this spring, b back, n a new label, f finish, q leave. No key is
    needed: springs come in the order of their labels, and a bad stroke is asked for again.
    """
    path = book_path()
    screen = _Screen(console(), heights_mm, units(), ring=bell)
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
        click.echo("\n".join(capture_ended(last)))


class _Screen:
    def __init__(
        self, out: Console, heights_mm: tuple[float, ...], shown: Units, *, ring: bool
    ) -> None:
        self._out = out
        self._heights_mm = heights_mm
        self._units = shown
        self._ring = ring and out.is_terminal
        self._keys = KeyMap()
        self._told = ""  # why the last key was not taken
        self._told_s = 0.0

    def show(self, feed: _Feed, *, once: bool) -> None:
        """Show a feed until it ends or the person leaves."""
        snapshot = feed.see()
        if snapshot is None:
            if not feed.own:
                click.echo(NONE_RUNS)
            return
        reader = BookReader(book_path(), snapshot.set_name, self._heights_mm, self._units)
        if once:
            self._print_once(feed, snapshot, reader)
            return
        reader.start()
        try:
            live = Live(console=self._out, auto_refresh=False, screen=self._out.is_terminal)
            with open_keyboard() as keyboard, live:
                self._follow(feed, snapshot, reader, keyboard, live)
        except KeyboardInterrupt:
            pass  # closing the screen is how it is left
        finally:
            reader.close()
            if not self._out.is_terminal:
                self._out.line()  # the last frame stays there, without its end of line
        if not feed.own:
            click.echo(_how_it_stands(feed))

    def _follow(
        self,
        feed: _Feed,
        snapshot: Snapshot | None,
        reader: BookReader,
        keyboard: Keyboard,
        live: Live,
    ) -> None:
        bell, rings, rung_s = Bell(), 0, 0.0
        drawn: object = None
        while snapshot is not None:
            scene = self._scene(snapshot, reader, self._key_line(keyboard))
            if (scene, self._out.size) != drawn:
                live.update(self._frame(scene), refresh=True)
                drawn = (scene, self._out.size)
            rings = min(3, rings + bell.rings(snapshot))
            if rings and self._ring and time.monotonic() - rung_s > RING_GAP_S:
                self._out.bell()
                rings, rung_s = rings - 1, time.monotonic()
            if self._leaves(keyboard.wait(REDRAW_S), feed, snapshot):
                return
            snapshot = feed.see()

    def _leaves(self, typed: str, feed: _Feed, snapshot: Snapshot) -> bool:
        """Pass what was typed on; returns whether the person leaves."""
        for asked in self._keys.press(typed, snapshot.label):
            if asked == LEAVE:
                return True
            if isinstance(asked, Command):
                try:
                    feed.tell(asked)
                    self._told = ""
                except CoilbenchError as error:
                    self._told, self._told_s = str(error), time.monotonic()
        return False

    def _key_line(self, keyboard: Keyboard) -> str:
        if keyboard.off is not None:
            return f"keys off: {keyboard.off}; no key is needed, Ctrl-C leaves"
        if time.monotonic() - self._told_s > TOLD_S:
            self._told = ""
        return self._keys.prompt() or self._told or HELP

    def _scene(self, snapshot: Snapshot, reader: BookReader, keys: str) -> Scene:
        return Scene(snapshot, reader.table, self._units, self._heights_mm, reader.standing, keys)

    def _frame(self, scene: Scene) -> RenderableType:
        return frame(
            scene,
            width=self._out.width,
            height=self._out.height,
            ascii_only="utf" not in (self._out.encoding or "").lower(),
        )

    def _print_once(self, feed: _Feed, snapshot: Snapshot, reader: BookReader) -> None:
        """Print the first frame that has samples in it; the last known one after two seconds."""
        give_up_s = time.monotonic() + FIRST_LOOK_S
        while snapshot.load_n is None and time.monotonic() < give_up_s:
            time.sleep(REDRAW_S)
            newer = feed.see()
            if newer is None:
                break
            snapshot = newer
        reader.read()
        self._out.print(self._frame(self._scene(snapshot, reader, "")))


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


def _how_it_stands(feed: _Feed) -> str:
    if feed.see() is not None:
        return "The capture continues."
    with open_book(book_path()) as db:
        reason = CaptureRun.last_end(db)
    return f"The capture has ended: {reason or 'no reason is recorded'}."


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
            return replace(snapshot, link="lost", link_what=silent)
        age_s = snapshot.sample_age_s
        return replace(snapshot, sample_age_s=None if age_s is None else age_s + behind_s)


_Feed = OwnCapture | OtherCapture  # a capture as a screen sees it


@dataclass
class BookReader:
    """Reads the set's table and the rig's standing, on a thread of its own.

    Fitting a set's curves takes a second or two: the screen goes on meanwhile.
    """

    path: Path
    set_name: str
    heights_mm: tuple[float, ...]
    units: Units
    standing: str = ""
    _read_mark: tuple[object, ...] | None = None

    def __post_init__(self) -> None:
        self.table = SetTable((), 0, ())
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, name="coilbench-table", daemon=True)

    def start(self) -> None:
        """Begin to read; `table` and `standing` follow the book from now on."""
        self._thread.start()

    def close(self) -> None:
        """End it."""
        self._over.set()
        if self._thread.ident is not None:
            self._thread.join()

    def read(self) -> None:
        """Read once, in the caller's own thread."""
        with open_book(self.path) as db:
            self._read(db)

    def _run(self) -> None:
        while not self._over.is_set():
            try:
                with open_book(self.path) as db:
                    while not self._over.wait(BOOK_LOOK_S if self._read_mark is not None else 0.0):
                        self._read(db)
            except Exception as error:  # shown; the capture goes on, and the next look may succeed
                known = isinstance(error, CoilbenchError)
                words = str(error) if known else f"{type(error).__name__}: {error}"
                self.standing = f"THE TABLE CAN'T BE READ: {words}"
                self._read_mark = None
                self._over.wait(RETRY_S)

    def _read(self, db: Database) -> None:
        if self.set_name not in set_names(db):
            return
        mark = _mark(db)
        if mark == self._read_mark:
            return
        state = calibration_state(db, utc_now())
        self.standing = "" if state is None else describe(state, self.units)
        asked = self.set_name, self.heights_mm, self.units
        for table in read_set_table(db, *asked, self.table):
            self.table = table  # shown by the screen's thread while the next is worked out
        self._read_mark = mark


def _mark(db: Database) -> tuple[object, ...]:
    """Return what changes when there is something new for the table or the standing."""
    row = db.execute(
        "SELECT (SELECT max(rowid) FROM sweeps), (SELECT sum(counted) FROM sweeps),"
        " (SELECT max(rowid) FROM calibration_parts),"
        " (SELECT max(rowid) FROM mass_checks),"
        " (SELECT group_concat(rowid || ruling) FROM sweeps WHERE ruling IS NOT NULL)"
    ).fetchone()
    # labels, nominals, dimensions
    registered = (db.execute(f"SELECT * FROM {name}") for name in ("sets", "springs"))  # noqa: S608
    return (*row, *map(tuple, registered))
