"""What `set check` prints: table, flags, rulings, strokes, budgets, and a second calibration."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Hashable, Iterator, Sequence
from functools import partial

import click
from rich.table import Table

from coilbench.analysis.cli.common import say
from coilbench.analysis.cli.tables import (
    columns_table,
    console,
    load_cell,
    plain_table,
    print_fullest,
)
from coilbench.analysis.report.budget_text import BudgetText
from coilbench.analysis.report.document import describe, first_few
from coilbench.analysis.report.set_text import TOO_FEW, WAY_TEXT
from coilbench.analysis.report.units import Units
from coilbench.analysis.sets.columns import FEWEST_FOR_MIDDLE, Centre
from coilbench.analysis.sets.judge import HeightSummary, SetCheck, SpringCheck
from coilbench.analysis.sets.rulings import Flag, Ruling
from coilbench.capture.strokes.stroke_choice import JudgedStroke
from coilbench.capture.units import counted

# What a table shows beside the loads, from the most to the least; the first that fits is taken.
_LAYOUTS = (
    ("kg off", "rate ±", "rate off", "free"),
    ("kg off", "rate", "free"),
    ("rate", "free"),
    ("rate",),
    (),
)
REASONS = 2  # of a flag are shown; --why shows all
FEWEST_ALIKE = 3  # springs unsure for one reason that are one sentence


def show_check(check: SetCheck, missing: tuple[str, ...], shown: Units) -> None:
    """Print a set check as a table, then each flag with its reason."""
    layouts = [partial(_table, check, extras, shown) for extras in (*_LAYOUTS, ("kg off",))]
    print_fullest(layouts, len(check.summary))
    for height in check.summary:
        say(_summary_line(height, shown))
    if check.rate is not None:
        say(f"Rate: {_centre_text(check.rate, shown.rate_text)}")
    for line in _flag_lines(check, shown):
        say(line)
    for spring in check.springs:
        if spring.apart_within:
            say(f"{spring.label} {_within(spring, shown)}.")
    if missing:
        say(f"Not measured yet: {', '.join(missing)}.")
    if any(
        one.centre.springs < FEWEST_FOR_MIDDLE and one.nominal_n is None for one in check.summary
    ):
        say(TOO_FEW)
    elif not check.flagged:
        click.echo(f"No spring {'is out of tolerance' if check.apart_within else 'stands out'}.")


def _flag_lines(check: SetCheck, shown: Units) -> Iterator[str]:
    """Yield each flag with its reason; many springs unsure for the same reason are one line."""
    alike: dict[Hashable, list[tuple[str, Flag]]] = {}
    for spring in check.springs:
        for flag in spring.flags:
            why: Hashable = (spring.label, flag.kind)
            if flag.kind == "unsure":
                why = frozenset((one.rule, one.height_mm) for one in flag.findings)
            alike.setdefault(why, []).append((spring.label, flag))
    for same in alike.values():
        if len(same) < FEWEST_ALIKE:
            yield from (
                f"{own} {flag.kind}: {_reasons(flag.findings, own, shown)}." for own, flag in same
            )
            continue
        label, flag = same[0]
        names = first_few([own for own, _ in same])
        reasons = _reasons(flag.findings, label, shown)
        yield f"{names} unsure, for the same reason; of {label}: {reasons}."


def _within(spring: SpringCheck, shown: Units) -> str:
    return f"apart, within tolerance: {_reasons(spring.apart_within, spring.label, shown)}"


def _reasons(found: Sequence[Ruling], label: str, shown: Units) -> str:
    more = len(found) - REASONS
    told = "; ".join(describe(one, shown) for one in found[:REASONS])
    return told if more <= 0 else f"{told}; {counted(more, 'reason')} more: --why {label}"


def _summary_line(height: HeightSummary, shown: Units) -> str:
    centre = _centre_text(height.centre, shown.load_text)
    way = height.compared_way
    how = "" if way is None else f", compared {WAY_TEXT[way]} since some have one way alone"
    line = f"At {shown.length_text(height.height_mm)}{how}: {centre}"
    if height.nominal_n is not None:
        line += f"; nominal {shown.load_text(height.nominal_n)}"
    return line


def _centre_text(centre: Centre, write: Callable[[float], str]) -> str:
    line = f"mean {write(centre.mean)} ± {write(centre.mean_u)} (k = 2)"
    if centre.spread is not None and centre.robust_spread is not None:
        line += (
            f", spread {write(centre.spread)}; middle {write(centre.median)}, robust spread "
            f"{write(centre.robust_spread)}"
        )
    return line


def _table(check: SetCheck, extras: tuple[str, ...], shown: Units, heights: Sequence[int]) -> Table:
    springs = check.springs
    columns: list[tuple[str, list[str]]] = [("spring", [each.label for each in springs])]
    for at in heights:
        read, summary = [spring.readings[at] for spring in springs], check.summary[at]
        loads = [load_cell(each.load_n, each.load_u_n, shown) for each in read]
        columns.append((f">{shown.length_text(summary.height_mm)}\n{shown.load}", loads))
        if "kg off" in extras:
            off_n = [each.deviation_n for each in read]
            off = ["" if n is None else f"{shown.load_value(n):+.2f}" for n in off_n]
            columns.append((f">off\n{shown.load}", off))
        columns.append((">off\n%", [_percent(each.deviation) for each in read]))
        if summary.nominal_n is not None:
            columns.append((">nominal\n%", [_percent(each.nominal_deviation) for each in read]))
    with_u = "rate ±" in extras
    if with_u or "rate" in extras:
        rates = [_rate_cell(each, shown, with_u=with_u) for each in springs]
        columns.append((f">rate\n{shown.load}/{shown.length}", rates))
    if "rate off" in extras:
        columns.append((">off\n%", [_percent(each.rate_deviation) for each in springs]))
    if "free" in extras:
        free = [shown.length_number(each.free_length_mm) for each in springs]
        columns.append((f">free\n{shown.length}", free))
    columns.append(("flags", [" ".join(flag.kind for flag in each.flags) for each in springs]))
    table = columns_table(columns)
    table.columns[-1].style = "bold red"
    return table


def _rate_cell(spring: SpringCheck, shown: Units, *, with_u: bool) -> str:
    rate = shown.rate_number(spring.rate_n_per_mm)
    u = shown.rate_number(spring.rate_u_n_per_mm)
    return f"{rate} ±{u}" if with_u and rate != "-" else rate


def _percent(share: float | None) -> str:
    return "" if share is None else f"{share * 100:+.1f}"


def stroke_line(stroke: JudgedStroke, width: int, shown: Units) -> str:
    """Write one stroke, wrapped to a width."""
    words = describe(stroke, shown)
    return textwrap.fill(
        f"{stroke.number}: {words}{'' if words.endswith('?') else '.'}",
        width,
        initial_indent="  ",
        subsequent_indent=" " * 6,
    )


def show_budget(budget: BudgetText) -> None:
    """Print one budget as a table with its sum below."""
    source, kind, *numbers = (heading.replace(" ", "\n") for heading in budget.headings)
    table = plain_table(f"  {source}", kind, *(f">{heading}" for heading in numbers))
    table.columns[0].no_wrap = False
    for what, *others in budget.rows:
        table.add_row(f"  {what}", *others)
    console().print(table)
    click.echo(f"  {budget.words}.")
