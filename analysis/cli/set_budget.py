"""`set check --budget`: what each reading's uncertainty is made of."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import click

from coilbench.analysis.cli.common import console, plain_table
from coilbench.analysis.curves.budget import Budget
from coilbench.analysis.curves.curve import HeightNotMeasured, Reading, SpringCurve
from coilbench.analysis.screens.budget_view import (
    budget_document,
    budget_rows,
    budget_words,
    headings,
)
from coilbench.capture.units import Units


@dataclass(frozen=True)
class Budgeted:
    """One spring's reading, with the budget in it."""

    label: str
    reading: Reading


def budgeted(
    curves: Sequence[SpringCurve], heights_mm: Sequence[float], label: str | None
) -> list[Budgeted]:
    """Return the readings at the heights, of one spring or of all; unmeasured ones left out."""
    found = []
    for curve in curves:
        for height_mm in heights_mm if label in (None, curve.label) else ():
            try:
                found.append(Budgeted(curve.label, curve.load_at(height_mm)))
            except HeightNotMeasured:
                continue
    return found


def budgets_document(found: Sequence[Budgeted]) -> list[dict[str, Any]]:
    """Return them for JSON."""
    return [
        {
            "label": one.label,
            "height_mm": one.reading.height_mm,
            "load_n": one.reading.load_n,
            **budget_document(one.reading.budget),
        }
        for one in found
    ]


def show_budgets(found: Sequence[Budgeted], shown: Units) -> None:
    """Print a table a reading: source, type A or B, value, sensitivity, contribution."""
    for one in found:
        reading = one.reading
        click.echo(
            f"\n{one.label} at {shown.length_text(reading.height_mm)}: "
            f"{shown.load_text(reading.load_n)}"
        )
        show_budget(reading.budget, shown)


def show_budget(budget: Budget, shown: Units) -> None:
    """Print one budget as a table with its sum below."""
    source, kind, *numbers = (heading.replace(" ", "\n") for heading in headings(shown))
    table = plain_table(f"  {source}", kind, *(f">{heading}" for heading in numbers))
    table.columns[0].no_wrap = False
    for what, *others in budget_rows(budget, shown):
        table.add_row(f"  {what}", *others)
    console().print(table)
    click.echo(f"  {budget_words(budget, shown)}.")
