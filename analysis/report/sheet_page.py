"""The build sheet's drawing: force over height, seat and open windows, for black and white.

Everything is told apart by dash, mark or hatching. No word of the user's stands in it.

The build sheet as one self-contained page to print, build from and file.
"""

from __future__ import annotations

from markupsafe import Markup
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from coilbench.analysis.report import card_text as budget_view
from coilbench.analysis.report import card_text as card_view
from coilbench.analysis.report import sheet_text as sheet_view
from coilbench.analysis.report.html import drawing, render
from coilbench.analysis.report.phrases import describe
from coilbench.analysis.report.sheet import BudgetPart, LineRole, ScalePart, SetPart, Sheet
from coilbench.analysis.report.sheet_text import CAUTIONS
from coilbench.analysis.report.units import Units
from coilbench.analysis.rig.check import PastCheck

DASHES: dict[LineRole, object] = {"outer": (0, (6, 2.5)), "inner": (0, (1, 1.6)), "together": "-"}
SOLID_DASHES = {"outer": (0, (8, 2, 1, 2)), "inner": (0, (3, 2, 1, 2, 1, 2))}
TOUCH_SHARE = 0.005  # of the highest load: below it a spring is hardly touched
SPARE_MM = 1.5
WORDS_ROOM = 1.2  # of the width up to the window
LEAST_WIDTH_MM = 0.5  # of a window's drawing, where all valves stand at one height
ROOM = 1.08  # above the highest load


def force_height(sheet: Sheet, units: Units) -> Markup | None:
    """Draw the curves that are used; None where there is no curve to draw."""
    if not sheet.lines:
        return None
    figure = Figure(figsize=(7.3, 4.6), layout="constrained")
    axes = figure.add_subplot()
    _draw_lines(axes, sheet, units)
    _draw_windows(axes, sheet, units)
    _draw_valves(axes, sheet, units)
    _draw_solid(axes, sheet, units)
    axes.set_xlabel(f"height of {'the outer' if _pairs(sheet) else 'the spring'}, {units.length}")
    axes.set_ylabel(f"load, {units.load}")
    low_mm, high_mm = _span_mm(sheet)
    axes.set_xlim(units.length_value(high_mm), units.length_value(low_mm))
    axes.set_ylim(0.0, ROOM * _highest(sheet, units))
    axes.grid(visible=True, color="0.88", linewidth=0.6)
    axes.set_axisbelow(True)
    figure.legend(
        loc="outside lower center", ncols=3, frameon=False, handlelength=3.0, fontsize=9.5
    )
    return drawing(figure)


def _pairs(sheet: Sheet) -> bool:
    return any(line.role == "together" for line in sheet.lines)


def _highest(sheet: Sheet, units: Units) -> float:
    cam = sheet.build.cam
    loads_n = [max(line.loads_n) for line in sheet.lines]
    return units.load_value(max(*loads_n, cam.open_load_n + cam.open_tolerance_n))


def _span_mm(sheet: Sheet) -> tuple[float, float]:
    """Heights to show: from below the lowest thing drawn to above where loads begin."""
    touch_n = TOUCH_SHARE * max(max(line.loads_n) for line in sheet.lines)
    pressed_mm = [
        mm
        for line in sheet.lines
        for mm, n in zip(line.heights_mm, line.loads_n, strict=True)
        if n >= touch_n
    ]
    solid_mm = list(_solid_mm(sheet).values())
    shut_mm = [row.outer.height_mm for row in sheet.valves]
    opened_mm = [mm - sheet.build.cam.valve_lift_mm for mm in shut_mm]
    low_mm = min(*pressed_mm, *solid_mm, *opened_mm) - SPARE_MM
    high_mm = max(*pressed_mm, *shut_mm) + SPARE_MM
    # room for the words beside the window of the valve shut
    return low_mm, max(high_mm, low_mm + (max(shut_mm) + LEAST_WIDTH_MM - low_mm) * WORDS_ROOM)


