"""`coilbench live`: the dashboard, running a capture or attached to one."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

import click

from coilbench.analysis.cli.common import LENGTH, at_option, console, units
from coilbench.analysis.cli.daemon import capture_ended
from coilbench.analysis.cli.feeds import OtherCapture, OwnCapture
from coilbench.analysis.cli.screen import Screen
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.dashboard.bell import RHYTHMS
from coilbench.capture.book.opening import hold_port
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.session import LINGER_S, CaptureRequest, Session
from coilbench.capture.sources import open_source


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
    help=f"Ring the terminal's bell. {RHYTHMS}.",
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
    r redo the last stroke, s skip this spring, b back, n a new label, d set the datum, f finish,
    q leave; y and x answer a question. No key is needed: springs come in the order of their
    labels, and a bad stroke is asked for again.

    A terminal that cannot move its cursor (TERM=dumb), a file or a pipe gets plain lines. If this
    program is killed outright (kill -9), the terminal stays as it was: type reset and Enter.
    """
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
