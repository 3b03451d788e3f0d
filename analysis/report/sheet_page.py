"""The build sheet as one self-contained page to print, build from and file, with its drawing.

The drawing is for black and white: everything is told apart by dash, mark or hatching, and a
spring's lines bear one mark. No text of the user's is in it: what stands below it names the sets.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

from markupsafe import Markup

from coilbench.analysis.engine.cam import Cam, exceeds
from coilbench.analysis.engine.loads import Load
from coilbench.analysis.inputs.kept import digest_of, kept
from coilbench.analysis.inputs.sheet import (
    LineRole,
    MarginRow,
    Place,
    ScalePart,
    SetPart,
    Sheet,
    ValveRow,
)
from coilbench.analysis.report.assignment_text import LEVEL_TITLES, level_rows
from coilbench.analysis.report.budget_text import budget_text
from coilbench.analysis.report.build_text import UNKNOWN, card_rows, shims_text, verdict_text
from coilbench.analysis.report.card_text import calibration_text
from coilbench.analysis.report.document import describe, filled, picked
from coilbench.analysis.report.html import drawing, render
from coilbench.analysis.report.sheet_text import sheet_text
from coilbench.analysis.report.units import Units, significant
from coilbench.analysis.sets.judge import SetCheck, SpringCheck

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Row = tuple[str, ...]
DASHES: dict[LineRole, object] = {"outer": (0, (6, 2.5)), "inner": (0, (1, 1.6)), "together": "-"}
SOLID_DASHES = {"outer": (0, (8, 2, 1, 2)), "inner": (0, (3, 2, 1, 2, 1, 2))}
MARKS: dict[str, str] = {"outer": "^", "inner": "s", "together": ""}
MARK_EVERY = {"outer": (0.04, 0.18), "inner": (0.13, 0.18)}  # of the drawing; not side by side
SOLID_MARKS_AT = {"outer": (0.2, 0.5, 0.8), "inner": (0.3, 0.6, 0.9)}  # where both are at one place
TOUCH_SHARE = 0.005  # of the highest load: below it a spring is hardly touched
SPARE_MM = 1.5
WORDS_ROOM = 1.2  # of the width up to the window
LEAST_WIDTH_MM = 0.5  # of a window's drawing, where all valves stand at one height
WORDS_BOX = {"facecolor": "white", "edgecolor": "none", "pad": 0.4}  # where curves run behind
ROOM = 1.08  # above the highest load


class _Drawn(NamedTuple):
    svg: str


def _force_height(sheet: Sheet, units: Units) -> Markup | None:
    if not sheet.lines:
        return None
    shown = sheet.lines, sheet.valves, sheet.margins, sheet.build, units  # all that is drawn
    drawn = kept(_Drawn, lambda: digest_of(shown), (), lambda: _Drawn(str(_draw(sheet, units))))
    return Markup(drawn.svg)  # noqa: S704  as drawing made it


def _draw(sheet: Sheet, units: Units) -> Markup:
    from matplotlib.figure import Figure  # imported late: slow to load

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
    return any(row.inner is not None for row in sheet.valves)


def _highest(sheet: Sheet, units: Units) -> float:
    loads_n = [max(line.loads_n) for line in sheet.lines]
    cards_n = [c.cam.open_load_n + c.cam.open_tolerance_n for c in sheet.build.cards]
    return units.load_value(max(*loads_n, *cards_n))


def _span_mm(sheet: Sheet) -> tuple[float, float]:
    """Heights to show: from below the lowest thing drawn to above where loads begin."""
    touch_n = TOUCH_SHARE * max(max(line.loads_n) for line in sheet.lines)
    pressed_mm = [
        mm
        for line in sheet.lines
        for mm, n in zip(line.heights_mm, line.loads_n, strict=True)
        if n >= touch_n
    ]
    solid_mm = [solid.drawn_mm for solid in _solids(sheet).values()]
    shut_mm = [row.outer.height_mm for row in sheet.valves]
    opened_mm = [row.outer.open_height_mm for row in sheet.valves]
    low_mm = min(*pressed_mm, *solid_mm, *opened_mm) - SPARE_MM
    high_mm = max(*pressed_mm, *shut_mm) + SPARE_MM
    # room for the words beside the window of the valve shut
    return low_mm, max(high_mm, low_mm + (max(shut_mm) + LEAST_WIDTH_MM - low_mm) * WORDS_ROOM)


class _Solid(NamedTuple):
    """A solid height, and where it stands over the outer's height."""

    set_name: str
    height_mm: float
    drawn_mm: float


