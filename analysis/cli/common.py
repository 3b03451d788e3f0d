"""What several commands share: the book, units, quantities as options, printing."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, Literal, NamedTuple, TypeVar, cast

import click
from rich.measure import Measurement
from rich.table import Table

from coilbench.analysis.cli.plain_console import PlainConsole
from coilbench.analysis.cli.settings import units as units
from coilbench.analysis.report.document import describe, document_text
from coilbench.analysis.report.units import Units
from coilbench.analysis.sets.rulings import Nominal
from coilbench.capture.blocks import Finding
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import plain_line
from coilbench.capture.tables.spring_lines import parse_stated_length
from coilbench.capture.units import (
    parse_fraction,
    parse_length_mm,
    parse_load_n,
    parse_number,
    parse_rate_n_per_mm,
    parse_weight_n,
)

_Parsed = TypeVar("_Parsed")
BARE_NUMBER = re.compile(r"\s*[+-]?[0-9.,]+\s*")


class Typed(click.ParamType[_Parsed]):
    """A value read by one of our parsers; its errors name the option or argument.

    Args:
        bare: which display unit, `length` or `load`, a number without one is taken in, and said so;
            None refuses it.
    """

    def __init__(
        self,
        name: str,
        parse: Callable[[str], _Parsed],
        bare: Literal["length", "load"] | None = None,
    ) -> None:
        self.name = name
        self._parse = parse
        self._bare = bare

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> _Parsed:
        """Read what was typed."""
        if not isinstance(value, str):
            return cast(_Parsed, value)
        option = None if param is None else param.get_error_hint(ctx).strip("'[].")
        if self._bare is not None and BARE_NUMBER.fullmatch(value):
            unit = getattr(units(), self._bare)
            say_taken_as(unit)
            value += unit
        try:
            return self._parse(value)
        except CoilbenchError as error:
            error.where = option
            raise


class TypedNominal(NamedTuple):
    """A nominal load as typed, with or without its height."""

    load_n: float
    height_mm: float | None


def _parse_nominal(text: str) -> TypedNominal:
    load, at, height = text.partition("@")
    typed = TypedNominal(parse_load_n(load), parse_length_mm(height) if at else None)
    Nominal(typed.load_n)  # refuses what is none
    return typed


def _parse_nominal_at(text: str) -> TypedNominal:
    if "@" not in text:
        raise CoilbenchError(f"{text!r} names no height", hint="Write it like 24kg@38.5mm")
    return _parse_nominal(text)


LENGTH = Typed("length", parse_length_mm, bare="length")
STATED_LENGTH = Typed("length", parse_stated_length, bare="length")
LOAD = Typed("load", parse_load_n, bare="load")
WEIGHT = Typed("weight", parse_weight_n, bare="load")
FRACTION = Typed("percent", parse_fraction)
NUMBER = Typed("number", parse_number)
RATE = Typed("rate", parse_rate_n_per_mm)
NOMINAL = Typed("load@height", _parse_nominal)
NOMINAL_AT = Typed("load@height", _parse_nominal_at)

json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON document, in N and mm."
)
build_argument = click.argument("build", type=click.Path(path_type=Path))
use_flagged_option = click.option(
    "--use-flagged", is_flag=True, help="Include weak, stiff, short and odd springs."
)
branch_option = click.option(
    "--branch",
    type=click.Choice(["mean", "loading", "unloading"]),
    default="mean",
    help="Which branch loads and rates are read from.",
)
Decorated = Callable[..., Any]


def at_option(words: str) -> Callable[[Decorated], Decorated]:
    """Return the option --at, several heights as `heights_mm`, with its help."""
    return click.option("--at", "heights_mm", type=LENGTH, multiple=True, help=words)


def build_heights_option(verb: str) -> Callable[[Decorated], Decorated]:
    """Return the option --build: the build file whose heights are taken, as `build_path`."""
    words = f"{verb} at this build file's heights, valve shut and full lift."
    return click.option("--build", "build_path", type=click.Path(path_type=Path), help=words)


def print_document(document: Any) -> None:
    """Print one JSON document on stdout."""
    click.echo(document_text(document))


def say_aside(words: str) -> None:
    """Tell the person something on stderr: stdout is for the answer."""
    click.echo(words, err=True)


def say_taken_as(*named: str) -> None:
    """Say which units numbers without one are taken in, each unit once a run."""
    said: set[str] = click.get_current_context().meta.setdefault(f"{__name__}.taken_as", set())
    new = [unit for unit in named if unit not in said]
    if new:
        say_aside(f"Numbers without a unit are taken as {' and '.join(new)}.")
    said.update(new)


def show_warnings(warned: Sequence[Finding]) -> None:
    """Print the warnings on the rig's figures in one line; nothing where there are none."""
    if warned:
        shown = units()
        click.echo(f"Warning: {'; '.join(describe(one, shown) for one in warned)}.")


def console(width: int | None = None) -> PlainConsole:
    """Return the console for tables; what a user typed is never parsed as markup."""
    return PlainConsole(width=width)


def say(text: str) -> None:
    """Print a sentence; a terminal breaks it on words, in a file or a pipe a line is a line."""
    click.echo(text)


def print_uncut(table: Table) -> None:
    """Print a table with no cell cut short: on a narrow screen its lines wrap instead."""
    console(max(_width(table), console().width)).print(table)


def print_fullest(layouts: Iterable[Callable[[Sequence[int]], Table]], heights: int) -> None:
    """Print one table of all heights, the first that the screen shows whole; else one a height.

    Args:
        layouts: from the fullest to the least, each makes a table of the heights numbered; the
            last one is the table of a single height.
        heights: how many there are.
    """
    out, every = console(), range(heights)
    *wide, single = layouts
    whole = (table for table in (layout(every) for layout in wide) if _width(table) <= out.width)
    first = next(whole, None)
    for table in [single([at]) for at in every] if first is None else [first]:
        out.print(table)


def _width(table: Table) -> int:
    unbounded = console().options.update(max_width=10_000)
    return Measurement.get(console(), unbounded, table).maximum


def plain_table(*titles: str, rows: Iterable[Sequence[str]] = ()) -> Table:
    """Return a table without lines, for `console`; a title after `>` is a column of numbers."""
    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, 1))
    for title in titles:
        side: Literal["left", "right"] = "right" if title.startswith(">") else "left"
        table.add_column(title.removeprefix(">"), justify=side, no_wrap=True)
    for row in rows:
        table.add_row(*map(plain_line, row))
    return table


def columns_table(columns: Iterable[tuple[str, Sequence[str]]]) -> Table:
    """Return such a table from its columns, a title and cells each."""
    titles, cells = zip(*columns, strict=True)
    return plain_table(*titles, rows=zip(*cells, strict=True))


def load_cell(load_n: float | None, load_u_n: float | None, shown: Units) -> str:
    """Write a load and its expanded uncertainty, without the unit."""
    if load_n is None or load_u_n is None:
        return "-"
    return " ".join(shown.load_and_u(load_n, load_u_n))
