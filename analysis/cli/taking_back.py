"""`--history` and `--take-back` of import and note: what came in, and out of the count again."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, TypeVar

import click

from coilbench.analysis.cli.common import book_path, print_document
from coilbench.capture.book.entries import Entry, entries, take_back
from coilbench.capture.book.opening import open_book
from coilbench.capture.strokes.sweep import Origin
from coilbench.capture.units import counted

SHOWN_FIGURES = 8  # of an id: enough to tell some millions apart

_Command = TypeVar("_Command", bound=Callable[..., Any])


def taking_back_options(command: _Command) -> _Command:
    """Give a command --history and --take-back."""
    history = click.option(
        "--history", is_flag=True, help="List what came in by this command, the newest first."
    )
    back = click.option(
        "--take-back",
        metavar="last|ID",
        help="Take a run out of the count again; its numbers are kept.",
    )
    return history(back(command))


def show_history(origins: Sequence[Origin], set_name: str | None, *, as_json: bool = False) -> None:
    """Print the runs that brought strokes of these origins."""
    with open_book(book_path()) as db:
        known = entries(db, origins, set_name)
    if as_json:
        print_document({"entries": [vars(entry) for entry in known]})
        return
    for entry in known:
        click.echo(_line(entry))
    if not known:
        click.echo("Nothing yet that could be taken back.")


def _line(entry: Entry) -> str:
    what = f"{', '.join(entry.files)}  " if entry.files else ""
    springs = entry.labels[0] if len(entry.labels) == 1 else counted(len(entry.labels), "spring")
    return (
        f"{entry.entry_id[:SHOWN_FIGURES]}  {entry.stored_utc[:16].replace('T', ' ')}  "
        f"{entry.set_name}  {what}{springs}{'' if entry.counts else '  (taken back)'}"
    )


def take_entry_back(
    which: str, origins: Sequence[Origin], set_name: str | None, *, as_json: bool = False
) -> None:
    """Take a run back and say so."""
    with open_book(book_path()) as db:
        entry = take_back(db, which, origins, set_name)
    if as_json:
        print_document({"taken_back": vars(entry) | {"counts": False}})
        return
    click.echo(f"Taken back: {_line(entry)}. Its numbers are kept, but they do not count any more.")
