"""An uncertainty budget as a table of text and as a JSON document. Pure."""

from __future__ import annotations

import math
from typing import Any

from coilbench.analysis.curves.budget import Budget
from coilbench.capture.units import Units


def headings(units: Units) -> tuple[str, ...]:
    """Return the columns' titles; value k = 1, sensitivity in N per its unit."""
    return "source", "type", "value", "sensitivity", f"contribution {units.load}", "share %"


def budget_rows(budget: Budget, units: Units) -> list[tuple[str, ...]]:
    """Return a row a source: what, A or B, its standard uncertainty, N per unit, its part.

    The part is in the display unit, its share that of the variance.
    """
    whole = budget.combined_u_n**2
    return [
        (
            line.source,
            line.kind,
            f"{line.value:.3g}" + ("" if line.unit == "1" else f" {line.unit}"),
            f"{line.sensitivity:.4g} N" + ("" if line.unit == "1" else f"/{line.unit}"),
            f"{units.load_value(line.contribution_n):.4f}",
            f"{line.contribution_n**2 / whole * 100.0:.0f}" if whole > 0.0 else "-",
        )
        for line in budget.lines
    ]


def budget_words(budget: Budget, units: Units) -> str:
    """Sum a budget up in a sentence without a full stop."""
    combined = units.load_value(budget.combined_u_n)
    expanded = units.load_value(budget.expanded_u_n)
    return (
        f"Together {combined:.4f} {units.load}; with k = {budget.k:.2f} for 95 %: "
        f"± {expanded:.3f} {units.load}"
    )


def budget_document(budget: Budget) -> dict[str, Any]:
    """Return a budget for JSON, in N and mm; infinite degrees of freedom are null."""
    return {
        "lines": [
            {
                "source": line.source,
                "type": line.kind,
                "value": line.value,
                "unit": line.unit,
                "sensitivity_n_per_unit": line.sensitivity,
                "contribution_n": line.contribution_n,
                "degrees_of_freedom": _finite(line.degrees_of_freedom),
            }
            for line in budget.lines
        ],
        "combined_u_n": budget.combined_u_n,
        "k": budget.k,
        "expanded_u_n": budget.expanded_u_n,
        "effective_degrees_of_freedom": _finite(budget.effective_dof),
    }


def _finite(number: float) -> float | None:
    return number if math.isfinite(number) else None
