"""`coilbench export --sheet`: a build sheet's tables as CSV files."""

from __future__ import annotations

from pathlib import Path

import click

from coilbench.analysis.cli.common import book_path, print_document, show_warnings, units
from coilbench.analysis.cli.files_out import write_new_files
from coilbench.analysis.cli.sheet_input import read_sheet
from coilbench.analysis.engine.assignment import Effort
from coilbench.analysis.sheet.tables import sheet_tables
from coilbench.capture.book.opening import open_book
from coilbench.capture.tables.csv_out import csv_bytes

# No word of the user's: a comment's comma begins a cell, too, and only cells are guarded.
ABOUT_CELLS = "_u_ is an expanded uncertainty (k = 2); an empty cell is unknown"


def export_sheet(
    build: Path, folder: Path, *, effort: Effort, use_flagged: bool, force: bool, as_json: bool
) -> None:
    """Write what `coilbench report` shows as CSV files, in the display units."""
    shown, book = units(), book_path()
    with open_book(book) as db:
        sheet = read_sheet(db, build, effort, use_flagged, shown, book.name)
    tables = list(sheet_tables(sheet, shown))
    files = [
        (f"{each.name}.csv", csv_bytes(each.columns, each.rows, [ABOUT_CELLS])) for each in tables
    ]
    write_new_files(folder, files, force=force)
    if as_json:
        counts = {name: len(table.rows) for (name, _), table in zip(files, tables, strict=True)}
        print_document({"folder": str(folder), "rows": counts, "verdict": sheet.verdict,
                        "warnings": list(sheet.rig.warnings)})  # fmt: skip
    else:
        click.echo(f"Wrote {', '.join(name for name, _ in files)} into {folder}.")
        click.echo(f"{sheet.verdict}.")
        show_warnings(sheet.rig.warnings)
    if not sheet.named:
        raise click.exceptions.Exit(1)
