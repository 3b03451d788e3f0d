"""`coilbench export --sheet`: a build sheet's tables as CSV files.

`coilbench export`: the book's numbers as CSV files.
"""

from __future__ import annotations

import shlex
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Literal

import click

from coilbench.analysis.cli.common import json_option, print_document, show_warnings, units
from coilbench.analysis.cli.files_out import write_new_files
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.engine.assignment import Effort
from coilbench.analysis.inputs.sheet_input import read_sheet
from coilbench.analysis.report.sheet_tables import sheet_tables
from coilbench.capture.book.exporting import ExportStep, export_steps
from coilbench.capture.book.opening import open_book
from coilbench.capture.tables.csv_table import Cell, csv_bytes
from coilbench.capture.units import counted

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


INDEX = "index.csv"
_INDEX_COLUMNS = (
    "step",
    "command",
    "file",
    "kind",
    "set",
    "label",
    "stored_utc",
    "status",
    "purpose",
    "counted",
    "note",
)


@click.command(
    name="export",
    epilog="Examples: coilbench export --out bench-csv ; coilbench export --set larch --out csv ; "
    "coilbench export --sheet road.toml --out road-csv",
)
@click.option(
    "--set", "set_names", multiple=True, help="A set to write; repeat it.  [default: all]"
)
@click.option(
    "--out",
    "folder",
    required=True,
    type=click.Path(path_type=Path),
    help="The folder to write into; made where it is not there.",
)
@click.option(
    "--sheet",
    "build",
    type=click.Path(path_type=Path),
    help="Write this build file's sheet instead, as coilbench report shows it.",
)
@click.option(
    "--effort",
    type=click.Choice(["none", "shims", "cuts"]),
    default="shims",
    show_default=True,
    help="With --sheet: what may be done under the springs.",
)
@click.option("--use-flagged", is_flag=True, help="With --sheet: count flagged springs in.")
@click.option("--force", is_flag=True, help="Take the place of files that are there.")
@json_option
def export_command(
    set_names: tuple[str, ...],
    folder: Path,
    build: Path | None,
    effort: Literal["none", "shims", "cuts"],
    use_flagged: bool,
    force: bool,
    as_json: bool,
) -> None:
    """Write sets as CSV files: each stroke's raw counts, points, and the calibrations they need.

    index.csv lists the files, with the command that brings each back into another book, in
    order. Strokes that don't count have none. Text that a spreadsheet would run as a formula has
    an apostrophe before it, which the import takes off again.

    With --sheet: what coilbench report shows of a build file, as tables in the display units.
    """
    if build is not None:
        if set_names:
            raise click.UsageError("give --set or --sheet, not both")

        export_sheet(
            build, folder, effort=effort, use_flagged=use_flagged, force=force, as_json=as_json
        )
        return
    steps: list[ExportStep] = []
    with open_book(book_path()) as db:
        count = write_new_files(folder, _files(export_steps(db, set_names), steps), force=force)
    kinds = sorted({step.kind for step in steps})
    counts = {kind: sum(step.kind == kind for step in steps) for kind in kinds}
    if as_json:
        print_document({"folder": str(folder), "index": INDEX, "files": count, "steps": counts})
        return
    many = ", ".join(f"{kind} {number}" for kind, number in counts.items())
    click.echo(f"Wrote {counted(count, 'file')} into {folder} ({many or 'no set'}).")
    click.echo(f"{folder / INDEX} says what is what, and how each comes back into a book.")


def _files(steps: Iterator[ExportStep], seen: list[ExportStep]) -> Iterator[tuple[str, bytes]]:
    """Yield each step's file, then the index; `seen` gets the steps without their files."""
    rows: list[tuple[Cell, ...]] = []
    for number, step in enumerate(steps, start=1):
        if step.path is not None and step.data is not None:
            yield step.path, step.data
        rows.append(_row(number, step))
        seen.append(replace(step, data=None))
    yield INDEX, csv_bytes(_INDEX_COLUMNS, rows)


def _row(number: int, step: ExportStep) -> tuple[Cell, ...]:
    return (
        number,
        shlex.join(("coilbench", *step.arguments)) if step.arguments else "",
        step.path or "",
        step.kind,
        step.set_name,
        step.label,
        step.stored_utc,
        step.status,
        step.purpose,
        "" if step.counted is None else int(step.counted),
        step.note,
    )
