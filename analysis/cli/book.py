"""`coilbench book` and `coilbench merge`: copy, check, restore and merge books."""

from __future__ import annotations

from pathlib import Path

import click
from msgspec.structs import asdict

from coilbench.analysis.cli.common import print_document, units
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.report.merge_text import brought_text, note_text
from coilbench.analysis.report.units import SI
from coilbench.capture.book.copies import copy_book, put_back
from coilbench.capture.book.locks import hold_book
from coilbench.capture.book.merging import merge_books
from coilbench.capture.book.soundness import Soundness, check_book
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import counted


def book_copy(file: Path, force: bool) -> None:
    """Copy the whole book into FILE, also while a capture is running."""
    if not file.absolute().parent.is_dir():
        raise CoilbenchError(
            "this folder does not exist", where=str(file.parent), hint="Make it, or give another"
        )
    copy_book(book_path(), file, force=force)
    found = check_book(file)
    click.echo(f"Copied {book_path()} to {file}: {_content(found)}.")
    _report(found)


def book_check(file: Path | None, as_json: bool) -> None:
    """Look for damage in the book, or in the copy FILE."""
    path = book_path() if file is None else file
    found = check_book(path)
    if as_json:
        whole = not found.findings
        print_document({"book": path, "whole": whole} | asdict(found) | {"newer": found.newer})
        if found.findings:
            raise click.exceptions.Exit(1)
        return
    click.echo(f"{path}: {_content(found)}, version {found.version}.")
    if found.running:
        click.echo("A capture has it open, or ended without closing it.")
    if found.newer:
        click.echo("A newer coilbench has written it; this one cannot open it.")
    _report(found)


def book_put_back(file: Path) -> None:
    """Put the copy FILE in the book's place. The old book is kept beside it."""
    path = book_path()
    found = check_book(file)
    if found.findings:
        raise CoilbenchError(
            f"this copy is damaged ({found.findings[0]}); it was not put back",
            where=str(file),
            hint="Give another copy; to see what is wrong with one: coilbench book check FILE",
        )
    if found.newer:
        raise CoilbenchError(
            f"a newer coilbench has written this copy ({found.version})",
            where=str(file),
            hint="Update coilbench, or give another copy",
        )
    path.parent.mkdir(parents=True, exist_ok=True)
    with hold_book(path):
        kept = put_back(file, path)
    click.echo(f"Put {file} back as {path}: {_content(found)}.")
    if kept is not None:
        click.echo(f"The old book is kept as {kept}.")


def _content(found: Soundness) -> str:
    return (
        f"{counted(found.sets, 'set')}, {counted(found.springs, 'spring')}, "
        f"{counted(found.sweeps, 'stroke')}, {found.samples} samples"
    )


def _report(found: Soundness) -> None:
    for finding in found.findings:
        click.echo(f"! {finding}.")
    if found.findings:
        click.echo(
            "It is DAMAGED. Keep a copy of the file as it is, then: coilbench book put-back COPY ; "
            "a stroke can also be left out: coilbench set strokes SET --leave LABEL:NUMBER"
        )
        raise click.exceptions.Exit(1)
    click.echo(
        "No damage found: what is there is as it was stored, and no row of it is gone. That the "
        "whole file is of an earlier day would leave no trace."
    )


def merge_command(books: tuple[Path, ...], as_json: bool) -> None:
    """Bring other benches' books into this one: sets, strokes, calibrations, checks, scales."""
    merged = merge_books(book_path(), books)
    if as_json:
        notes = [note_text(note, SI) for note in merged.notes]
        print_document({"books": books} | asdict(merged) | {"notes": notes})
        return
    brought = brought_text(merged.brought, changed=merged.kept is not None)
    click.echo(f"Merged {', '.join(map(str, books))}: {brought}.")
    for note in merged.notes:
        click.echo(f"Note: {note_text(note, units())}.")
    if merged.kept is not None:
        click.echo(f"The book as it was is kept as {merged.kept}.")
