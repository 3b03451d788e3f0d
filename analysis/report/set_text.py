"""What a set's curves leave open, in words, each once. Pure.

The JSON document of `set compare`. Pure.

A set check on the terminal: the table, the flags with their reasons, one spring's rulings.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from typing import Any

import click
from rich.console import Console
from rich.table import Table
from rich.text import Text

from coilbench.analysis.cli.common import console, fits, load_cell, plain_table, wrapped
from coilbench.analysis.cli.set_strokes import stroke_line
from coilbench.analysis.curves.curve import HeightNotMeasured, SpringCurve
from coilbench.analysis.curves.uncertainty import Budget
from coilbench.analysis.report.units import Units
from coilbench.analysis.sets.compare import Change, Comparison, MeanChange
from coilbench.analysis.sets.grades import Grades
from coilbench.analysis.sets.judge import HeightSummary, SetCheck, SetReading, SpringCheck
from coilbench.analysis.sets.outliers import FEWEST_FOR_MIDDLE
from coilbench.analysis.sets.rulings import Flag
from coilbench.analysis.sets.stroke_choice import RULE, JudgedStroke
from coilbench.capture.units import counted

MOST_NAMED = 4  # more springs of one note are counted, not named
SCALE_BELIEVED = (
    "the scale was believed: by how much it errs in proportion is not in the uncertainties; "
    "weigh known masses on it (coilbench rig weigh --scale), then key the readings with --scale"
)
RULES = 0.5  # of the variance: a source that is more of it is worth a word
MENDS = {
    "friction at the turn": "the stroke turned too near below: press some millimetres deeper",
    "lag of the load": "the rig's lag near the turn rules it: press deeper, or more slowly",
}


def set_notes(
    curves: Sequence[SpringCurve], heights_mm: Sequence[float], units: Units
) -> tuple[str, ...]:
    """Return what the reader of a set's loads should know.

    Args:
        curves: a set's.
        heights_mm: where it is read; what holds for one of them alone names it.
        units: how heights are shown.

    Returns:
        Sentences without a full stop, as they come first; those that do not hold for every
        spring begin with whose they are.
    """
    labels: dict[str, list[str]] = {}
    for curve in curves:
        for note in dict.fromkeys(_notes(curve, heights_mm, units)):
            labels.setdefault(note, []).append(curve.label)
    return tuple(
        note if len(whose) == len(curves) else f"{_names(whose)}: {note}"
        for note, whose in labels.items()
    )


def _notes(curve: SpringCurve, heights_mm: Sequence[float], units: Units) -> Iterator[str]:
    yield from curve.notes
    if any(not fit.dense and fit.load_u_relative == 0.0 for fit in curve.sweeps):
        yield SCALE_BELIEVED
    for height_mm in heights_mm:
        try:
            reading = curve.load_at(height_mm)
        except HeightNotMeasured:
            continue
        for note in reading.notes:
            if note not in curve.notes:
                yield f"at {units.length_text(height_mm)}: {note}"
        for hint in _mends(reading.budget):
            at = units.length_text(height_mm)
            yield f"at {at} the load is less sure than it could be: {hint}"


def _mends(budget: Budget) -> Iterator[str]:
    """Say how to be surer, where one source that a hand can mend is most of the uncertainty."""
    for line in budget.lines:
        if line.source in MENDS and line.contribution_n**2 > RULES * budget.combined_u_n**2:
            yield MENDS[line.source]


def _names(labels: Sequence[str]) -> str:
    more = len(labels) - MOST_NAMED
    named = ", ".join(labels[:MOST_NAMED])
    return f"{named} and {more} more" if more > 0 else named


def to_document(comparison: Comparison) -> dict[str, Any]:
    """Write a comparison: N, mm and N/mm, uncertainties expanded (k = 2), unknown is None."""
    return {
        "before": comparison.before,
        "after": comparison.after,
        "springs": [
            {
                "label": spring.label,
                "changed": spring.changed,
                "readings": [
                    {"height_mm": height_mm, **_change(change, "n")}
                    for height_mm, change in zip(comparison.heights_mm, spring.loads, strict=True)
                ],
                "rate": _change(spring.rate, "n_per_mm"),
            }
            for spring in comparison.springs
        ],
        "summary": [
            {"height_mm": height_mm, **_mean(mean, "n")}
            for height_mm, mean in zip(comparison.heights_mm, comparison.means, strict=True)
        ],
        "rate_summary": _mean(comparison.rate_mean, "n_per_mm"),
        "unmatched": list(comparison.unmatched),
    }


def _change(change: Change | None, unit: str) -> dict[str, Any]:
    return {
        f"before_{unit}": None if change is None else change.before,
        f"after_{unit}": None if change is None else change.after,
        f"change_{unit}": None if change is None else change.measured.value,
        f"change_u_{unit}": None if change is None else change.measured.u,
        "same_calibration": None if change is None else change.shared == "all",
        "shared_calibration": None if change is None else change.shared,
        "verdict": None if change is None else change.verdict,
    }


def _mean(mean: MeanChange | None, unit: str) -> dict[str, Any]:
    return {
        f"before_mean_{unit}": None if mean is None else mean.before,
        f"change_{unit}": None if mean is None else mean.change,
        f"change_u_{unit}": None if mean is None else mean.change_u,
        "springs": 0 if mean is None else mean.springs,
        "verdict": None if mean is None else mean.verdict,
    }


# what a table shows beside the loads, from the most to the least; the first that fits is taken
_LAYOUTS = (
    ("kg off", "rate ±", "rate off", "free"),
    ("kg off", "rate", "free"),
    ("rate", "free"),
    ("rate",),
    (),
)
TOO_FEW = (
    f"Fewer than {FEWEST_FOR_MIDDLE} springs have no middle to be held against: measure more, or "
    "give a nominal, like --nominal 24kg@38.5mm."
)
REASONS = 2  # of a flag are told; --why tells all


def show_check(check: SetCheck, missing: tuple[str, ...], shown: Units) -> None:
    """Print a set check as a table, then each flag with its reason."""
    out = console()
    for table in _tables(check, shown, out):
        out.print(table)
    for height in check.summary:
        click.echo(wrapped(_summary_line(height, shown), out))
    if check.rate is not None:
        rate = check.rate
        spread = "" if rate.spread is None else f", spread {shown.rate_text(rate.spread)}"
        robust = rate.robust_spread
        robust_told = "" if robust is None else f", robust spread {shown.rate_text(robust)}"
        told = f"Rate: mean {shown.rate_text(rate.mean)} ± {shown.rate_text(rate.mean_u)}{spread}, "
        click.echo(wrapped(f"{told}middle {shown.rate_text(rate.median)}{robust_told}", out))
    for spring in check.springs:
        for flag in spring.flags:
            click.echo(wrapped(f"{spring.label} {flag.kind}: {_reasons(flag, spring.label)}.", out))
    if missing:
        click.echo(wrapped(f"Not measured yet: {', '.join(missing)}.", out))
    if any(
        one.centre.springs < FEWEST_FOR_MIDDLE and one.nominal_n is None for one in check.summary
    ):
        click.echo(wrapped(TOO_FEW, out))
    elif not check.flagged:
        click.echo("No spring stands out.")


def _reasons(flag: Flag, label: str) -> str:
    """Say the strongest reasons; how many are left over, and where they are told."""
    more = len(flag.reasons) - REASONS
    told = "; ".join(flag.reasons[:REASONS])
    return told if more <= 0 else f"{told}; {counted(more, 'reason')} more: --why {label}"


def show_grades(grades: Sequence[Grades], shown: Units) -> None:
    """Print what a standard's grades would allow, with their standing."""
    for one in grades:
        allowed = ", ".join(
            f"{shown.load_text(n)} (grade {grade})" for grade, n in one.tolerance_n.items()
        )
        holds = "none of them holds" if one.grade is None else f"grade {one.grade} holds"
        click.echo(
            f"At {shown.length_text(one.height_mm)} EN 15800's formula, recalled from memory and "
            f"for information only, allows ± {allowed}; {holds} the largest deviation, "
            f"{shown.load_text(one.largest_n)}."
        )


