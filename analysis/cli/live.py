"""`coilbench live`: the dashboard, running a capture or attached to one."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import click
from rich.console import Console, RenderableType
from rich.live import Live

from coilbench.analysis.cli.common import LENGTH, book_path, console, units
from coilbench.analysis.screens.dashboard import SetTable, frame
from coilbench.analysis.screens.set_table import read_set_table
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sessions import live_session
from coilbench.capture.book.sets import set_names
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.locks import hold_port
from coilbench.capture.running.session import CaptureRequest, Session
from coilbench.capture.running.snapshot import Snapshot
from coilbench.capture.sources import open_source
from coilbench.capture.units import Units

REDRAW_S = 0.125  # at most 8 frames a second, and only when something changed
BOOK_LOOK_S = 1.0

See = Callable[[], Snapshot | None]


@click.command(
    name="live",
    epilog="Examples: coilbench live --port /dev/ttyUSB0 --set larch --at 38.5mm --at 27.6mm ; "
    "coilbench live (attaches to the capture that runs on this book)",
)
@click.option("--port", help="Run a capture from this source; without it, attach to one.")
@click.option("--set", "set_name", help="The set that is pressed (with --port).")
@click.option(
    "--at",
    "heights_mm",
    type=LENGTH,
    multiple=True,
    help="Heights the table reads at. [default: two inside what was measured]",
)
@click.option("--down-to", "reach_height_mm", type=LENGTH, help="See: coilbench daemon --help")
@click.option("--once", is_flag=True, help="Print one frame and end.")
def live_command(
    port: str | None,
    set_name: str | None,
    heights_mm: tuple[float, ...],
    reach_height_mm: float | None,
    once: bool,
) -> None:
    """Watch a capture on the terminal: link, load, whose turn, the set's table, the curve.

    With --port it runs the capture itself and ends it when the screen is closed (Ctrl-C). Without,
    it only looks: the daemon goes on without it.
    """
    path, shown = book_path(), units()
    if port is None:
        if set_name is not None:
            raise CoilbenchError("--set needs --port", mend="Leave it out to attach")
        _show(_attached(path), path, heights_mm, shown, once=once)
        return
    if set_name is None:
        raise CoilbenchError("--port needs --set", mend="Say whose springs are pressed")
    request = CaptureRequest(path, set_name, port, reach_height_mm, shown)
    session = Session(request, lambda: open_source(port), lambda _event: None)
    with hold_port(port):
        runner = _Runner(session)
        try:
            _show(runner.see, path, heights_mm, shown, once=once)
        finally:
            runner.end()


class _Runner:
    """A session on a thread of its own, watched by the screen's thread."""

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

    def end(self) -> None:
        """Stop the session; raises what it raised."""
        self._session.stop()
        self._thread.join()
        if self._error is not None:
            raise self._error


def _attached(path: Path) -> See:
    """Return what reads the running capture's state out of the book."""

    def see() -> Snapshot | None:
        with open_book(path) as db:
            found = live_session(db)
        if found is None:
            return None
        seen_utc, snapshot = found
        behind_s = (datetime.now(UTC) - datetime.fromisoformat(seen_utc)).total_seconds()
        age_s = snapshot.sample_age_s
        return replace(snapshot, sample_age_s=None if age_s is None else age_s + behind_s)

    return see


class _TableReader:
    """The set's table, read from the book again only when a second has passed."""

    def __init__(self, path: Path, heights_mm: tuple[float, ...]) -> None:
        self._path = path
        self._heights_mm = heights_mm
        self._table = SetTable((), 0, ())
        self._read_s: float | None = None

    def read(self, set_name: str) -> SetTable:
        """Return the table as of the last second."""
        now_s = time.monotonic()
        if self._read_s is None or now_s - self._read_s > BOOK_LOOK_S:
            with open_book(self._path) as db:
                if set_name in set_names(db):
                    self._table = read_set_table(db, set_name, self._heights_mm)
            self._read_s = now_s
        return self._table


def _show(see: See, path: Path, heights_mm: tuple[float, ...], shown: Units, *, once: bool) -> None:
    out = console()
    reader = _TableReader(path, heights_mm)
    if once:
        _print_once(see, reader, shown, out)
        return
    with Live(console=out, auto_refresh=False, screen=out.is_terminal) as screen:
        drawn: object = None
        try:
            while (snapshot := see()) is not None:
                state = (snapshot, reader.read(snapshot.set_name), out.size)
                if state != drawn:
                    screen.update(_frame(*state[:2], shown, out), refresh=True)
                    drawn = state
                time.sleep(REDRAW_S)
        except KeyboardInterrupt:
            pass  # closing the screen is how it is left
    click.echo("No capture is running." if drawn is None else "The capture has ended.")


def _print_once(see: See, reader: _TableReader, shown: Units, out: Console) -> None:
    """Print the first frame that has samples in it; the last known one after two seconds."""
    last: Snapshot | None = None
    give_up_s = time.monotonic() + 2.0
    while (snapshot := see()) is not None:
        last = snapshot
        if snapshot.load_n is not None or time.monotonic() > give_up_s:
            break
        time.sleep(REDRAW_S)
    if last is None:
        click.echo("No capture is running. Start one: coilbench daemon --port PORT --set NAME")
        return
    out.print(_frame(last, reader.read(last.set_name), shown, out))


def _frame(snapshot: Snapshot, table: SetTable, shown: Units, out: Console) -> RenderableType:
    return frame(
        snapshot,
        table,
        shown,
        width=out.width,
        height=out.height,
        ascii_only="utf" not in (out.encoding or "").lower(),
    )