def _solid_mm(sheet: Sheet) -> dict[str, float]:
    """Where the first spring of each role is solid, as the outer's height."""
    found: dict[str, float] = {}
    for margin in sheet.margins:
        if margin.solid_height_mm is not None:
            role = "inner" if margin.role == "inner" else "outer"
            offset_mm = sheet.build.head.inner_offset_mm if role == "inner" else 0.0
            solid_mm = margin.solid_height_mm + offset_mm
            found[role] = max(found.get(role, solid_mm), solid_mm)
    return found


def _draw_lines(axes: Axes, sheet: Sheet, units: Units) -> None:
    names: dict[LineRole, str] = {
        "outer": "outer" if _pairs(sheet) else "spring",
        "inner": "inner, over the outer's height",
        "together": "together",
    }
    named: set[LineRole] = set()
    for line in sheet.lines:
        main = line.role == "together" or not _pairs(sheet)
        axes.plot(
            [units.length_value(mm) for mm in line.heights_mm],
            [units.load_value(n) for n in line.loads_n],
            linestyle=DASHES["together" if main else line.role],
            color="0.0" if main else "0.45",
            linewidth=0.9 if main else 0.8,
            label=None if line.role in named else names[line.role],
        )
        named.add(line.role)


def _draw_windows(axes: Axes, sheet: Sheet, units: Units) -> None:
    """A hatched box for each of the card's loads, over the heights where the valves stand."""
    cam = sheet.build.cam
    shut_mm = [row.outer.height_mm for row in sheet.valves]
    for where, drop_mm, load_n, tolerance_n in (
        ("valve shut", 0.0, cam.seat_load_n, cam.seat_tolerance_n),
        ("full lift", cam.valve_lift_mm, cam.open_load_n, cam.open_tolerance_n),
    ):
        low_mm, high_mm = min(shut_mm) - drop_mm, max(shut_mm) - drop_mm
        spare_mm = LEAST_WIDTH_MM + max(0.0, LEAST_WIDTH_MM - (high_mm - low_mm)) / 2.0
        left, width = low_mm - spare_mm, high_mm - low_mm + 2.0 * spare_mm
        axes.add_patch(
            Rectangle(
                (units.length_value(left), units.load_value(load_n - tolerance_n)),
                units.length_value(width),
                units.load_value(2.0 * tolerance_n),
                fill=False,
                hatch="////",
                edgecolor="0.35",
                linewidth=1.2,
                label="the card's windows" if drop_mm == 0.0 else None,
            )
        )
        at = (units.length_value(left + width), units.load_value(load_n + tolerance_n))
        axes.annotate(where, at, (-4, 3), textcoords="offset points", ha="right", fontsize=9.5)


def _draw_valves(axes: Axes, sheet: Sheet, units: Units) -> None:
    """A mark for each valve's load, shut and at full lift."""
    lift_mm = sheet.build.cam.valve_lift_mm
    shut = [(row.outer.height_mm, row.seat_n) for row in sheet.valves if row.seat_n is not None]
    full = [
        (row.outer.height_mm - lift_mm, row.open_n)
        for row in sheet.valves
        if row.open_n is not None
    ]
    for points, mark, name in ((shut, "o", "valve shut"), (full, "D", "full lift")):
        if points:
            axes.plot(
                [units.length_value(mm) for mm, _ in points],
                [units.load_value(n) for _, n in points],
                mark,
                color="black",
                markerfacecolor="white",
                markersize=5,
                label=name,
            )


def _draw_solid(axes: Axes, sheet: Sheet, units: Units) -> None:
    """Where the first spring of each role is solid."""
    for role, solid_mm in _solid_mm(sheet).items():
        axes.axvline(
            units.length_value(solid_mm),
            linestyle=SOLID_DASHES[role],
            color="black",
            linewidth=1.3,
            label=f"{role if _pairs(sheet) else 'spring'} solid",
        )


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
        warnings=[describe(warning, units) for warning in sheet.rig.warnings],
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
        "flags": () if check is None else sheet_view.flag_lines(check, units),
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
            f"{card_view.TITLES[part.part.kind]}: {card_view.heading(part, units)}"
            for part in card.parts
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