def show_notes(notes: Sequence[str]) -> None:
    """Print what the measurement leaves open, a line each."""
    for note in notes:
        click.echo(f"Note: {note}.")


def show_why(check: SetCheck, label: str, strokes: Sequence[JudgedStroke], width: int) -> None:
    """Print what every rule says about one spring and its strokes, wrapped to a width."""
    spring = check.spring(label)
    kinds = ", ".join(flag.kind for flag in spring.flags)
    click.echo(f"{label}: {kinds if kinds else 'no flag'}")
    if not spring.rulings:
        click.echo(textwrap.fill(TOO_FEW, width))
    for ruling in spring.rulings:
        verdict = "passes" if ruling.outcome == "pass" else ruling.outcome.upper()
        lines = textwrap.wrap(
            f"{ruling.rule}: {ruling.text}.",
            width,
            initial_indent=f"  {verdict:<7} ",
            subsequent_indent=" " * 12,
        )
        click.echo("\n".join(lines))
    click.echo(textwrap.fill(looks_line(check), width))
    click.echo("Strokes:")
    for stroke in strokes:
        click.echo(stroke_line(stroke, width))
    click.echo(
        textwrap.fill(f"{RULE}. Your word goes before: coilbench set strokes --help.", width)
    )


def looks_line(check: SetCheck) -> str:
    """Say how the outlier test's false-alarm rate is kept."""
    return (
        f"Outlier test (generalised ESD): at most {check.alpha:.1%} of sound sets raise a false "
        f"alarm, shared equally by {', '.join(check.looks)}: {check.alpha_each:.2%} each."
    )


