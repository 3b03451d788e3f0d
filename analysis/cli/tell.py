"""`coilbench tell`: a word to the capture that runs on this book, from another window."""

from __future__ import annotations

import time

import click

from coilbench.analysis.cli.common import book_path
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import Action, Command
from coilbench.capture.running.control import ask_snapshot, send_command
from coilbench.capture.running.events import EventKind

OUTCOME_S = 2.0  # a capture acts within a quarter of a second, if its disk lets it
_LOOK_S = 0.05
_OUTCOMES = (EventKind.REDO, EventKind.TURN, EventKind.REFUSED, EventKind.DONE)


@click.command(
    name="tell",
    epilog="Examples: coilbench tell redo ; coilbench tell rename larch-02 larch-2b ; "
    "coilbench tell finish",
)
@click.argument("action", type=click.Choice([str(action) for action in Action]))
@click.argument("label", required=False)
@click.argument("new_label", required=False)
def tell_command(action: str, label: str | None, new_label: str | None) -> None:
    """Tell a running capture to redo the last stroke, skip, go back, rename a spring or finish.

    For a capture without a screen: coilbench daemon in another window or as a service. With
    LABEL the capture refuses if it is another spring's turn by then; a rename needs both labels,
    the old one first. Only the user who runs the capture is heard. Prints what came of it.
    """
    book = book_path()
    if action == Action.RENAME and new_label is None:
        raise CoilbenchError(
            "a rename needs two labels", mend="Write it like: coilbench tell rename OLD NEW"
        )
    command = Command(Action(action), label, new_label)
    before = ask_snapshot(book)
    told = before.events[-1][0] if before is not None and before.events else 0
    send_command(book, command)
    give_up_s = time.monotonic() + OUTCOME_S
    while time.monotonic() < give_up_s:
        snapshot = ask_snapshot(book)
        if snapshot is None:
            click.echo("The capture has ended.")
            return
        for number, kind, words in snapshot.events:
            if number > told:
                told = number
                click.echo(words)
                if kind in _OUTCOMES and command.action is not Action.FINISH:
                    return
        time.sleep(_LOOK_S)
    click.echo("The capture was told; what came of it is not known yet.")
