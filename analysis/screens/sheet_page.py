"""The build sheet as one self-contained page to print, build from and file."""

from __future__ import annotations

from coilbench.analysis.rig.check import PastCheck
from coilbench.analysis.screens import budget_view, card_view, sheet_view
from coilbench.analysis.screens.page import render
from coilbench.analysis.screens.sheet_figure import force_height
from coilbench.analysis.sheet.sheet import BudgetPart, ScalePart, SetPart, Sheet
from coilbench.analysis.sheet.words import CAUTIONS
from coilbench.capture.units import Units


def sheet_page(sheet: Sheet, units: Units) -> str:
    """Return the page's HTML: style and drawing inside, nothing fetched, no script.

    Args:
        sheet: what stands on it.
        units: for figures shown.
    """
    return render(
        "sheet.html",
        sheet=sheet,
        units=units,
        made=sheet.made_utc[:16].replace("T", " "),
        cautions=CAUTIONS,
        card_words=sheet_view.card_words(sheet, units),
        card_rows=sheet_view.card_rows(sheet, units),
        valves=[sheet_view.valve_cells(row, units) for row in sheet.valves],
        pairs=any(row.inner is not None for row in sheet.valves),
        levels=sheet_view.level_rows(sheet.levels),
        drawing=force_height(sheet, units),
        margin_headings=sheet_view.margin_headings(units),
        margins=sheet_view.margin_rows(sheet, units),
        sets=[_set(part, units) for part in sheet.sets],
        budget=None if sheet.budget is None else _budget(sheet.budget, units),
        rig=_rig(sheet, units),
    )


def _set(part: SetPart, units: Units) -> dict[str, object]:
    check = part.check
    return {
        "name": part.name,
        "role": part.role,
        "unjudged": part.unjudged,
        "not_measured": part.not_measured,
        "notes": part.notes,
        "headings": () if check is None else sheet_view.set_headings(check, units),
        "rows": () if check is None else sheet_view.set_rows(check, units),
        "feet": () if check is None else sheet_view.set_feet(check, units),
        "flags": () if check is None else sheet_view.flag_lines(check),
    }


def _budget(part: BudgetPart, units: Units) -> dict[str, object]:
    return {
        "title": f"{part.spring} at {units.length_text(part.height_mm)}, "
        f"{units.load_text(part.load_n)}",
        "headings": budget_view.headings(units),
        "rows": budget_view.budget_rows(part.budget, units),
        "words": budget_view.budget_words(part.budget, units),
    }


def _rig(sheet: Sheet, units: Units) -> dict[str, object]:
    rig, card = sheet.rig, sheet.rig.card
    return {
        "card_id": "" if card is None else card.calibration_id or "unknown",
        "parts": []
        if card is None
        else [
            f"{card_view.TITLES[part.part.kind]}: {card_view.heading(part)}" for part in card.parts
        ],
        "sentences": [] if card is None else list(card_view.sentences(card, units)),
        "check": "" if card is None else _check(card.check),
        "others": [] if card is None else _captured_with_another(sheet, card.calibration_id),
        "scales": [_scale(part) for part in rig.scales],
    }


def _captured_with_another(sheet: Sheet, calibration_id: str | None) -> list[str]:
    """Name the sets with strokes by another calibration than the one in force."""
    return [
        part.name
        for part in sheet.sets
        if any(one.calibration_id not in (None, calibration_id) for one in part.came)
    ]


def _check(check: PastCheck | None) -> str:
    if check is None:
        return "Not checked with a weight since"
    verdict = "passed" if check.passed else "FAILED"
    return (
        f"Last check with a weight: {check.made_utc[:10]}, {check.mass_kg:g} kg, "
        f"{check.error_percent:+.2f} %: {verdict}"
    )


def _scale(part: ScalePart) -> str:
    scale = part.scale
    return (
        f"Scale {scale.name}: calibrated {part.made_utc[:10]} ({part.age_days:.0f} days ago) on "
        f"{len(scale.points)} points from {scale.origin}, residual sd "
        f"{scale.fit.residual_sd:.2g} N, masses good to {2.0 * scale.reference_u_relative:.2%} "
        "(k = 2)"
    )