def _summary_line(height: HeightSummary, shown: Units) -> str:
    centre = height.centre
    line = (
        f"At {shown.length_text(height.height_mm)}: mean {shown.load_text(centre.mean)} "
        f"± {shown.load_text(centre.mean_u)} (k = 2)"
    )
    if centre.spread is not None and centre.robust_spread is not None:
        line += (
            f", spread {shown.load_text(centre.spread)}; middle {shown.load_text(centre.median)},"
            f" robust spread {shown.load_text(centre.robust_spread)}"
        )
    if height.nominal_n is not None:
        line += f"; nominal {shown.load_text(height.nominal_n)}"
    return line


def _tables(check: SetCheck, shown: Units, out: Console) -> list[Table]:
    """One table of all heights as full as the screen is wide, else one a height."""
    every = range(len(check.summary))
    for extras in _LAYOUTS:
        table = _table(check, every, extras, shown)
        if fits(table, out):
            return [table]
    return [_table(check, [at], ("kg off",), shown) for at in every]


def _table(
    check: SetCheck, heights: range | list[int], extras: tuple[str, ...], shown: Units
) -> Table:
    columns = ["spring"]
    for at in heights:
        columns.append(f">{shown.length_text(check.summary[at].height_mm)}\n{shown.load}")
        columns += [f">off\n{shown.load}"] if "kg off" in extras else []
        columns.append(">off\n%")
        columns += [">nominal\n%"] if check.summary[at].nominal_n is not None else []
    rate = f">rate\n{shown.load}/{shown.length}"
    columns += [rate] if "rate" in extras or "rate ±" in extras else []
    columns += [">off\n%"] if "rate off" in extras else []
    columns += [f">free\n{shown.length}"] if "free" in extras else []
    table = plain_table(*columns, "flags")
    for spring in check.springs:
        cells: list[str | Text] = [spring.label]
        for at in heights:
            nominal = check.summary[at].nominal_n is not None
            cells += _reading_cells(spring.readings[at], "kg off" in extras, nominal, shown)
        cells += _extra_cells(spring, extras, shown)
        cells.append(Text(" ".join(flag.kind for flag in spring.flags), "bold red"))
        table.add_row(*cells)
    return table


def _reading_cells(reading: SetReading, off_kg: bool, nominal: bool, shown: Units) -> list[str]:
    cells = [load_cell(reading.load_n, reading.load_u_n, shown)]
    if off_kg:
        off_n = reading.deviation_n
        cells.append("" if off_n is None else f"{shown.load_value(off_n):+.2f}")
    cells.append(_percent(reading.deviation))
    return [*cells, _percent(reading.nominal_deviation)] if nominal else cells


def _percent(share: float | None) -> str:
    return "" if share is None else f"{share * 100:+.1f}"


def _extra_cells(spring: SpringCheck, extras: tuple[str, ...], shown: Units) -> list[str]:
    cells, rate, free_mm = [], spring.rate_n_per_mm, spring.free_length_mm
    if "rate" in extras:
        cells.append("-" if rate is None else shown.rate_text(rate).split()[0])
    if "rate ±" in extras:
        values = [shown.rate_text(n).split()[0] for n in (rate, spring.rate_u_n_per_mm)]
        cells.append("-" if rate is None else " ±".join(values))
    if "rate off" in extras:
        cells.append(_percent(spring.rate_deviation))
    if "free" in extras:
        cells.append("-" if free_mm is None else shown.length_text(free_mm).split()[0])
    return cells
