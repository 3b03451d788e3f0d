"""A build sheet as a JSON document, in N and mm. Pure."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from coilbench.analysis.sets.result import to_document as check_document
from coilbench.analysis.sheet.sheet import RigPart, SetPart, Sheet, ValveRow
from coilbench.analysis.sheet.words import CAUTIONS


def to_document(sheet: Sheet) -> dict[str, Any]:
    """Return a sheet for JSON; unknown values are None."""
    cam = sheet.build.cam
    return {
        "build": sheet.build.name,
        "made_utc": sheet.made_utc,
        "effort": sheet.effort,
        "per_valve": sheet.named,
        "fits": sheet.fits,
        "verdict": sheet.verdict,
        "reasons": list(sheet.reasons),
        "card": {
            "name": cam.name,
            "seat_n": cam.seat_load_n,
            "open_n": cam.open_load_n,
            "lift_mm": cam.valve_lift_mm,
            "implied_rate_n_per_mm": cam.implied_rate_n_per_mm,
        },
        "valves": [valve_document(row) for row in sheet.valves],
        "spares": list(sheet.spares),
        "left_out": list(sheet.left_out),
        "unused_sets": list(sheet.unused),
        "margins": [asdict(margin) for margin in sheet.margins],
        "retainer_clearance_mm": sheet.clearance_mm,
        "sets": [_set_document(part) for part in sheet.sets],
        "limits": asdict(sheet.limits),
        "calibration": _rig_document(sheet.rig),
        "warnings": list(sheet.rig.warnings),
        "cautions": list(CAUTIONS),
        "notes": list(sheet.notes),
        "method": dict(sheet.method),
    }


def valve_document(row: ValveRow) -> dict[str, Any]:
    """Return one valve; a spring's name is None where any of its set will do."""
    inner = row.inner
    return {
        "valve": row.valve,
        "outer_set": row.outer.set_name,
        "outer": row.outer.spring,
        "inner_set": None if inner is None else inner.set_name,
        "inner": None if inner is None else inner.spring,
        "shims_mm": list(row.choice.shims_mm),
        "seat_cut_mm": row.choice.seat_cut_mm,
        "bare_height_mm": row.bare_height_mm,
        "outer_height_mm": row.outer.height_mm,
        "inner_height_mm": None if inner is None else inner.height_mm,
        "seat_n": row.seat_n,
        "seat_u_n": row.seat_u_n,
        "open_n": row.open_n,
        "open_u_n": row.open_u_n,
        "coil_bind_margin_mm": row.margin_mm,
        "fits": row.fits,
        "sure": row.sure,
    }


def _set_document(part: SetPart) -> dict[str, Any]:
    judged = {"set": part.name} if part.check is None else check_document(part.check)
    return judged | {
        "set_id": part.set_id,
        "role": part.role,
        "unjudged": part.unjudged or None,
        "not_measured": list(part.not_measured),
        "measured": [asdict(one) | {"origin": one.origin.value} for one in part.came],
    }


def _rig_document(rig: RigPart) -> dict[str, Any]:
    card = rig.card
    return {
        "calibration_id": None if card is None else card.calibration_id,
        "load_age_days": None if card is None else card.load.age_days,
        "check": None if card is None or card.check is None else asdict(card.check),
        "scales": [
            {"name": one.scale.name, "made_utc": one.made_utc, "age_days": one.age_days}
            for one in rig.scales
        ],
    }
