"""The calibration card as a JSON document, in N and mm. Pure."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from coilbench.analysis.rig import iso7500
from coilbench.analysis.rig.card import X_UNIT, Y_UNIT, Card, PartCard, coefficient_u, correlation
from coilbench.analysis.screens.budget_view import budget_document


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
