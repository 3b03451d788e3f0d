"""`coilbench set check`: judge a set; the budgets of its loads; other calibrations beside.

`--budget` shows what each reading's uncertainty is made of, `--calibration` and `--against` read
the same strokes by old and new calibrations.
"""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click
from rich.console import Console
from rich.table import Table
from rich.text import Text

from coilbench.analysis.cli.common import (
    FRACTION,
    LENGTH,
    console,
    fits,
    json_option,
    load_cell,
    plain_table,
    print_document,
    show_budget,
    show_warnings,
    units,
    wrapped,
)
from coilbench.analysis.cli.set_compare import read_again, reread_document, show_reread
from coilbench.analysis.cli.set_nominal import NOMINAL, TypedNominal, asked_heights
from coilbench.analysis.cli.set_strokes import show_strokes, stroke_line
from coilbench.analysis.cli.settings import book_path
from coilbench.analysis.curves.curve import BranchChoice, HeightNotMeasured, Reading, SpringCurve
from coilbench.analysis.inputs.build_input import read_build
from coilbench.analysis.inputs.measured import JudgedSet, judge_set
from coilbench.analysis.inputs.rig_record import rig_warnings
from coilbench.analysis.report.card_text import budget_text
from coilbench.analysis.report.document import describe, document
from coilbench.analysis.report.set_text import (
    STROKE_RULE,
    TOO_FEW,
    check_document,
    set_notes,
    tests_line,
)
from coilbench.analysis.report.units import SI, Units
from coilbench.analysis.sets.judge import (
    DEFAULT_ALPHA,
    DEFAULT_TOLERANCE,
    HeightSummary,
    SetCheck,
    SetReading,
    SpringCheck,
)
from coilbench.analysis.sets.outliers import FEWEST_FOR_MIDDLE
from coilbench.analysis.sets.rulings import Flag
from coilbench.analysis.sets.stroke_choice import JudgedStroke
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import find_set
from coilbench.capture.book.sweeps import OWN
from coilbench.capture.units import counted


@dataclass(frozen=True)
class _Budgeted:
    """One spring's reading, with the budget in it."""

    label: str
    reading: Reading


def _budgeted(
    curves: Sequence[SpringCurve], heights_mm: Sequence[float], label: str | None
) -> list[_Budgeted]:
    """Return the readings at the heights, of one spring or of all; unmeasured ones left out."""
    found = []
    for curve in curves:
        for height_mm in heights_mm if label in (None, curve.label) else ():
            try:
                found.append(_Budgeted(curve.label, curve.load_at(height_mm)))
            except HeightNotMeasured:
                continue
    return found


def _budgets_document(found: Sequence[_Budgeted]) -> list[dict[str, Any]]:
    """Return them for JSON."""
    return [
        {
            "label": one.label,
            "height_mm": one.reading.height_mm,
            "load_n": one.reading.load_n,
            **document(one.reading.budget),
        }
        for one in found
    ]


def _show_budgets(found: Sequence[_Budgeted], shown: Units) -> None:
    """Print a table a reading: source, type A or B, value, sensitivity, contribution."""
    for one in found:
        reading = one.reading
        click.echo(
            f"\n{one.label} at {shown.length_text(reading.height_mm)}: "
            f"{shown.load_text(reading.load_n)}"
        )
        show_budget(budget_text(reading.budget, shown))


