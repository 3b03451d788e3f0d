"""What a calibration card says in sentences. Pure.

An uncertainty budget as a table of text and as a JSON document. Pure.

The calibration card's tables as text, the same for terminal and page. Pure.

The calibration card as a JSON document, in N and mm. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict
from itertools import combinations
from typing import Any, NamedTuple

from coilbench.analysis.curves.load_budget import TYPICAL_RATE_N_PER_MM
from coilbench.analysis.curves.uncertainty import Budget, BudgetLine
from coilbench.analysis.report.units import Units
from coilbench.analysis.rig import iso7500
from coilbench.analysis.rig.card import (
    X_UNIT,
    Y_UNIT,
    Card,
    PartCard,
    Trust,
    coefficient_u,
    correlation,
)
from coilbench.analysis.rig.iso7500 import CLASSES, COLUMNS, StepErrors, class_met, columns_over
from coilbench.capture.calibration.parts import NewPart, PointRow
from coilbench.capture.units import KGF_N

COLUMN_WORDS = {
    "q": "accuracy",
    "b": "repeatability",
    "v": "reversibility",
    "zero": "zero",
    "resolution": "resolution",
}
NO_CERTIFICATE = (
    "This is no certificate: ISO 7500-1 asks for three increasing runs of five steps or more, "
    "with instruments of its own classes"
)


def trust_words(trust: Trust, units: Units) -> str:
    """Say in plain words what a load may be trusted to; rounded up, to be on the safe side."""
    low, high = units.load_value(trust.low_n), units.load_value(trust.high_n)
    u = rounded_up(units.load_value(trust.load_u_n))
    return (
        f"Between {low:.3g} and {high:.3g} {units.load}, trust a steady load to ± {u:g} "
        f"{units.load} (19 readings of 20 are that near)"
    )


def rounded_up(number: float) -> float:
    """Round up to one digit, or to two where it begins with 1: 0.0123 to 0.013, 0.27 to 0.3."""
    if number <= 0.0:
        return 0.0
    step = 10.0 ** math.floor(math.log10(number))
    if number / step < 2.0:
        step /= 10.0
    return float(f"{math.ceil(number / step - 1e-9) * step:.2g}")


def gravity_words(gravity_m_s2: float) -> str:
    """Explain local gravity in one line."""
    return (
        f"Gravity is taken as {gravity_m_s2:.5f} m/s2: a mass of 1 kg presses with "
        f"{gravity_m_s2:.5f} N, which shows as {gravity_m_s2 / KGF_N:.5f} kg, since a kg shown is "
        f"always {KGF_N} N"
    )


def masses_words(load: NewPart) -> str:
    """Say what the masses were taken to be good for."""
    assumed = any(note.startswith("Masses without an uncertainty") for note in load.notes)
    how = "assumed" if assumed else "as stated"
    return (
        "What all masses may be wrong by together is taken as "
        f"{2.0 * load.reference_u_relative:.2%} (k = 2), {how}"
    )


def class_words(card: Card, units: Units) -> Iterator[str]:
    """Say which limits the errors would meet over which range, and what was not measured."""
    if card.ranges:
        met = "; ".join(
            f"those of class {one.name} from {units.load_value(one.low_n):.4g} to "
            f"{units.load_value(one.high_n):.4g} {units.load}"
            for one in card.ranges
        )
        yield f"Of ISO 7500-1's limits its errors would meet {met}"
    elif card.steps:
        top_step = card.steps[-1]
        over = ", ".join(
            COLUMN_WORDS[name] for name in columns_over(top_step, list(CLASSES.values())[-1])
        )
        yield (
            "Of ISO 7500-1's limits its errors would meet none: at "
            f"{units.load_text(top_step.true_n)} the {over} passes those of class 3"
        )
    missing = [COLUMN_WORDS[name] for name in not_measured(card.steps)]
    if missing:
        yield f"Not measured, and so not judged: {', '.join(missing)}"
    if card.noise_counts is None:
        yield "The resolution is one count; noise joins it after a rig check --mass"
    runs = "run" if card.runs == 1 else "runs"
    yield f"{NO_CERTIFICATE}; this was {card.runs} {runs} of {len(card.steps)} steps"


def not_measured(steps: tuple[StepErrors, ...]) -> list[str]:
    """Return the columns that no step has."""
    return [
        name
        for number, name in enumerate(COLUMNS)
        if steps and all(step.columns[number] is None for step in steps)
    ]


def headings(units: Units) -> tuple[str, ...]:
    """Return the columns' titles; value k = 1, sensitivity in load per its unit."""
    return "source", "type", "value", "sensitivity", f"contribution {units.load}", "share %"


