"""The calibration card as one self-contained page to print and file."""

from __future__ import annotations

import numpy as np
from markupsafe import Markup
from matplotlib.figure import Figure

from coilbench.analysis.report.card_text import MOST_ROWS, PartText, calibration_text
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.html import drawing, render
from coilbench.analysis.report.units import Units
from coilbench.analysis.rig.card import Card

UP, DOWN = "#0b5394", "#b45f06"  # told apart by their shape, too


def card_page(card: Card, units: Units, made_utc: str) -> str:
    """Return the page's HTML, style and drawings inside, nothing fetched; made_utc is ISO 8601."""
    text = calibration_text(card, units)
    return render(
        "card.html",
        card=card,
        text=text,
        made=made_utc[:16].replace("T", " "),
        warnings=[describe(warning, units) for warning in card.warnings],
        parts=[(part, _plot(part)) for part in text.parts],
        zeros=_zero_plot(card, units) if len(card.zeros) > 1 else None,
    )


def _zero_plot(card: Card, units: Units) -> Markup:
    figure = Figure(figsize=(6.4, 2.2), layout="constrained")
    axes = figure.add_subplot()
    axes.axhline(0.0, color="0.4", linewidth=0.8)
    moved = [units.load_value(zero.moved_n) for zero in card.zeros]
    axes.plot([zero.minutes for zero in card.zeros], moved, "o-", color=UP, markersize=3)
    axes.set_xlabel("minutes since the first stroke")
    axes.set_ylabel(f"zero, {units.load}")
    return drawing(figure)


def _plot(part: PartText) -> Markup:
    found = [one for one in part.residuals if np.isfinite(one.at)]
    figure = Figure(figsize=(6.4, 2.6), layout="constrained")
    axes = figure.add_subplot()
    axes.axhline(0.0, color="0.4", linewidth=0.8)
    for falling, colour, mark, name in ((False, UP, "^", "up"), (True, DOWN, "v", "down")):
        own = [one for one in found if one.falling is falling]
        if own:
            axes.plot(
                [one.at for one in own],
                [one.off for one in own],
                mark,
                color=colour,
                markersize=5 if len(own) <= MOST_ROWS else 2,
                label=name,
            )
    axes.set_xlabel(part.axes[0])
    axes.set_ylabel(part.axes[1])
    if len({one.falling for one in found}) > 1:
        axes.legend(frameon=False)
    return drawing(figure)