def _solids(sheet: Sheet) -> dict[str, _Solid]:
    """Return the highest solid height of outer springs, and that of inner ones, where known."""
    found: dict[str, _Solid] = {}
    for margin in sheet.margins:
        if margin.solid is not None:
            role = "inner" if margin.role == "inner" else "outer"
            offset_mm = sheet.build.head.inner_offset_mm if role == "inner" else 0.0
            own_mm = margin.solid.height_mm
            solid = _Solid(margin.set_name, own_mm, own_mm + offset_mm)
            if role not in found or found[role].height_mm < own_mm:
                found[role] = solid
    return found


def _caption(sheet: Sheet, units: Units) -> str:
    """Say which sets the drawing shows, and whose solid heights."""
    solids, pairs, parts = _solids(sheet), _pairs(sheet), list[str]()
    for role, places in (
        ("outer", [row.outer for row in sheet.valves]),
        ("inner", [row.inner for row in sheet.valves if row.inner is not None]),
    ):
        names = list(dict.fromkeys(place.set_name for place in places))
        if not names:
            continue
        said = f"{role if pairs else 'spring'}: {' and '.join(names)}, "
        solid = solids.get(role)
        if solid is None:
            said += "solid height unknown"
        else:
            said += f"solid at {units.length_text(solid.height_mm)}"
            said += f" (the highest: {solid.set_name})" if len(names) > 1 else ""
            if solid.drawn_mm != solid.height_mm:
                said += f", drawn at {units.length_text(solid.drawn_mm)} of the outer's height"
        parts.append(said)
    words = "; ".join(parts)
    return f"{words[:1].upper()}{words[1:]}."


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
            marker="" if main else MARKS[line.role],
            markevery=None if main else MARK_EVERY[line.role],
            markersize=3.5,
            label=None if line.role in named else names[line.role],
        )
        named.add(line.role)


def _draw_windows(axes: Axes, sheet: Sheet, units: Units) -> None:
    """A hatched box for each of a card's loads, over the heights where its valves stand."""
    for card in sheet.build.cards:
        _draw_card(axes, card.cam, sheet, units)


def _draw_card(axes: Axes, cam: Cam, sheet: Sheet, units: Units) -> None:
    from matplotlib.patches import Rectangle  # imported late: slow to load

    shut_mm = [row.outer.height_mm for row in sheet.valves if sheet.build.cam_of(row.valve) == cam]
    whose, above = "" if cam.side is None else f", {cam.side}", cam.side != "exhaust"
    for where, drop_mm, load_n, tolerance_n in (
        (f"valve shut{whose}", 0.0, cam.seat_load_n, cam.seat_tolerance_n),
        (f"full lift{whose}", cam.valve_lift_mm, cam.open_load_n, cam.open_tolerance_n),
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
                hatch="////" if above else "....",
                edgecolor="0.35",
                linewidth=1.2,
                label=f"the card's windows{whose}" if drop_mm == 0.0 else None,
            )
        )
        edge_n = load_n + tolerance_n if above else load_n - tolerance_n
        at = (units.length_value(left + width), units.load_value(edge_n))
        shift = (-4, 3) if above else (-4, -11)
        axes.annotate(
            where, at, shift, textcoords="offset points", ha="right", fontsize=9.5, bbox=WORDS_BOX
        )


