"""`coilbench export`: the book's numbers, or a build sheet's tables, as CSV files."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterable
from pathlib import Path

import click

from coilbench.analysis.choices import Effort
from coilbench.analysis.cli.common import print_document, show_warnings, units
from coilbench.analysis.cli.files_out import _not_written, refuse_existing
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.cli.waiting import Waiting
from coilbench.analysis.inputs.sheet_input import read_sheet
from coilbench.analysis.report.phrases import note_text
from coilbench.analysis.report.sheet_tables import sheet_tables
from coilbench.analysis.report.sheet_text import sheet_text
from coilbench.analysis.report.units import SI
from coilbench.capture.book.exporting import export_files
from coilbench.capture.book.opening import open_book
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.csv_table import csv_bytes
from coilbench.capture.units import counted

# No user's text: a comma in a comment begins a cell too, and only cells are guarded.
ABOUT_CELLS = "_u_ is an expanded uncertainty (k = 2); an empty cell is unknown"


def export_command(
    set_names: tuple[str, ...],
    folder: Path,
    build: Path | None,
    effort: Effort,
    use_flagged: bool,
    seconds: float,
    force: bool,
    as_json: bool,
) -> None:
    """Write sets as CSV files: springs, strokes, keyed readings and calibrations."""
    if build is not None and set_names:
        raise click.UsageError("give --set or --sheet, not both")
    if build is not None:
        _export_sheet(build, folder, effort, use_flagged, seconds, force, as_json)
        return
    with open_book(book_path()) as db:
        files = export_files(db, set_names, lambda note: note_text(note, SI) or "")
        count = write_new_files(folder, files, force=force)
    if as_json:
        print_document({"folder": folder, "files": count})
    else:
        click.echo(f"Wrote {counted(count, 'file')} into {folder}; start with strokes.csv.")


def _export_sheet(
    build: Path,
    folder: Path,
    effort: Effort,
    use_flagged: bool,
    seconds: float,
    force: bool,
    as_json: bool,
) -> None:
    shown, book = units(), book_path()
    with Waiting(seconds) as waiting, open_book(book) as db:
        waiting.say("Judging the sets")
        sheet = read_sheet(db, build, effort, use_flagged, book.name, waiting, waiting.say)
    tables = {f"{each.name}.csv": each for each in sheet_tables(sheet, shown)}
    files = [
        (name, csv_bytes(table.columns, table.rows, [ABOUT_CELLS]))
        for name, table in tables.items()
    ]
    write_new_files(folder, files, force=force)
    if as_json:
        counts = {name: len(table.rows) for name, table in tables.items()}
        verdict = sheet_text(sheet, SI).verdict
        told = {"folder": folder, "rows": counts, "verdict": verdict}
        print_document(told | {"warnings": sheet.rig.warnings})
    else:
        click.echo(f"Wrote {', '.join(tables)} into {folder}.")
        click.echo(f"{sheet_text(sheet, shown).verdict}.")
        show_warnings(sheet.rig.warnings)
    if not sheet.named:
        raise click.exceptions.Exit(1)


def write_new_files(folder: Path, files: Iterable[tuple[str, bytes]], *, force: bool) -> int:
    """Write files into a folder, made if necessary; returns how many.

    They are written beside the folder first and moved when all are complete, so that a full disk or
    a kill leaves what was there.

    Args:
        folder: to write to.
        files: relative path, with / between folders, and content of each.
        force: replace existing files.

    Raises:
        CoilbenchError: a file exists and force is off, or the folder cannot be written.
    """
    if folder.exists() and not folder.is_dir():
        raise CoilbenchError(
            "this is a file, not a folder", where=str(folder), hint="Give a folder"
        )
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        stage = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
        try:
            return _write_all(stage, folder, files, force)
        finally:
            shutil.rmtree(stage, ignore_errors=True)
    except OSError as error:
        raise _not_written(folder, error) from error


def _write_all(stage: Path, folder: Path, files: Iterable[tuple[str, bytes]], force: bool) -> int:
    paths = []
    for path, data in files:
        refuse_existing(folder / path, force)
        (stage / path).parent.mkdir(parents=True, exist_ok=True)
        (stage / path).write_bytes(data)
        paths.append(path)
    for path in paths:
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (stage / path).replace(folder / path)
    return len(paths)
