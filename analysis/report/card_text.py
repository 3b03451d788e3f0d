"""The calibration card, budgets, the rig's health and its checks, as text and documents. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import combinations
from typing import Any, NamedTuple

from coilbench.analysis.curves.load_budget import TYPICAL_RATE_N_PER_MM
from coilbench.analysis.curves.uncertainty import Budget
from coilbench.analysis.report.document import document
from coilbench.analysis.report.phrases import describe, mass_text
from coilbench.analysis.report.units import SI, Units
from coilbench.analysis.rig.card import (
    CLASSES,
    COLUMNS,
    SOURCE,
    X_UNIT,
    Y_UNIT,
    Card,
    PartCard,
    Trust,
    class_met,
    coefficient_u,
    columns_over,
    correlation,
)
from coilbench.analysis.rig.check import MassVerdict, PastCheck, Trend
from coilbench.analysis.rig.health import DRIFT_S, Health
from coilbench.capture.blocks import Hello
from coilbench.capture.calibration.model import NewPart, PointRow
from coilbench.capture.units import KGF_N, LBF_N, counted

COLUMN_WORDS = {
    "q": "accuracy",
    "b": "repeatability",
    "v": "reversibility",
    "zero": "zero",
    "resolution": "resolution",
}
NO_CERTIFICATE = (
    "This is not a certificate: ISO 7500-1 asks for three increasing runs of five steps or more, "
    "with instruments of its own classes"
)


def trust_words(trust: Trust, units: Units) -> str:
    """Say what a load may be trusted to; rounded up, to be on the safe side."""
    low, high, u = map(units.load_value, (trust.low_n, trust.high_n, trust.load_u_n))
    return (
        f"Between {low:.3g} and {high:.3g} {units.load}, trust a steady load to "
        f"± {rounded_up(u):g} {units.load} (19 of 20 readings are within it)"
    )


def rounded_up(number: float) -> float:
    """Round up to one digit, or to two where it begins with 1: 0.0123 to 0.013, 0.27 to 0.3."""
    if number <= 0.0:
        return 0.0
    step = 10.0 ** math.floor(math.log10(number))
    if number / step < 2.0:
        step /= 10.0
    return float(f"{math.ceil(number / step - 1e-9) * step:.2g}")


def gravity_words(gravity_m_s2: float, units: Units) -> str:
    """Explain local gravity in one line."""
    taken, kg = f"Gravity is taken as {gravity_m_s2:.5f} m/s2: ", gravity_m_s2 / KGF_N
    if units.load == "lbf":
        return f"{taken}a mass of 1 lb presses with {kg:.5f} lbf"
    shows = f", which shows as {kg:.5f} kg, since a kg shown is always {KGF_N} N"
    more = shows if units.load == "kg" else ""
    return f"{taken}a mass of 1 kg presses with {gravity_m_s2:.5f} N{more}"


def masses_words(load: NewPart) -> str:
    """Say what the masses were taken to be good for."""
    assumed = any(describe(note, SI).startswith("Masses without an unc") for note in load.notes)
    return (
        "What all masses may be wrong by together is taken as "
        f"{2.0 * load.reference_u_relative:.2%} (k = 2), {'assumed' if assumed else 'as stated'}"
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
            f"{units.load_text(top_step.true_n)} the {over} exceeds those of class 3"
        )
    missing = [
        COLUMN_WORDS[name]
        for number, name in enumerate(COLUMNS)
        if card.steps and all(step.columns[number] is None for step in card.steps)
    ]
    if missing:
        yield f"Not measured, and so not judged: {', '.join(missing)}"
    if card.noise_counts is None:
        yield "The resolution is one count; noise joins it after a rig check --mass"
    runs = counted(card.runs, "run")
    yield f"{NO_CERTIFICATE}; this was {runs} of {len(card.steps)} steps"


def headings(units: Units) -> tuple[str, ...]:
    """Return the columns' titles of a budget; the value is a standard uncertainty, k = 1."""
    return "source", "type", "value", "sensitivity", f"contribution {units.load}", "share %"


def budget_rows(budget: Budget, units: Units) -> list[tuple[str, ...]]:
    """Return a row a source: what, A or B, its uncertainty, load per unit, its contribution.

    All in display units; the share is that of the variance.
    """
    whole = budget.combined_u_n**2
    rows: list[tuple[str, ...]] = []
    for line in budget.lines:
        unit, size = _unit(line.unit, units)
        over = "" if line.unit == "1" else f"/{unit}"
        rows.append(
            (
                line.source,
                line.kind,
                f"{line.value / size:.3g}" + ("" if line.unit == "1" else f" {unit}"),
                f"{units.load_value(line.sensitivity) * size:.4g} {units.load}{over}",
                f"{units.load_value(line.contribution_n):.4f}",
                f"{line.contribution_n**2 / whole * 100.0:.0f}" if whole > 0.0 else "-",
            )
        )
    return rows


