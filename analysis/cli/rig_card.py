"""`coilbench rig card`: the calibration in force, as text, JSON or a page."""

from __future__ import annotations

from pathlib import Path

import click

from coilbench.analysis.cli.check_table import show_budget
from coilbench.analysis.cli.common import (
    console,
    json_option,
    plain_table,
    print_document,
    show_warnings,
    units,
)
from coilbench.analysis.cli.files_out import refuse_existing, write_whole
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.inputs.rig_record import calibration_card
from coilbench.analysis.report import card_text as card_view
from coilbench.analysis.report.card_text import to_document
from coilbench.analysis.report.phrases import describe
from coilbench.analysis.rig.card import SOURCE, Card, PartCard
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.rows import utc_now


@click.command(
    name="card", epilog="Examples: coilbench rig card ; coilbench rig card --html card.html"
)
@click.option(
    "--html",
    "page",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write the card as one self-contained page to this file.",
)
@click.option("--force", is_flag=True, help="Let the page take a file's place.")
@json_option
def card_command(page: Path | None, force: bool, as_json: bool) -> None:
    """Show the calibration in force: its points, curve, uncertainty, age, and what to trust.

    With the class of ISO 7500-1 whose limits its errors would meet; this is not a certificate.
    """
    if page is not None:
        refuse_existing(page, force, [book_path()])
    with open_book(book_path()) as db:
        card = calibration_card(db)
    if page is not None:
        from coilbench.analysis.report.card_page import card_page

        write_whole(page, card_page(card, units(), utc_now()))
        click.echo(f"Wrote {page}.", err=as_json)
    if as_json:
        print_document(to_document(card))
    elif page is None:
        _show(card)


def _show(card: Card) -> None:
    shown = units()
    show_warnings(card.warnings)
    for words in card_view.sentences(card, shown):
        click.echo(f"{words}.")
    if card.check is not None:
        click.echo(f"Last check: {card_view.last_check_line(card.check, shown)}.")
    click.echo("\nErrors at each step, per cent (q accuracy, b repeatability, v reversibility):")
    table = plain_table("true load", ">q", ">b", ">v", ">zero", ">resolution", ">would meet class")
    for row in card_view.step_rows(card, shown):
        table.add_row(*row)
    console().print(table)
    limits = plain_table("limits of class", ">q", ">b", ">v", ">zero", ">resolution")
    for row in card_view.limit_rows():
        limits.add_row(*row)
    console().print(limits)
    click.echo(f"({SOURCE}.)")
    if card.budget is not None:
        click.echo(f"\n{card_view.budget_title(shown)}:")
        show_budget(card.budget, shown)
    for part in card.parts:
        _show_part(part)


def _show_part(part: PartCard) -> None:
    shown = units()
    click.echo(f"\n{card_view.TITLES[part.part.kind]}\n  {card_view.heading(part, shown)}.")
    for name, number, unit in card_view.coefficient_rows(part, shown):
        click.echo(f"  {name}  {number} {unit}  (k = 1)")
    if words := card_view.correlation_words(part):
        click.echo(f"  {words}")
    table = plain_table("  known", "going", ">counts", ">known less fitted", "")
    found = card_view.residuals(part, shown)
    largest = max((abs(residual.off) for residual in found), default=0.0)
    bars = iter(card_view.bar(residual.off, largest) for residual in found)
    rows = card_view.point_rows(part, shown)
    for known, way, counts, off in rows:
        table.add_row(f"  {known}", way, counts, off, "" if off == "not used" else next(bars, ""))
    if rows:
        console().print(table)
    for note in part.part.notes:
        click.echo(f"  Note: {describe(note, shown)}.")