def budget_rows(budget: Budget, units: Units) -> list[tuple[str, ...]]:
    """Return a row a source: what, A or B, its standard uncertainty, load per unit, its part.

    The part is in the display unit, its share that of the variance.
    """
    whole = budget.combined_u_n**2
    return [
        (
            line.source,
            line.kind,
            *_input_cells(line, units),
            f"{units.load_value(line.contribution_n):.4f}",
            f"{line.contribution_n**2 / whole * 100.0:.0f}" if whole > 0.0 else "-",
        )
        for line in budget.lines
    ]


def _input_cells(line: BudgetLine, units: Units) -> tuple[str, str]:
    """Write an input's value and how the load moves with it, in display units."""
    factor, unit = {
        "N": (units.load_value(1.0), units.load),
        "mm": (units.length_value(1.0), units.length),
    }.get(line.unit, (1.0, line.unit))
    moves = f"{units.load_value(line.sensitivity) / factor:.4g} {units.load}"
    if unit == "1":
        return f"{line.value:.3g}", moves
    return f"{factor * line.value:.3g} {unit}", f"{moves}/{unit}"


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


TITLES = {"load": "Load", "travel": "Travel", "flex": "Press flex"}
BUDGET_TITLE = (
    f"Budget of a typical reading, half the largest mass on a spring of "
    f"{TYPICAL_RATE_N_PER_MM:g} N/mm, before lag and friction"
)
MOST_ROWS = 40  # a pressed block has hundreds of samples: they are drawn, not listed
BAR_CELLS = 10  # of the residual bar, to either side


class Residual(NamedTuple):
    """One point's residual in display units: at which known value or load, and going which way."""

    at: float
    off: float
    falling: bool


def heading(card: PartCard) -> str:
    """Say of a part when it was made, from what, of how many points."""
    part = card.part
    rig = "" if part.device_id is None else f", rig {part.device_id}"
    return (
        f"Of {card.made_utc[:10]} ({card.age_days:.0f} days ago), {part.origin}"
        f"{rig}, {part.fit.points} points, residual sd {part.fit.residual_sd:.3g} "
        f"{Y_UNIT[part.kind]}"
    )


def coefficient_rows(card: PartCard) -> list[tuple[str, str, str]]:
    """Return each coefficient with its unit and standard uncertainty (k = 1)."""
    fit, kind = card.part.fit, card.part.kind
    rows = []
    for power, (number, u) in enumerate(zip(fit.coefficients, coefficient_u(fit), strict=True)):
        if power == 0 and u == 0.0:
            continue  # a curve through the origin
        over = "" if power == 0 else f"/{X_UNIT[kind]}" + ("" if power == 1 else f"^{power}")
        rows.append((f"c{power}", f"{number:.8g} ± {u:.2g}", f"{Y_UNIT[kind]}{over}"))
    return rows


def correlation_words(card: PartCard) -> str:
    """Say how the coefficients hang together: each pair's correlation."""
    rows = correlation(card.part.fit)
    unsure = [i for i, u in enumerate(coefficient_u(card.part.fit)) if u > 0.0]
    return ", ".join(f"r(c{i}, c{j}) {rows[i][j]:+.3f}" for i, j in combinations(unsure, 2))


def residuals(card: PartCard, units: Units) -> list[Residual]:
    """Return every point's residual, in display units; points that were not used left out."""
    found = []
    for point in card.part.points:
        falling = point.direction == "down"
        if point.residual_n is not None and point.mass_kg is not None:
            found.append(Residual(point.mass_kg, units.load_value(point.residual_n), falling))
        elif point.residual_mm is not None:
            at = point.length_mm
            if at is None:
                at = float("nan") if point.load_counts is None else point.load_counts
            found.append(Residual(at, units.length_value(point.residual_mm), falling))
    return found


