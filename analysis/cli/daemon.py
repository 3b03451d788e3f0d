"""`coilbench daemon`: capture a set, headless. `coilbench tell`: command a running capture."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from types import FrameType

import click

from coilbench.analysis.cli.capture_lines import capture_ended, event_line
from coilbench.analysis.cli.common import units
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.dashboard.keys import redo_help
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.share_text import share_lines
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import Finding
from coilbench.capture.book.locks import hold_port
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import Command, Event, Snapshot
from coilbench.capture.running.control import ask_snapshot, send_command
from coilbench.capture.running.kinds import Action, EventKind
from coilbench.capture.running.request import CaptureRequest
from coilbench.capture.running.session import LINGER_S, Session
from coilbench.capture.shop.sharing import share_book
from coilbench.capture.sources import open_source
from coilbench.capture.units import parse_length_mm

# Windows has no SIGHUP.
_STOPPING = tuple(
    getattr(signal, name) for name in ("SIGTERM", "SIGINT", "SIGHUP") if hasattr(signal, name)
)
_ANSWERS = "answer with: coilbench tell accept (yes) or: coilbench tell take-out (no)"


def daemon_command(port: str, set_name: str, reach_height_mm: float | None, shares: bool) -> None:
    """Capture a set without a screen, for a service unit or a second terminal."""
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
        _print(f"  {_answers(event.what)}")


def _answers(question: Finding) -> str:
    taken_back = redo_help(question)
    return _ANSWERS if taken_back is None else f"{_ANSWERS}, or: coilbench tell redo ({taken_back})"


_SHARE_WAIT_S = 5  # a service is not to end long after its capture
OUTCOME_S = 2.0  # a capture acts within a quarter of a second, if its disk lets it
_LOOK_S = 0.05
_STAYS = ("too_soon", "closing_wanted")  # the capture does not end yet
_OUTCOMES = (EventKind.REDO, EventKind.TURN, EventKind.REFUSED, EventKind.DONE, EventKind.QUESTION)


def tell_command(action: str, label: str | None, new_label: str | None) -> None:
    """Tell a running capture to redo the last stroke, skip, go back, rename a spring or finish."""
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
                    click.echo(f"  {_answers(event.what)}")
                    return
                if event.what.kind in _STAYS or (event.kind in _OUTCOMES and not ends):
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


def run_daemon(request: CaptureRequest, say: Callable[[Event], None]) -> Snapshot:
    """Capture a set until it is done or the process is told to end.

    SIGTERM, SIGINT and a terminal that is closed (SIGHUP) drain what has arrived, close the book
    and return.

    Raises:
        CoilbenchError: see Session.run, and a port that another capture uses.
    """
    session = Session(request, lambda: open_source(request.url), say)
    with hold_port(request.url), _stopped_by_signals(session):
        return session.run()


@contextmanager
def _stopped_by_signals(session: Session) -> Iterator[None]:
    if threading.current_thread() is not threading.main_thread():
        yield  # signals reach the main thread only; elsewhere the caller stops us
        return

    def stop(_signal: int, _frame: FrameType | None) -> None:
        session.stop()

    heard = [number for number in _STOPPING if not _to_be_ignored(number)]
    before = {number: signal.signal(number, stop) for number in heard}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _to_be_ignored(number: int) -> bool:
    """Tell whether this program is to outlive its terminal (nohup)."""
    return number == getattr(signal, "SIGHUP", None) and signal.getsignal(number) == signal.SIG_IGN
