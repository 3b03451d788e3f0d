"""The calibration card as one self-contained page to print and file."""

from __future__ import annotations

import numpy as np
from markupsafe import Markup
from matplotlib.figure import Figure

from coilbench.analysis.curves.uncertainty import Budget
from coilbench.analysis.report import card_text as card_view
from coilbench.analysis.report.html import drawing, render
from coilbench.analysis.report.phrases import describe
from coilbench.analysis.report.units import Units
from coilbench.analysis.rig.card import SOURCE, Card, PartCard

UP, DOWN = "#0b5394", "#b45f06"  # told apart by their shape, too


def card_page(card: Card, units: Units, made_utc: str) -> str:
    """Return the page's HTML: style and drawings inside, nothing fetched.

    Args:
        card: the card.
        units: for figures shown.
        made_utc: when the page was made, ISO 8601.
    """
    return render(
        "card.html",
        card=card,
        made=made_utc[:16].replace("T", " "),
        warnings=[describe(warning, units) for warning in card.warnings],
        sentences=list(card_view.sentences(card, units)),
        check=None if card.check is None else card_view.last_check_line(card.check, units),
        parts=[_part(part, units) for part in card.parts],
        steps=card_view.step_rows(card, units),
        limits=card_view.limit_rows(),
        source=SOURCE,
        budget=None if card.budget is None else _budget(card.budget, units),
    )


def _budget(budget: Budget, units: Units) -> dict[str, object]:
    return {
        "title": card_view.budget_title(units),
        "headings": card_view.headings(units),
        "rows": card_view.budget_rows(budget, units),
        "words": card_view.budget_words(budget, units),
    }


def _part(card: PartCard, units: Units) -> dict[str, object]:
    return {
        "heading": card_view.heading(card, units),
        "title": card_view.TITLES[card.part.kind],
        "coefficients": card_view.coefficient_rows(card, units),
        "correlation": card_view.correlation_words(card),
        "points": card_view.point_rows(card, units),
        "plot": _plot(card, units),
        "notes": [describe(note, units) for note in card.part.notes],
    }


def _plot(card: PartCard, units: Units) -> Markup:
    """Draw the residuals over what was known, up and down apart."""
    found = [r for r in card_view.residuals(card, units) if np.isfinite(r.at)]
    kind = card.part.kind
    figure = Figure(figsize=(6.4, 2.6), layout="constrained")
    axes = figure.add_subplot()
    axes.axhline(0.0, color="0.4", linewidth=0.8)
    for falling, colour, mark, name in ((False, UP, "^", "up"), (True, DOWN, "v", "down")):
        own = [r for r in found if r.falling is falling]
        if own:
            axes.plot(
                [r.at for r in own],
                [r.off for r in own],
                mark,
                color=colour,
                markersize=5 if len(own) <= card_view.MOST_ROWS else 2,
                label=name,
            )
    unit = units.load if kind == "load" else units.length
    mass = "lb" if units.load == "lbf" else "kg"
    at = {"load": f"mass, {mass}", "travel": f"gauge, {units.length}", "flex": "load, counts"}
    axes.set_xlabel(at[kind])
    axes.set_ylabel(f"known less fitted, {unit}")
    if len({r.falling for r in found}) > 1:
        axes.legend(frameon=False)
    return drawing(figure)