def point_rows(card: PartCard, units: Units) -> list[tuple[str, str, str, str]]:
    """Return the points as known value, direction, counts and residual; none where too many."""
    points = card.part.points
    return [] if len(points) > MOST_ROWS else [_point_row(point, units) for point in points]


def _point_row(point: PointRow, units: Units) -> tuple[str, str, str, str]:
    counts = point.travel_counts if point.load_counts is None else point.load_counts
    known = "-"
    if point.mass_kg is not None:
        known = f"{point.mass_kg:g} kg"
    elif point.length_mm is not None:
        known = units.length_text(point.length_mm)
    if point.residual_n is not None:
        off = f"{units.load_value(point.residual_n):+.4f} {units.load}"
    elif point.residual_mm is not None:
        off = f"{units.length_value(point.residual_mm):+.4f} {units.length}"
    else:
        off = "not used"
    return known, point.direction or "", "-" if counts is None else f"{counts:.0f}", off


def bar(off: float, largest: float) -> str:
    """Draw a residual as a mark left or right of a middle line."""
    cells = [" "] * (2 * BAR_CELLS + 1)
    cells[BAR_CELLS] = "|"
    if largest > 0.0:
        cells[BAR_CELLS + round(off / largest * BAR_CELLS)] = "o"
    return "".join(cells).rstrip()


def step_rows(card: Card, units: Units) -> list[tuple[str, ...]]:
    """Return the errors at each mass in per cent, and the class they would meet."""
    rows = []
    for step in card.steps:
        errors = ("-" if error is None else f"{error:+.3f}" for error in step.columns)
        rows.append((units.load_text(step.true_n), *errors, class_met(step) or "none"))
    return rows


def limit_rows() -> list[tuple[str, ...]]:
    """Return ISO 7500-1's limits in per cent, a row a class."""
    return [
        (name, *(f"{limit:g}" for limit in vars(limits).values()))
        for name, limits in CLASSES.items()
    ]


def sentences(card: Card, units: Units) -> Iterator[str]:
    """Say what the card amounts to; sentences without a full stop."""
    if card.trust is not None:
        yield trust_words(card.trust, units)
        yield (
            "The load of a spring at a height is less sure than that, by travel, press flex and "
            "friction: set check says how much"
        )
    yield masses_words(card.load.part)
    yield gravity_words(card.gravity_m_s2)
    yield from class_words(card, units)


def to_document(card: Card) -> dict[str, Any]:
    """Return a card for JSON, in N and mm."""
    return {
        "calibration_id": card.calibration_id,
        "gravity_m_s2": card.gravity_m_s2,
        "parts": [_part_document(part) for part in card.parts],
        "iso7500": {
            "source": iso7500.SOURCE,
            "limits": {name: asdict(limits) for name, limits in iso7500.CLASSES.items()},
            "steps": [asdict(step) | {"class": iso7500.class_met(step)} for step in card.steps],
            "would_meet": [asdict(one) for one in card.ranges],
            "increasing_runs": card.runs,
        },
        "noise_counts": card.noise_counts,
        "budget": None if card.budget is None else budget_document(card.budget),
        "trust": None if card.trust is None else asdict(card.trust),
        "check": None if card.check is None else asdict(card.check),
        "trend": None if card.trend is None else asdict(card.trend),
        "warnings": list(card.warnings),
    }


def _part_document(card: PartCard) -> dict[str, Any]:
    part, fit = card.part, card.part.fit
    return {
        "kind": part.kind,
        "part_id": card.part_id,
        "made_utc": card.made_utc,
        "age_days": card.age_days,
        "origin": part.origin,
        "device_id": part.device_id,
        "unit": Y_UNIT[part.kind],
        "over_unit": X_UNIT[part.kind],
        "coefficients": list(fit.coefficients),
        "coefficients_u": coefficient_u(fit),
        "correlation": correlation(fit),
        "residual_sd": fit.residual_sd,
        "fitted_from": fit.x_min,
        "fitted_to": fit.x_max,
        "reference_u_relative": part.reference_u_relative,
        "points": [
            {name: number for name, number in vars(point).items() if number is not None}
            for point in part.points
        ],
        "notes": list(part.notes),
    }
