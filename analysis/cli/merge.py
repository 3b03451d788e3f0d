"""`coilbench merge`: other benches' books into this one."""

from __future__ import annotations

from pathlib import Path

import click

from coilbench.analysis.cli.common import book_path, json_option, print_document
from coilbench.capture.book.merging import Merged, merge_books
from coilbench.capture.units import counted

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
