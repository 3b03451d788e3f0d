"""`coilbench daemon`: capture a set, headless. `coilbench tell`: command a running capture."""

from __future__ import annotations

import time
from contextlib import suppress
from functools import partial

import click

from coilbench.analysis.cli.capture_lines import capture_ended, event_line
from coilbench.analysis.cli.common import LENGTH, units
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.share_text import share_lines
from coilbench.analysis.report.units import Units
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import Action, Command, Event, EventKind
from coilbench.capture.running.control import ask_snapshot, send_command
from coilbench.capture.running.session import LINGER_S, CaptureRequest, run_daemon
from coilbench.capture.shop.sharing import share_book
from coilbench.capture.units import parse_length_mm

ANSWERS = "answer with: coilbench tell accept (yes) or: coilbench tell take-out (no)"


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
@click.option(
    "--share",
    "shares",
    is_flag=True,
    help="Give the shop's store what the finished set has, once the capture has ended.",
)
def daemon_command(port: str, set_name: str, reach_height_mm: float | None, shares: bool) -> None:
    """Capture a set without a screen, for a service unit or a second terminal.

    Press the springs in the order of their labels; each finished stroke goes to the spring whose
    turn it is, hands free. One line is printed for each thing that happens, after the book has
    it. Ends half a minute after the set is done, so that its last stroke can still be redone, or
    on SIGTERM or when its terminal is closed: both drain and close.
    """
    request = CaptureRequest(book_path(), set_name, port, reach_height_mm, LINGER_S)
    last = run_daemon(request, partial(_print_event, units()))
    for line in capture_ended(last):
        _print(line)
    if shares and last.springs and last.springs_done == last.springs:
        _share()


def _share() -> None:
    """Push what is new. Nothing is pulled, since that would bar a capture that begins meanwhile."""
    try:
        done = share_book(book_path(), None, pull=False, wait_s=_SHARE_WAIT_S)
    except CoilbenchError as error:
        _print(f"! Not shared: {error}")
        return
    for line in share_lines(done, units()):
        _print(line)


def _print(words: str) -> None:
    """Print a line for as long as somebody reads: a capture does not end with its window."""
    with suppress(OSError):  # a closed pipe, a terminal that is gone
        click.echo(words)


def _print_event(shown: Units, event: Event) -> None:
    _print(event_line(event, shown))
    if event.kind is EventKind.QUESTION:
        _print(f"  {ANSWERS}")


_SHARE_WAIT_S = 5  # a service is not to end long after its capture
OUTCOME_S = 2.0  # a capture acts within a quarter of a second, if its disk lets it
_LOOK_S = 0.05
_OUTCOMES = (EventKind.REDO, EventKind.TURN, EventKind.REFUSED, EventKind.DONE, EventKind.QUESTION)
_WORDS = [str(action).replace("_", "-") for action in Action]


@click.command(
    name="tell",
    epilog="Examples: coilbench tell redo ; coilbench tell rename larch-02 larch-2b ; "
    "coilbench tell datum 30mm ; coilbench tell accept ; coilbench tell finish",
)
@click.argument("action", type=click.Choice(_WORDS))
@click.argument("label", required=False)
@click.argument("new_label", required=False)
def tell_command(action: str, label: str | None, new_label: str | None) -> None:
    """Tell a running capture to redo the last stroke, skip, go back, rename a spring or finish.

    accept and take-out answer its question: yes, and no (of a press: it does not count, and the
    spring is taken out). gauge: one is about to be brought between the faces, for a datum. datum
    LENGTH: the quill stands lightly on a gauge of that length, and heights are known from there.

    For a capture without a screen: coilbench daemon in another window or as a service. With
    LABEL the capture refuses if it is another spring's turn by then; a rename needs both labels,
    the old one first. Only the user who runs the capture can command it. Prints the outcome.
    """
    book = book_path()
    command = _command(Action(action.replace("-", "_")), label, new_label)
    before = ask_snapshot(book)
    told = 0 if before is None else before.newest_event
    ends = command.action is Action.FINISH or (
        command.action is Action.ACCEPT
        and before is not None
        and before.question is not None
        and before.question.kind == "finish_unfinished"
    )
    send_command(book, command)
    give_up_s = time.monotonic() + OUTCOME_S
    while time.monotonic() < give_up_s:
        snapshot = ask_snapshot(book)
        if snapshot is None:
            click.echo("The capture has ended.")
            return
        for number, event in snapshot.events:
            if number > told:
                told = number
                click.echo(describe(event.what, units()))
                if event.kind is EventKind.QUESTION:
                    click.echo(f"  {ANSWERS}")
                    return
                if event.what.kind == "too_soon" or (event.kind in _OUTCOMES and not ends):
                    return
        time.sleep(_LOOK_S)
    click.echo("The capture has accepted the command; its outcome is not known yet.")


def _command(action: Action, text: str | None, new_label: str | None) -> Command:
    if action is Action.RENAME and new_label is None:
        raise CoilbenchError(
            "a rename needs two labels", hint="Write it like: coilbench tell rename OLD NEW"
        )
    if action is not Action.DATUM:
        return Command(action, text, new_label)
    if text is None:
        raise CoilbenchError(
            "a datum needs the gauge's length", hint="Write it like: coilbench tell datum 30mm"
        )
    asked = {"action": action, "height_mm": parse_length_mm(text)}
    return Command.from_document(asked)  # it refuses what no gauge has