def _unit(si: str, units: Units) -> tuple[str, float]:
    """Return the display unit for one of ours, and its size in that."""
    if si == "N":
        return units.load, 1.0 / units.load_value(1.0)
    return (units.length, 1.0 / units.length_value(1.0)) if si == "mm" else (si, 1.0)


def budget_words(budget: Budget, units: Units) -> str:
    """Sum a budget up in a sentence without a full stop."""
    combined, expanded = map(units.load_value, (budget.combined_u_n, budget.expanded_u_n))
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
                "degrees_of_freedom": document(line.degrees_of_freedom),
            }
            for line in budget.lines
        ],
        "combined_u_n": budget.combined_u_n,
        "k": budget.k,
        "expanded_u_n": budget.expanded_u_n,
        "effective_degrees_of_freedom": document(budget.effective_dof),
    }


TITLES = {"load": "Load", "travel": "Travel", "flex": "Press flex"}
MOST_ROWS = 40  # a pressed block has hundreds of samples: they are drawn, not listed
BAR_CELLS = 10  # of the residual bar, to either side


def budget_title(units: Units) -> str:
    """Say what the budget of a card is of."""
    rate = units.rate_value(TYPICAL_RATE_N_PER_MM)
    return (
        "Budget of a typical reading, half the largest mass on a spring of "
        f"{rate:.4g} {units.load}/{units.length}, before lag and friction"
    )


class Residual(NamedTuple):
    """One point's residual in display units: at which known value or load, and going which way."""

    at: float
    off: float
    falling: bool


def heading(card: PartCard, units: Units) -> str:
    """Say of a part when it was made, from what, of how many points."""
    part = card.part
    rig = "" if part.device_id is None else f", rig {part.device_id}"
    unit, size = _unit(Y_UNIT[part.kind], units)
    return (
        f"Of {card.made_utc[:10]} ({card.age_days:.0f} days ago), {part.origin}"
        f"{rig}, {part.fit.points} points, residual sd {part.fit.residual_sd / size:.3g} {unit}"
    )


def coefficient_rows(card: PartCard, units: Units) -> list[tuple[str, str, str]]:
    """Return each coefficient with its unit and standard uncertainty (k = 1)."""
    fit, kind = card.part.fit, card.part.kind
    (y, y_size), (x, x_size) = _unit(Y_UNIT[kind], units), _unit(X_UNIT[kind], units)
    rows = []
    for power, (number, u) in enumerate(zip(fit.coefficients, coefficient_u(fit), strict=True)):
        if power == 0 and u == 0.0:
            continue  # a curve through the origin
        scale = x_size**power / y_size
        over = "" if power == 0 else f"/{x}" + ("" if power == 1 else f"^{power}")
        rows.append((f"c{power}", f"{number * scale:.8g} ± {u * scale:.2g}", f"{y}{over}"))
    return rows


def correlation_words(card: PartCard) -> str:
    """Return the correlation of each pair of coefficients."""
    rows = correlation(card.part.fit)
    unsure = [i for i, u in enumerate(coefficient_u(card.part.fit)) if u > 0.0]
    return ", ".join(f"r(c{i}, c{j}) {rows[i][j]:+.3f}" for i, j in combinations(unsure, 2))


def residuals(card: PartCard, units: Units) -> list[Residual]:
    """Return every point's residual, in display units; points that were not used left out."""
    found = []
    for point in card.part.points:
        falling = point.direction == "down"
        if point.residual_n is not None and point.mass_kg is not None:
            at = point.mass_kg * (KGF_N / LBF_N if units.load == "lbf" else 1.0)
            found.append(Residual(at, units.load_value(point.residual_n), falling))
        elif point.residual_mm is not None:
            if point.length_mm is not None:
                at = units.length_value(point.length_mm)
            else:
                at = math.nan if point.load_counts is None else point.load_counts
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
        known = mass_text(point.mass_kg, units)
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
    yield gravity_words(card.gravity_m_s2, units)
    yield from class_words(card, units)


def to_document(card: Card) -> dict[str, Any]:
    """Return a card for JSON, in N and mm."""
    return {
        "calibration_id": card.calibration_id,
        "gravity_m_s2": card.gravity_m_s2,
        "parts": [_part_document(part) for part in card.parts],
        "iso7500": {
            "source": SOURCE,
            "limits": document(CLASSES),
            "steps": [document(step) | {"class": class_met(step)} for step in card.steps],
            "would_meet": document(card.ranges),
            "increasing_runs": card.runs,
        },
        "noise_counts": card.noise_counts,
        "budget": None if card.budget is None else budget_document(card.budget),
        "trust": document(card.trust),
        "check": document(card.check),
        "trend": trend_document(card.trend),
        "warnings": document(card.warnings),
    }


