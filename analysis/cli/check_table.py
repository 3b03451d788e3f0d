"""What `set check` prints: table, flags, rulings, strokes, budgets, and a second calibration."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import click
from rich.console import Console
from rich.table import Table
from rich.text import Text
from sqlite_utils import Database

from coilbench.analysis.cli.common import console, fits, load_cell, plain_table, units, wrapped
from coilbench.analysis.curves.curve import HeightNotMeasured, SpringCurve
from coilbench.analysis.report.card_text import BudgetText
from coilbench.analysis.report.document import describe, document
from coilbench.analysis.report.set_text import STROKE_RULE, TOO_FEW, tests_line
from coilbench.analysis.report.units import Units
from coilbench.analysis.sets.judge import HeightSummary, SetCheck, SetReading, SpringCheck
from coilbench.analysis.sets.outliers import FEWEST_FOR_MIDDLE
from coilbench.analysis.sets.rulings import Flag
from coilbench.analysis.sets.stroke_choice import JudgedStroke
from coilbench.capture.book.sets import SetRecord
from coilbench.capture.book.sweeps import OWN, Used, chosen
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import counted


@contextmanager
def heights_in_units() -> Iterator[None]:
    """Word a height that was not measured in display units."""
    try:
        yield
    except HeightNotMeasured as error:
        raise CoilbenchError(describe(error.finding, units()), hint=error.hint) from error


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


def show_why(
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


def stroke_line(stroke: JudgedStroke, width: int, shown: Units) -> str:
    """Write one stroke, wrapped to a width."""
    return textwrap.fill(
        f"{stroke.number}: {describe(stroke, shown)}.",
        width,
        initial_indent="  ",
        subsequent_indent=" " * 6,
    )


def show_strokes(
    name: str, strokes: Mapping[str, Sequence[JudgedStroke]], out: Console, shown: Units
) -> None:
    """Print the strokes that are left out or doubtful, and how to overrule."""
    seen = [(label, one) for label, own in strokes.items() for one in own if _doubtful(one)]
    for label, one in seen:
        click.echo(wrapped(f"{label} stroke {one.number}: {describe(one, shown)}.", out))
    for words, option, kept in (
        ("To count one in", "--use", False),
        ("To leave one out", "--leave", True),
    ):
        named = next((f"{label}:{one.number}" for label, one in seen if one.kept == kept), None)
        if named is not None:
            click.echo(f"{words}: coilbench set strokes {name} {option} {named}")


def _doubtful(stroke: JudgedStroke) -> bool:
    """Whether it was counted and is left out, or differs from its mates, or is spoilt."""
    if not stroke.kept:
        return bool(stroke.findings) or stroke.ruling is not None
    return any(one.spoils or one.kind == "apart" for one in stroke.findings)


def show_budget(budget: BudgetText) -> None:
    """Print one budget as a table with its sum below."""
    source, kind, *numbers = (heading.replace(" ", "\n") for heading in budget.headings)
    table = plain_table(f"  {source}", kind, *(f">{heading}" for heading in numbers))
    table.columns[0].no_wrap = False
    for what, *others in budget.rows:
        table.add_row(f"  {what}", *others)
    console().print(table)
    click.echo(f"  {budget.words}.")


@dataclass(frozen=True)
class _ReadTwice:
    """One spring's load at one height by two calibrations; None where it was not measured."""

    label: str
    height_mm: float
    load_n: float | None
    load_u_n: float | None
    against_n: float | None
    against_u_n: float | None


@dataclass(frozen=True)
class Reread:
    """What a set was captured with, and how its loads are by one calibration against another.

    Attributes:
        used: calibrations the raw strokes were captured with; none of a set without raw strokes.
        calibration, against: those compared, as `own` or an id; None where nothing is compared.
        readings: one a spring and height.
    """

    used: tuple[Used, ...]
    calibration: str
    against: str | None
    readings: tuple[_ReadTwice, ...]


def read_again(
    db: Database,
    record: SetRecord,
    choices: tuple[str, str | None],
    measure: Callable[[str], Sequence[SpringCurve]],
    heights_mm: Sequence[float],
) -> Reread:
    """Read a set by the chosen calibration, and by another where one is named.

    Args:
        db: the open book.
        record: the set.
        choices: the calibrations, as `own`, `newest` or an id.
        measure: reads the set's curves by a calibration.
        heights_mm: where.

    Raises:
        CoilbenchError: no such calibration, or the set has no raw strokes to read again.
    """
    used = Used.of_set(db, record)
    this, other = choices
    if not used and (this != OWN or other is not None):
        raise CoilbenchError(
            f"set {record.name!r} has no raw strokes: converted and keyed readings have no other "
            "calibration",
            hint="Leave out --calibration and --against",
        )
    if other is None:
        return Reread(used, _calibration_name(db, this), None, ())
    curves = {choice: {curve.label: curve for curve in measure(choice)} for choice in (this, other)}
    readings = tuple(
        _ReadTwice(
            label,
            height_mm,
            *_load(curve, height_mm),
            *_load(curves[other].get(label), height_mm),
        )
        for label, curve in curves[this].items()
        for height_mm in heights_mm
    )
    return Reread(used, _calibration_name(db, this), _calibration_name(db, other), readings)


def _calibration_name(db: Database, choice: str) -> str:
    record = chosen(db, choice)
    return OWN if record is None else record.calibration_id


def _load(curve: SpringCurve | None, height_mm: float) -> tuple[float | None, float | None]:
    try:
        reading = None if curve is None else curve.load_at(height_mm)
    except HeightNotMeasured:
        reading = None
    return (None, None) if reading is None else (reading.load_n, reading.load_u_n)


def reread_document(reread: Reread) -> dict[str, Any]:
    """Return it for JSON: `calibration`, `captured_with`, and `against` where compared."""
    found = {"calibration": reread.calibration, "captured_with": document(reread.used)}
    if reread.against is None:
        return found
    against = {"calibration": reread.against, "readings": document(reread.readings)}
    return found | {"against": against}


def show_reread(reread: Reread, shown: Units) -> None:
    """Print what the strokes were read with, and old against new where they are compared."""
    if reread.calibration != OWN:
        captured = ", ".join(
            f"{one.calibration_id[:8]} of {one.made_utc[:10]} ({counted(one.sweeps, 'stroke')})"
            for one in reread.used
        )
        click.echo(f"Read with calibration {reread.calibration}; captured with {captured}.")
    if reread.against is None:
        return
    by = (f">by {name[:8]}\n{shown.load}" for name in (reread.calibration, reread.against))
    table = plain_table("spring", ">height", *by, ">change")
    for one in reread.readings:
        known = one.load_n is not None and one.against_n is not None
        change_n = (one.load_n or 0.0) - (one.against_n or 0.0)
        table.add_row(
            one.label,
            shown.length_text(one.height_mm),
            load_cell(one.load_n, one.load_u_n, shown),
            load_cell(one.against_n, one.against_u_n, shown),
            f"{shown.load_value(change_n):+.3f}" if known else "-",
        )
    console().print(table)
