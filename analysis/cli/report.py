"""`coilbench report`: the build sheet, one page to print and file."""

from __future__ import annotations

from pathlib import Path

import click

from coilbench.analysis.choices import Effort
from coilbench.analysis.cli.common import print_document, say, show_warnings, units
from coilbench.analysis.cli.files_out import refuse_existing, write_whole
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.cli.waiting import Waiting
from coilbench.analysis.inputs.sheet_input import read_sheet
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.sheet_text import sheet_document, sheet_text
from coilbench.capture.book.opening import open_book


def report_command(
    build: Path,
    page: Path | None,
    effort: Effort,
    use_flagged: bool,
    seconds: float,
    force: bool,
    as_json: bool,
) -> None:
    """Write the sheet to build from: one page that prints on A4 and Letter, in black and white."""
    target = page
    if page is None and not as_json:
        target = build.parent / f"{build.stem}.html"
    if target is not None:
        refuse_existing(target, force, (build, book_path()))
    with Waiting(seconds) as waiting, open_book(book_path()) as db:
        waiting.say("Judging the sets")
        sheet = read_sheet(db, build, effort, use_flagged, book_path().name, waiting, waiting.say)
    if target is not None:
        from coilbench.analysis.report.sheet_page import sheet_page

        write_whole(target, sheet_page(sheet, units()))
        click.echo(f"Wrote {target}.", err=as_json)
    if as_json:
        print_document(sheet_document(sheet))
    else:
        click.echo(f"{sheet_text(sheet, units()).verdict}.")
        show_warnings(sheet.rig.warnings)
        for failure in sheet.failures:
            say(f"{describe(failure, units())}.")
    if not (sheet.named and sheet.fits) or sheet.failures:
        raise click.exceptions.Exit(1)
