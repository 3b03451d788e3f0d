"""`coilbench book`: copy the book, check that it is whole, put a copy back.

`coilbench merge`: other benches' books into this one.
"""

from __future__ import annotations

from pathlib import Path

import click

from coilbench.analysis.cli.common import json_option, print_document
from coilbench.analysis.cli.settings import book_path
from coilbench.capture.book.copies import copy_book, put_back
from coilbench.capture.book.locks import hold_book
from coilbench.capture.book.merging import Merged, merge_books
from coilbench.capture.book.soundness import Soundness, check_book
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import counted

_FILE = click.Path(dir_okay=False, path_type=Path)


@click.command(name="copy", epilog="Example: coilbench book copy /media/stick/bench-2026-11.db")
@click.argument("file", type=_FILE)
@click.option("--force", is_flag=True, help="Take the place of a file that is there.")
def book_copy(file: Path, force: bool) -> None:
    """Copy the whole book into FILE, also while a capture is running.

    The copy holds what was acknowledged up to that moment. It is checked before this ends.
    """
    if not file.absolute().parent.is_dir():
        raise CoilbenchError(
            "this folder is not there", where=str(file.parent), hint="Make it, or name another"
        )
    copy_book(book_path(), file, force=force)
    found = check_book(file)
    click.echo(f"Copied {book_path()} to {file}: {_content(found)}.")
    _say(found)


@click.command(
    name="check",
    epilog="Examples: coilbench book check ; coilbench book check /media/stick/bench-2026-11.db",
)
@click.argument("file", type=_FILE, required=False)
@json_option
def book_check(file: Path | None, as_json: bool) -> None:
    """Look for damage in the book, or in the copy FILE.

    All of it is read: its pages, its keys, every calibration, and every stroke's samples, which
    carry a checksum. Nothing is changed. Exits with 1 where something is wrong.
    """
    path = book_path() if file is None else file
    found = check_book(path)
    if as_json:
        print_document(
            {"book": str(path), "whole": not found.findings} | vars(found) | {"newer": found.newer}
        )
        if found.findings:
            raise click.exceptions.Exit(1)
        return
    click.echo(f"{path}: {_content(found)}, version {found.version}.")
    if found.running:
        click.echo("A capture has it open, or ended without closing it.")
    if found.newer:
        click.echo("A newer coilbench has written it; this one cannot open it.")
    _say(found)


@click.command(
    name="put-back", epilog="Example: coilbench book put-back /media/stick/bench-2026-11.db"
)
@click.argument("file", type=_FILE)
def book_put_back(file: Path) -> None:
    """Put the copy FILE in the book's place. What it replaces is kept beside it.

    A copy that is damaged, or written by a newer coilbench, is refused; so is this while a
    capture is running, or another program has the book open.
    """
    path = book_path()
    found = check_book(file)
    if found.findings:
        raise CoilbenchError(
            f"this copy is damaged ({found.findings[0]}), and it was not put back",
            where=str(file),
            hint="Name another copy; coilbench book check FILE says what is wrong with one",
        )
    if found.newer:
        raise CoilbenchError(
            f"a newer coilbench has written this copy ({found.version})",
            where=str(file),
            hint="Update coilbench, or name another copy",
        )
    path.parent.mkdir(parents=True, exist_ok=True)
    with hold_book(path):
        kept = put_back(file, path)
    click.echo(f"Put {file} back as {path}: {_content(found)}.")
    if kept is not None:
        click.echo(f"What was there before is kept as {kept}.")


def _content(found: Soundness) -> str:
    return (
        f"{counted(found.sets, 'set')}, {counted(found.springs, 'spring')}, "
        f"{counted(found.sweeps, 'stroke')}, {found.samples} samples"
    )


def _say(found: Soundness) -> None:
    for finding in found.findings:
        click.echo(f"! {finding}.")
    if found.findings:
        click.echo(
            "It is NOT whole. Copy the file away as it is, then: coilbench book put-back COPY"
        )
        raise click.exceptions.Exit(1)
    click.echo("It is whole.")


# What a person counts by; points and curves go with these.
_SHOWN = {
    "sets": "set",
    "springs": "spring",
    "sweeps": "stroke",
    "calibrations": "calibration",
    "mass_checks": "check",
    "scales": "scale",
}


@click.command(
    name="merge",
    epilog="Example: coilbench merge /media/stick/other-bench.db",
)
@click.argument("books", nargs=-1, required=True, type=click.Path(dir_okay=False, path_type=Path))
@json_option
def merge_command(books: tuple[Path, ...], as_json: bool) -> None:
    """Bring other benches' books into this one: sets, strokes, calibrations, checks, scales.

    Again and again, in any order: what both hold is there once, and the result is the same. Two
    different sets of one name are kept apart: the one made later gets the first figures of its id
    after its name. What counts in one book only does not count; everything that differed is said.
    The other books are not changed, this bench's calibration stays in force, and a copy of this
    book as it was is kept beside it.
    """
    merged = merge_books(book_path(), books)
    if as_json:
        print_document(
            {
                "books": [str(book) for book in books],
                "brought": merged.brought,
                "notes": list(merged.notes),
                "kept": None if merged.kept is None else str(merged.kept),
            }
        )
        return
    click.echo(f"Merged {', '.join(map(str, books))}: {_brought(merged)}.")
    for note in merged.notes:
        click.echo(f"Note: {note}.")
    if merged.kept is not None:
        click.echo(f"The book as it was is kept as {merged.kept}.")


def _brought(merged: Merged) -> str:
    words = [
        counted(merged.brought[table], one)
        for table, one in _SHOWN.items()
        if table in merged.brought
    ]
    if words:
        return f"{', '.join(words)} came in"
    return "nothing new" if merged.kept is None else "no new rows, but something was settled"
