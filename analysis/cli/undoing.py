"""The runs of `note` and `import`: listing them, undoing one."""

from __future__ import annotations

from collections.abc import Sequence

import click
from msgspec.structs import asdict

from coilbench.analysis.cli.common import print_document
from coilbench.analysis.cli.settings import book_path
from coilbench.capture.book.entries import SHOWN_FIGURES, Entry
from coilbench.capture.book.opening import open_book
from coilbench.capture.strokes.sweep import Origin
from coilbench.capture.units import counted


def show_history(origins: Sequence[Origin], set_name: str | None, *, as_json: bool = False) -> None:
    """List the runs that brought strokes of these origins."""
    with open_book(book_path()) as db:
        known = Entry.newest_first(db, origins, set_name)
    if as_json:
        print_document({"entries": known})
        return
    for entry in known:
        click.echo(_entry_line(entry))
    if not known:
        click.echo("Nothing to undo yet.")


def _entry_line(entry: Entry) -> str:
    files = f"{', '.join(entry.files)}  " if entry.files else ""
    return (
        f"{entry.entry_id[:SHOWN_FIGURES]}  {entry.stored_utc[:16].replace('T', ' ')}  "
        f"{entry.set_name}  {files}{springs_text(entry.labels)}"
        f"{'' if entry.counts else '  (undone)'}"
    )


def springs_text(labels: Sequence[str]) -> str:
    """Name one spring, or count several."""
    return labels[0] if len(labels) == 1 else counted(len(labels), "spring")


def undo(
    which: str, origins: Sequence[Origin], set_name: str | None, *, as_json: bool = False
) -> None:
    """Undo a run, named by its id or as the last."""
    with open_book(book_path()) as db:
        entry = Entry.undo(db, which, origins, set_name)
    if as_json:
        print_document({"taken_back": asdict(entry) | {"counts": False}})
        return
    click.echo(f"Undone: {_entry_line(entry)}. Its numbers are kept, but no longer count.")
