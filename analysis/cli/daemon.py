"""`coilbench daemon`: capture a set, headless."""

from __future__ import annotations

import click

from coilbench.analysis.cli.common import LENGTH, book_path, units
from coilbench.capture.running.daemon import run_daemon
from coilbench.capture.running.events import Event, EventKind
from coilbench.capture.running.session import LINGER_S, CaptureRequest

_ALERTS = (EventKind.REFUSED, EventKind.FAULT)


@click.command(
    name="daemon",
    epilog="Examples: coilbench daemon --port /dev/ttyUSB0 --set larch ; "
    "coilbench daemon --port 'virtual:?pace=fast' --set larch",
)
@click.option("--port", required=True, help="Where the rig is: a device or any source URL.")
@click.option("--set", "set_name", required=True, help="The set that is pressed.")
@click.option(
    "--down-to",
    "reach_height_mm",
    type=LENGTH,
    help="Every stroke must be pressed down to this height; a shorter one is asked for again.",
)
def daemon_command(port: str, set_name: str, reach_height_mm: float | None) -> None:
    """Capture a set without a screen, for a service unit or a second terminal.

    Press the springs in the order of their labels; each finished stroke goes to the spring whose
    turn it is, hands free. One line is printed for each thing that happens, after the book has
    it. Ends half a minute after the set is done, so that its last stroke can still be redone, or
    on SIGTERM or when its terminal is closed: both drain and close.
    """
    request = CaptureRequest(book_path(), set_name, port, reach_height_mm, units(), LINGER_S)
    printer = _Printer()
    snapshot = run_daemon(request, printer.event)
    printer.line(
        f"{snapshot.springs_done} of {snapshot.springs} springs done, "
        f"{snapshot.samples} samples, {snapshot.samples_lost} lost. Book: {book_path()}"
    )
    if snapshot.turn is None:
        printer.line(f"Next: coilbench set check {set_name} --at HEIGHT")


class _Printer:
    """Prints for as long as somebody reads: a capture does not end with its window."""

    def __init__(self) -> None:
        self._read = True

    def event(self, event: Event) -> None:
        """Print an event."""
        mark = "! " if event.kind in _ALERTS else "  "
        self.line(f"{mark}{event.words}")

    def line(self, words: str) -> None:
        """Print a line."""
        if not self._read:
            return
        try:
            click.echo(words)
        except OSError:  # a closed pipe, a terminal that is gone
            self._read = False