def trend_document(trend: Trend | None) -> dict[str, Any] | None:
    """Return a trend for JSON; null where there is none."""
    return None if trend is None else {**document(trend), "drifts": trend.drifts}


def _part_document(card: PartCard) -> dict[str, Any]:
    part, fit = card.part, card.part.fit
    points = [vars(point) for point in part.points]
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
        "points": [{k: v for k, v in point.items() if v is not None} for point in points],
        "notes": [describe(note, SI) for note in part.notes],
    }


def health_lines(hello: Hello, health: Health, units: Units) -> Iterator[str]:
    """Yield who the rig is and its figures, a line each."""
    yield f"Rig {hello.device_id}, {hello.firmware}, travel by {hello.travel}"
    for name, figures in _figures(health, units):
        yield f"  {name:<14}{figures}"


def _figures(health: Health, units: Units) -> Iterator[tuple[str, str]]:
    rate = "unknown" if health.rate_hz is None else f"{health.rate_hz:.1f}"
    yield "rate", f"{rate} samples a second, nominal {health.nominal_hz:g}"
    if health.noise_counts is not None and health.drift_counts is not None:
        noise, drift = f"{health.noise_counts:.0f} counts", f"{health.drift_counts:+.0f} counts"
        if health.noise_n is not None and health.drift_n is not None:
            noise += f", {units.load_value(health.noise_n):.4f} {units.load}"
            drift += f", {units.load_value(health.drift_n):+.4f} {units.load}"
        yield "load noise", f"{noise} (standard deviation of one sample)"
        yield f"drift in {DRIFT_S:g} s", drift
    if health.travel_noise_counts is not None:
        travel = f"{health.travel_noise_counts:.2f} counts"
        if health.travel_noise_um is not None:
            length = units.length_value(health.travel_noise_um * 1e-3)
            travel += f", {length:.{4 if units.length == 'mm' else 5}f} {units.length}"
        yield "travel noise", travel
    yield "load readings", f"{health.load_codes} different ones in {health.samples} samples"
    yield (
        "flagged",
        f"{health.saturated} saturated, {health.suspect} corrupted, {health.travel_absent} "
        "without travel",
    )
    yield (
        "link",
        f"{health.samples_lost} samples lost, {health.lines_bad} lines corrupted, "
        f"{health.restarts} restarts",
    )


def check_line(check: PastCheck, units: Units) -> str:
    """Return a stored check in a line."""
    return (
        f"{check.made_utc[:16].replace('T', ' ')}  {mass_text(check.mass_kg, units)}  "
        f"{check.error_percent:+.2f} %  (± {check.error_u_percent:.2f} %, "
        f"{check.tolerance_percent:.2f} % allowed)  {'pass' if check.passed else 'FAIL'}"
    )


def last_check_line(check: PastCheck, units: Units) -> str:
    """Return the newest check of a calibration, as its card shows it."""
    return (
        f"{check.made_utc[:10]}, {mass_text(check.mass_kg, units)}, "
        f"{check.error_percent:+.2f} %: {'passed' if check.passed else 'FAILED'}"
    )


@describe.register
def _(trend: Trend, units: Units) -> str:  # noqa: ARG001
    verdict = "the rig drifts" if trend.drifts else "this shows no drift"
    return (
        f"Over {trend.checks} checks the error changes by {trend.percent_per_30_days:+.3f} "
        f"± {trend.u_percent_per_30_days:.3f} % in 30 days: {verdict}"
    )


def verdict_lines(
    mass_kg: float, verdict: MassVerdict, trend: Trend | None, units: Units
) -> Iterator[str]:
    """Yield what came of a check weight, a sentence each."""
    percent = 100.0 / verdict.expected_n
    yield (
        f"{'PASS' if verdict.passed else 'FAIL'}: {mass_text(mass_kg, units)} presses with "
        f"{units.load_text(verdict.expected_n)} and reads {units.load_text(verdict.load_n)}, "
        f"{verdict.error_n * percent:+.2f} % off (known to ± {verdict.error_u_n * percent:.2f} %, "
        f"k = 2); {verdict.tolerance_n * percent:.2f} % is allowed."
    )
    if verdict.drifted and verdict.passed:
        yield (
            "The error exceeds the uncertainty of calibration and weight: something has moved "
            "since the calibration. Check again soon."
        )
    if trend is not None:
        yield f"{describe(trend, units)}."
    if not verdict.passed:
        yield (
            "Check that the weight stands free and the cell is clean and square; if it fails "
            "again, calibrate again: coilbench rig weigh"
        )
