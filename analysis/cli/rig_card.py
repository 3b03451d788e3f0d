"""`coilbench rig card`: the calibration in force, as text, JSON or a page."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from coilbench.analysis.cli.check_table import show_budget
from coilbench.analysis.cli.common import print_document, show_warnings, units
from coilbench.analysis.cli.files_out import refuse_existing, write_whole
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.cli.tables import console, plain_table
from coilbench.analysis.inputs.rig_record import calibration_card
from coilbench.analysis.report.card_text import CalibrationText, PartText, calibration_text
from coilbench.analysis.report.units import Units
from coilbench.analysis.rig.check import ZeroMove
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.rows import utc_now

BAR_CELLS = 10  # to either side
MOST_ROWS = 12  # of a long session's zeros


def card_command(page: Path | None, force: bool, as_json: bool) -> None:
    """Show the calibration in force: its points, curve, uncertainty, age, and what to trust."""
    if page is not None:
        refuse_existing(page, force, [book_path()])
    with open_book(book_path()) as db:
        card = calibration_card(db)
    if page is not None:
        from coilbench.analysis.report.card_page import card_page

        write_whole(page, card_page(card, units(), utc_now()))
        click.echo(f"Wrote {page}.", err=as_json)
    if as_json:
        print_document(card)
    elif page is None:
        show_warnings(card.warnings)
        _show(calibration_text(card, units()))
        _show_zeros(card.zeros)


def _show(text: CalibrationText) -> None:
    for words in text.sentences:
        click.echo(f"{words}.")
    if text.check is not None:
        click.echo(f"Last check: {text.check}.")
    click.echo("\nErrors at each step, per cent (q accuracy, b repeatability, v reversibility):")
    errors = (">q", ">b", ">v", ">zero", ">resolution")
    console().print(plain_table("true load", *errors, ">would meet class", rows=text.steps))
    console().print(plain_table("limits of class", *errors, rows=text.limits))
    click.echo(f"({text.source}.)")
    if text.budget is not None:
        click.echo(f"\n{text.budget.title}:")
        show_budget(text.budget)
    for part in text.parts:
        _show_part(part)


def _show_zeros(zeros: Sequence[ZeroMove]) -> None:
    if len(zeros) > 1:
        click.echo("\nZero of the newest session's strokes, beside the first one's:")
        rows = zero_rows(zeros, units())
        console().print(plain_table(">minutes", f">{units().load}", "", rows=rows))


def zero_rows(zeros: Sequence[ZeroMove], units: Units) -> list[tuple[str, str, str]]:
    """Return minutes, load and a bar of the zeros of a session, thinned out evenly."""
    step = max(-(-len(zeros) // MOST_ROWS), 1)
    shown = [*zeros[::step]]
    if zeros and shown[-1] is not zeros[-1]:
        shown.append(zeros[-1])
    largest = max((abs(one.moved_n) for one in shown), default=0.0)
    return [
        (
            f"{one.minutes:.0f}",
            f"{units.load_value(one.moved_n):+.3f}",
            _bar(one.moved_n, largest),
        )
        for one in shown
    ]


def _show_part(part: PartText) -> None:
    click.echo(f"\n{part.title}\n  {part.heading}.")
    for name, number, unit in part.coefficients:
        click.echo(f"  {name}  {number} {unit}  (k = 1)")
    if part.correlation:
        click.echo(f"  {part.correlation}")
    table = plain_table("  known", "going", ">counts", ">known less fitted", "")
    largest = max((abs(residual.off) for residual in part.residuals), default=0.0)
    bars = iter(_bar(residual.off, largest) for residual in part.residuals)
    for known, way, counts, off in part.points:
        table.add_row(f"  {known}", way, counts, off, "" if off == "not used" else next(bars, ""))
    if part.points:
        console().print(table)
    for note in part.notes:
        click.echo(f"  Note: {note}.")


def _bar(off: float, largest: float) -> str:
    cells = [" "] * (2 * BAR_CELLS + 1)
    cells[BAR_CELLS] = "|"
    cells[BAR_CELLS + round((off / largest if largest > 0.0 else 0.0) * BAR_CELLS)] = "o"
    return "".join(cells).rstrip()
