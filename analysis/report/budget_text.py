"""Budgets of uncertainty as text and documents. Pure."""

from __future__ import annotations

from typing import NamedTuple

from coilbench.analysis.curves.uncertainty import Budget, BudgetLine, SourceKind
from coilbench.analysis.report.document import json_keys
from coilbench.analysis.report.units import Units

json_keys(
    BudgetLine,
    "source type=kind value unit sensitivity_n_per_unit=sensitivity contribution_n "
    "degrees_of_freedom",
)
json_keys(Budget, "lines combined_u_n k expanded_u_n effective_degrees_of_freedom=effective_dof")

SOURCES: dict[SourceKind, str] = {
    "load": "load",
    "load_there": "load there",
    "height": "height",
    "height_there": "height there",
    "load_in_proportion": "load in proportion",
    "load_stated": "load, as stated",
    "reading_repeat": "how readings repeat",
    "scale_steps": "the scale's steps",
    "scale_repeat": "the scale's repeatability",
    "tare": "the tare",
    "lever": "the lever's ratio",
    "scale_assumed": "the scale's calibration, assumed",
    "scale_masses": "the masses on the scale",
    "scale_curve": "the scale's calibration",
    "scale_bend": "bend of the scale that the masses cannot show",
    "height_each_press": "height, each press",
    "height_of_stop": "height of the stop",
    "give": "give of scale and press",
    "give_bend": "give not in proportion to the load",
    "load_curve": "load curve, from zero",
    "hidden_bend": "bend of the cell that the masses cannot show",
    "masses": "masses",
    "zero_not_read": "zero, not read",
    "travel_curve": "travel curve",
    "travel_steps": "steps of the travel under the gauges",
    "press_flex": "press flex",
    "flex_not_measured": "press flex, not measured",
    "heights_moved": "what scale or seat may have moved by, by the closing press",
    "resting_weight": "what rests on the spring",
    "gain_since": "gain since the calibration, by its checks",
    "lag": "lag of the load",
    "lag_not_known": "lag of the load, not known",
    "turn_friction": "friction at the turn",
    "shape_between": "shape between the heights read",
    "branch_not_measured": "branch not measured",
    "stroke_scatter": "scatter of {strokes:.0f} strokes",
    "stroke_noise": "noise of the stroke and its zero",
    "stroke_repeat": "how strokes repeat",
    "stroke_repeat_assumed": "how strokes repeat, not seen",
    "installed_height": "installed height",
    "shim_thickness": "thickness of the shims",
    "rig_and_shape": "rig and shape",
}


class BudgetText(NamedTuple):
    """A budget: titles of its columns, a row a source, and its sum without a full stop."""

    title: str
    headings: tuple[str, ...]
    rows: list[tuple[str, ...]]
    words: str


def budget_text(budget: Budget, units: Units, title: str = "") -> BudgetText:
    """Write a budget in display units; the share is that of the variance."""
    combined, expanded = map(units.load_value, (budget.combined_u_n, budget.expanded_u_n))
    return BudgetText(
        title,
        ("source", "type", "value", "sensitivity", f"contribution {units.load}", "share %"),
        [_budget_row(line, budget.combined_u_n**2, units) for line in budget.lines],
        f"Together {combined:.4f} {units.load}; with k = {budget.k:.2f} for 95 %: "
        f"± {expanded:.3f} {units.load}",
    )


def _budget_row(line: BudgetLine, whole_n2: float, units: Units) -> tuple[str, ...]:
    unit, size = unit_size(line.unit, units)
    over = "" if line.unit == "1" else f"/{unit}"
    return (
        SOURCES[line.source].format(strokes=line.degrees_of_freedom + 1.0),
        line.kind,
        f"{line.value / size:.3g}" + ("" if line.unit == "1" else f" {unit}"),
        f"{units.load_value(line.sensitivity) * size:.4g} {units.load}{over}",
        f"{units.load_value(line.contribution_n):.4f}",
        f"{line.contribution_n**2 / whole_n2 * 100.0:.0f}" if whole_n2 > 0.0 else "-",
    )


def unit_size(si: str, units: Units) -> tuple[str, float]:
    """Return how a unit, N or mm or another, is shown, and its size in that one."""
    if si == "N":
        return units.load, 1.0 / units.load_value(1.0)
    return (units.length, 1.0 / units.length_value(1.0)) if si == "mm" else (si, 1.0)