def _draw_valves(axes: Axes, sheet: Sheet, units: Units) -> None:
    shut = [(row.outer.height_mm, row.seat.load_n) for row in sheet.valves if row.seat is not None]
    full = [
        (row.outer.open_height_mm, row.open.load_n) for row in sheet.valves if row.open is not None
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
    pairs = _pairs(sheet)
    for role, solid in _solids(sheet).items():
        up = (0.0, *SOLID_MARKS_AT[role], 1.0)
        axes.plot(
            [units.length_value(solid.drawn_mm)] * len(up),
            up,
            transform=axes.get_xaxis_transform(),
            linestyle=SOLID_DASHES[role],
            color="black",
            linewidth=1.3,
            marker=MARKS[role] if pairs else "",
            markevery=slice(1, -1),
            markersize=5,
            label=f"{role if pairs else 'spring'} solid",
        )


def sheet_page(sheet: Sheet, units: Units) -> str:
    """Return the page's HTML: style and drawing inside, nothing fetched, no script."""
    unit, text, part = units.length, sheet_text(sheet, units), sheet.budget
    budget_title = "" if part is None else filled("{spring} at {height_mm}, {load_n}", part, units)
    return render(
        "sheet.html",
        sheet=sheet,
        text=text,
        units=units,
        made=sheet.record.made_utc[:16].replace("T", " "),
        card_texts=[_asks(card.cam, units) for card in sheet.build.cards],
        card_rows=card_rows(sheet.build, units),
        valves=[_valve(row, units) for row in sheet.valves],
        pairs=any(row.inner is not None for row in sheet.valves),
        spares=[spring.name for spring in sheet.assignment.chosen.spares],
        level_titles=LEVEL_TITLES,
        levels=level_rows(sheet.assignment.levels) if sheet.named else (),
        drawing=_force_height(sheet, units),
        caption=_caption(sheet, units),
        margin_titles=("", f"left {unit}", "at valve", f"solid {unit}", f"least {unit}",
                       f"EN 13906-1 {unit}", ""),
        margins=_margin_rows(sheet, units),
        sets=[_set(part, text.set_notes[part.name], units) for part in sheet.sets],
        budget=None if part is None else budget_text(part.budget, units, budget_title),
        rig=_rig(sheet, units),
    )  # fmt: skip


def _valve(row: ValveRow, units: Units) -> dict[str, object]:
    return {
        "valve": row.valve,
        "under": _under(row, units),
        "outer": _spring(row.outer),
        "inner": "" if row.inner is None else _spring(row.inner),
        "height": _length(row.outer.height_mm, units),
        "seat": _placed_load(row.seat, units),
        "full": _placed_load(row.open, units),
        "margin": _length(row.margin_mm, units),
        "verdict": UNKNOWN if row.verdict is None else verdict_text(row.verdict),
    }


def _spring(place: Place) -> str:
    return place.spring or place.set_name


def _known(number: str) -> str:
    return UNKNOWN if number == "-" else number


def _length(length_mm: float | None, units: Units) -> str:
    return _known(units.length_number(length_mm))


def _load(load_n: float | None, u_n: float | None, units: Units) -> tuple[str, str]:
    return (UNKNOWN, "") if load_n is None or u_n is None else units.load_and_u(load_n, u_n)


def _placed_load(load: Load | None, units: Units) -> tuple[str, str]:
    return (UNKNOWN, "") if load is None else _load(load.load_n, load.load_u_n, units)


def _under(row: ValveRow, units: Units) -> str:
    cut = f"cut {_length(row.choice.seat_cut_mm, units)}" if row.choice.seat_cut_mm > 0.0 else ""
    return " under ".join(filter(None, (cut, shims_text(row.choice, units)))) or "none"


def _asks(cam: Cam, units: Units) -> str:
    """What a card asks for, and of which valves."""
    asked = describe(cam, units)
    return asked if cam.side is None else f"{asked} ({cam.side})"


def _margin_rows(sheet: Sheet, units: Units) -> list[Row]:
    clearance_mm, limit_mm = sheet.build.clearance_mm, sheet.build.limits.min_clearance_mm
    kept = None if clearance_mm is None else not exceeds(limit_mm, clearance_mm)
    left, limit = _length(clearance_mm, units), _length(limit_mm, units)
    retainer = ("retainer to guide", left, "at full lift", "-", limit, "-", _kept(kept))
    return [*(_margin_row(margin, units) for margin in sheet.margins), retainer]


def _margin_row(margin: MarginRow, units: Units) -> Row:
    gap_mm, left_mm = margin.gap_mm, margin.margin_mm
    under_gap = gap_mm is not None and left_mm is not None and exceeds(gap_mm, left_mm)
    return (
        f"{margin.set_name}, coil bind",
        _length(left_mm, units),
        UNKNOWN if margin.valve is None else margin.valve,
        _solid_text(margin, units),
        _length(margin.limit_mm, units),
        _length(gap_mm, units),
        _kept(margin.kept) + (", under EN 13906-1's" if under_gap else ""),
    )


def _solid_text(margin: MarginRow, units: Units) -> str:
    if margin.solid is None:
        return UNKNOWN
    known_from = margin.solid.known_from
    height = _length(margin.solid.height_mm, units)
    return height if known_from == "own" else f"{height} {known_from}"


def _kept(kept: bool | None) -> str:
    return {None: "NOT KNOWN: measure it", True: "kept", False: "NOT KEPT"}[kept]


def _set_headings(check: SetCheck, units: Units) -> Row:
    columns = ["spring"]
    for height in check.summary:
        columns += [f"{units.length_text(height.height_mm)}, {units.load}", "off %"]
    return (*columns, f"rate {units.load}/{units.length}", f"free {units.length}", "flags")


def _spring_row(spring: SpringCheck, units: Units) -> Row:
    cells = [spring.label]
    for reading in spring.readings:
        off = UNKNOWN if reading.deviation is None else f"{reading.deviation * 100.0:+.1f}"
        cells += [" ".join(_load(reading.load_n, reading.load_u_n, units)).strip(), off]
    rate = _known(units.rate_number(spring.rate_n_per_mm))
    cells += [rate, _length(spring.free_length_mm, units)]
    return (*cells, ", ".join(flag.kind for flag in spring.flags).upper() or "none")


def _set_feet(check: SetCheck, units: Units) -> list[Row]:
    middle, mean, spread = ["middle"], ["mean"], ["spread"]
    for height in check.summary:
        centre = height.centre
        middle += [units.load_number(centre.median), ""]
        mean += [" ".join(units.load_and_u(centre.mean, centre.mean_u)), ""]
        spread += [_known(units.load_number(centre.spread)), ""]
    rate = check.rate
    rates = (None, None, None) if rate is None else (rate.median, rate.mean, rate.spread)
    return [
        (*cells, _known(units.rate_number(one)), "", "")
        for cells, one in zip((middle, mean, spread), rates, strict=True)
    ]


def _set(part: SetPart, notes: Sequence[str], units: Units) -> dict[str, object]:
    check = part.check
    springs = () if check is None else check.springs
    return picked(part, "name role not_measured") | {
        "unjudged": "" if part.unjudged is None else describe(part.unjudged, units),
        "notes": notes,
        "titles": () if check is None else _set_headings(check, units),
        "rows": [_spring_row(spring, units) for spring in springs],
        "feet": () if check is None else _set_feet(check, units),
        "flags": [
            (f"{spring.label} {flag.kind}", describe(flag, units))
            for spring in springs
            for flag in spring.flags
        ],
    }


def _rig(sheet: Sheet, units: Units) -> dict[str, object]:
    rig, card = sheet.rig, sheet.rig.card
    text = None if card is None else calibration_text(card, units)
    checked = "Not checked with a weight since"
    if text is not None and text.check is not None:
        checked = f"Last check with a weight: {text.check}"
    return {
        "card_id": "" if card is None else card.calibration_id or "unknown",
        "parts": [] if text is None else [f"{one.title}: {one.heading}" for one in text.parts],
        "sentences": [] if text is None else text.sentences,
        "check": "" if text is None else checked,
        "others": [] if card is None else _captured_with_another(sheet, card.calibration_id),
        "scales": [_scale(part, units) for part in rig.scales],
    }


def _captured_with_another(sheet: Sheet, calibration_id: str | None) -> list[str]:
    return [
        part.name
        for part in sheet.sets
        if any(one.calibration_id not in (None, calibration_id) for one in part.came)
    ]


def _scale(part: ScalePart, units: Units) -> str:
    scale = part.scale
    return (
        f"Scale {scale.name}: calibrated {part.made_utc[:10]} ({part.age_days:.0f} days ago) on "
        f"{len(scale.points)} points from {scale.origin}, residual sd "
        f"{significant(units.load_value(scale.fit.residual_sd), 2)} {units.load}, masses good to "
        f"{2.0 * scale.reference_u_relative:.2%} (k = 2)"
    )