@click.command(name="check", epilog="Example: coilbench set check larch --at 38.5mm --at 27.6mm")
@click.argument("name")
@click.option(
    "--at", "heights_mm", type=LENGTH, multiple=True, help="A height to judge at; repeat it."
)
@click.option(
    "--build",
    "build_path",
    type=click.Path(path_type=Path),
    help="Judge at this build file's heights, valve shut and full lift.",
)
@click.option(
    "--nominal",
    "nominals",
    type=NOMINAL,
    multiple=True,
    help="The load asked for, e.g. 24kg@38.5mm; or 24kg, one for each --at in the same order.",
)
@click.option(
    "--tolerance",
    type=FRACTION,
    default=f"{DEFAULT_TOLERANCE:.0%}",
    show_default=True,
    help="Allowed deviation from the set's middle, and from a nominal without its own.",
)
@click.option(
    "--false-alarms",
    "alpha",
    type=FRACTION,
    default=f"{DEFAULT_ALPHA:.0%}",
    show_default=True,
    help="How often a sound set may raise a false alarm of a spring standing apart.",
)
@click.option(
    "--why", "label", metavar="LABEL", help="Show what every rule says about this spring."
)
@click.option(
    "--branch",
    type=click.Choice(["mean", "loading", "unloading"]),
    default="mean",
    show_default=True,
    help="Which branch loads are read from.",
)
@click.option(
    "--budget",
    is_flag=True,
    help="Show what each reading's uncertainty is made of; with --why, of that spring.",
)
@click.option(
    "--calibration",
    default=OWN,
    show_default=True,
    help="Read raw strokes with: own (what each was captured with), newest, or a calibration's id. "
    "Every derived number follows; the raw counts stay as they are.",
)
@click.option(
    "--against",
    help="Show the loads beside those by this other calibration: own, newest or an id.",
)
@json_option
def set_check(
    name: str,
    heights_mm: tuple[float, ...],
    build_path: Path | None,
    nominals: tuple[TypedNominal, ...],
    tolerance: float,
    alpha: float,
    label: str | None,
    branch: BranchChoice,
    budget: bool,
    calibration: str,
    against: str | None,
    as_json: bool,
) -> None:
    """Judge a set: which springs are weak, stiff, short or odd, and which can't be told.

    A nominal kept with the set (set nominal) is held against too, at its own heights beside those
    asked for. With single springs --build also holds them against the cam card's loads. Exits with
    1 when a spring was found weak, stiff, short or odd.
    """
    build = None if build_path is None else read_build(build_path)
    with open_book(book_path()) as db:
        record = find_set(db, name)
        if label is not None:
            record.spring(label)
        asked = asked_heights(record, heights_mm, nominals, build)
        judged = judge_set(
            db,
            record,
            asked,
            tolerance=tolerance,
            alpha=alpha,
            branch=branch,
            calibration=calibration,
        )
        at_mm = judged.heights_mm
        reread = read_again(db, record, branch, (calibration, against), at_mm)
        warned = rig_warnings(db)
    measured, check = judged.measured, judged.checked
    curves, strokes = measured.curves, measured.strokes
    notes = _notes(judged, SI if as_json else units())
    if as_json:
        print_document(
            _document(judged, label)
            | ({"budgets": _budgets_document(_budgeted(curves, at_mm, label))} if budget else {})
            | reread_document(reread)
            | {"notes": list(notes), "warnings": list(warned)}
        )
    elif label is None:
        show_check(check, measured.missing, units())
        show_strokes(record.name, strokes, console(), units())
    else:
        _show_why(check, label, strokes[label], console().width, units())
    if not as_json:
        if budget:
            _show_budgets(_budgeted(curves, at_mm, label), units())
        show_reread(reread, units())
        for note in notes:
            click.echo(f"Note: {note}.")
        show_warnings(warned)
    if any(spring.set_apart for spring in check.springs if label in (None, spring.label)):
        raise click.exceptions.Exit(1)


def _notes(judged: JudgedSet, shown: Units) -> tuple[str, ...]:
    unheld = (
        f"no spring was measured at {shown.length_text(mm)}: the nominal there is not used"
        for mm in judged.unheld_mm
    )
    return (*unheld, *set_notes(judged.measured.curves, judged.heights_mm, shown))


def _document(judged: JudgedSet, label: str | None) -> dict[str, Any]:
    check, strokes = judged.checked, judged.measured.strokes
    if label is not None:
        rulings = document(check.spring(label).rulings)
        return {
            "set": check.name,
            "label": label,
            "rulings": rulings,
            "strokes": document(strokes[label]),
        }
    found = check_document(check)
    for spring in found["springs"]:
        spring["strokes"] = document(strokes[spring["label"]])
    return found


# What a table shows beside the loads, from the most to the least; the first that fits is taken.
_LAYOUTS = (
    ("kg off", "rate ±", "rate off", "free"),
    ("kg off", "rate", "free"),
    ("rate", "free"),
    ("rate",),
    (),
)
REASONS = 2  # of a flag are shown; --why shows all


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
            click.echo(
                wrapped(f"{spring.label} {flag.kind}: {_reasons(flag, spring.label, shown)}.", out)
            )
    if missing:
        click.echo(wrapped(f"Not measured yet: {', '.join(missing)}.", out))
    if any(
        one.centre.springs < FEWEST_FOR_MIDDLE and one.nominal_n is None for one in check.summary
    ):
        click.echo(wrapped(TOO_FEW, out))
    elif not check.flagged:
        click.echo("No spring stands out.")


def _reasons(flag: Flag, label: str, shown: Units) -> str:
    """Say the strongest reasons; how many are left over, and how to see them."""
    more = len(flag.findings) - REASONS
    told = "; ".join(describe(one, shown) for one in flag.findings[:REASONS])
    return told if more <= 0 else f"{told}; {counted(more, 'reason')} more: --why {label}"


def _show_why(
    check: SetCheck, label: str, strokes: Sequence[JudgedStroke], width: int, shown: Units
) -> None:
    """Print what every rule says about one spring and its strokes, wrapped to a width."""
    spring = check.spring(label)
    kinds = ", ".join(flag.kind for flag in spring.flags)
    click.echo(f"{label}: {kinds if kinds else 'no flag'}")
    if not spring.rulings:
        click.echo(textwrap.fill(TOO_FEW, width))
    for ruling in spring.rulings:
        verdict = "passes" if ruling.outcome == "pass" else ruling.outcome.upper()
        lines = textwrap.wrap(
            f"{ruling.rule}: {describe(ruling, shown)}.",
            width,
            initial_indent=f"  {verdict:<7} ",
            subsequent_indent=" " * 12,
        )
        click.echo("\n".join(lines))
    click.echo(textwrap.fill(tests_line(check, shown), width))
    click.echo("Strokes:")
    for stroke in strokes:
        click.echo(stroke_line(stroke, width, shown))
    click.echo(
        textwrap.fill(
            f"{STROKE_RULE}. Your rulings go before: coilbench set strokes --help.", width
        )
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
