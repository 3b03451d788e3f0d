"""What `set check` prints: table, flags, rulings, strokes, budgets, and a second calibration."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from functools import partial

import click
from rich.table import Table

from coilbench.analysis.cli.common import (
    columns_table,
    console,
    load_cell,
    plain_table,
    print_fullest,
    say,
)
from coilbench.analysis.report.budget_text import BudgetText
from coilbench.analysis.report.document import describe, first_few
from coilbench.analysis.report.set_text import RULES, STROKE_RULE, TOO_FEW, WAY_TEXT, tests_line
from coilbench.analysis.report.units import Units
from coilbench.analysis.sets.columns import FEWEST_FOR_MIDDLE, Centre
from coilbench.analysis.sets.judge import HeightSummary, SetCheck, SpringCheck
from coilbench.analysis.sets.rulings import Flag, Ruling
from coilbench.capture.plain import as_typed
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


def show_why(
    check: SetCheck, label: str, strokes: Sequence[JudgedStroke], width: int, shown: Units
) -> None:
    """Print what every rule says about one spring and its strokes, wrapped to a width."""
    spring = check.spring(label)
    kinds = ", ".join(flag.kind for flag in spring.flags)
    within = "apart, within tolerance" if spring.apart_within else ""
    click.echo(f"{label}: {', '.join(filter(None, (kinds, within))) or 'no flag'}")
    if not spring.rulings:
        click.echo(textwrap.fill(TOO_FEW, width))
    for ruling in spring.rulings:
        verdict = "passes" if ruling.outcome == "pass" else ruling.outcome.upper()
        lines = textwrap.wrap(
            f"{RULES[ruling.rule]}: {describe(ruling, shown)}.",
            width,
            initial_indent=f"  {verdict:<7} ",
            subsequent_indent=" " * 12,
        )
        click.echo("\n".join(lines))
    if spring.free_length_mm is None:
        how = f"set measure {as_typed(check.name)} {as_typed(f'{label} free LENGTH')}"
        click.echo(f"  free length: not measured; with a caliper: coilbench {how}")
    click.echo(textwrap.fill(tests_line(check, shown), width))
    click.echo("Strokes:")
    for stroke in strokes:
        click.echo(stroke_line(stroke, width, shown))
    rule = f"{STROKE_RULE}. Your rulings override this: coilbench set strokes --help."
    click.echo(textwrap.fill(rule, width))


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
    return textwrap.fill(
        f"{stroke.number}: {describe(stroke, shown)}.",
        width,
        initial_indent="  ",
        subsequent_indent=" " * 6,
    )


def show_strokes(name: str, strokes: Mapping[str, Sequence[JudgedStroke]], shown: Units) -> None:
    """Print the strokes that are left out or doubtful, and how to overrule."""
    seen = [(label, one) for label, own in strokes.items() for one in own if _doubtful(one)]
    for label, one in seen:
        say(f"{label} stroke {one.number}: {describe(one, shown)}.")
    for words, option, kept in (
        ("To include one", "--use", False),
        ("To leave one out", "--leave", True),
    ):
        named = next((f"{label}:{one.number}" for label, one in seen if one.kept == kept), None)
        if named is not None:
            click.echo(
                f"{words}: coilbench set strokes {as_typed(name)} {option} {as_typed(named)}"
            )


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
