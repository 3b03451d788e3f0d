"""The calibration card's tables as text, the same for terminal and page. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations
from typing import NamedTuple

from coilbench.analysis.rig.card import X_UNIT, Y_UNIT, Card, PartCard, coefficient_u, correlation
from coilbench.analysis.rig.card_words import (
    class_words,
    gravity_words,
    masses_words,
    trust_words,
)
from coilbench.analysis.rig.iso7500 import CLASSES, class_met
from coilbench.analysis.rig.typical import TYPICAL_RATE_N_PER_MM
from coilbench.capture.calibration.parts import PointRow
from coilbench.capture.units import Units

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
