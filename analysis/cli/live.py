"""`coilbench live`: the dashboard, running a capture or attached to one."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import FrameType

import click
from msgspec.structs import replace

from coilbench.analysis.cli.capture_lines import capture_ended
from coilbench.analysis.cli.common import units
from coilbench.analysis.cli.screen import Screen
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.cli.tables import console
from coilbench.capture.blocks import Finding
from coilbench.capture.book.opening import hold_port, open_book
from coilbench.capture.book.sessions import CaptureRun
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import Command, Snapshot
from coilbench.capture.running.control import ask_snapshot, send_command
from coilbench.capture.running.session import LINGER_S, CaptureRequest, Session
from coilbench.capture.sources import open_source

SILENT_S = 5.0  # a capture writes each second; after this long without, it may be gone


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
        click.echo("\n".join(capture_ended(last, heights_mm)))


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
