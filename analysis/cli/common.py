"""What several commands share: the book, units, quantities as options, printing."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple, cast

import click
from rich.console import Console, RenderableType
from rich.measure import Measurement
from rich.table import Table
from rich.text import Text

from coilbench.analysis.cli.settings import book_path as book_path
from coilbench.analysis.cli.settings import settings as settings
from coilbench.analysis.curves.curve import HeightNotMeasured
from coilbench.analysis.report import curve_text
from coilbench.analysis.report.document import describe, document_text
from coilbench.analysis.report.units import LengthUnit, LoadUnit, Units
from coilbench.analysis.sets.rulings import Nominal
from coilbench.capture.blocks import Finding
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.units import (
    parse_fraction,
    parse_length_mm,
    parse_load_n,
    parse_number,
    parse_rate_n_per_mm,
)


class _Quantity(click.ParamType[float]):
    """An option's value read by one of our parsers; its errors name the option."""

    def __init__(self, name: str, parse: Callable[[str], float]) -> None:
        self.name = name
        self._parse = parse

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        if not isinstance(value, str):
            return cast(float, value)
        try:
            return self._parse(value)
        except CoilbenchError as error:
            where = None if param is None else param.get_error_hint(ctx).strip("'")
            raise CoilbenchError(error.what, where=where, hint=error.hint) from error


LENGTH = _Quantity("length", parse_length_mm)
LOAD = _Quantity("load", parse_load_n)
FRACTION = _Quantity("percent", parse_fraction)
NUMBER = _Quantity("number", parse_number)
RATE = _Quantity("rate", parse_rate_n_per_mm)


class TypedNominal(NamedTuple):
    """A nominal load as typed, with or without its height."""

    load_n: float
    height_mm: float | None


class _NominalParam(click.ParamType[TypedNominal]):
    """Reads `24kg@38.5mm`, and `24kg` where the height is told elsewhere."""

    name = "load@height"

    def __init__(self, *, height_needed: bool) -> None:
        self._height_needed = height_needed

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> TypedNominal:
        load, at, height = str(value).partition("@")
        where = self.name if param is None else param.get_error_hint(ctx).strip("'[].")
        try:
            if self._height_needed and not at:
                raise CoilbenchError(f"{value!r} names no height", hint="Write it like 24kg@38.5mm")
            typed = TypedNominal(parse_load_n(load), parse_length_mm(height) if at else None)
            Nominal(typed.load_n)  # refuses what is none
        except CoilbenchError as error:
            raise CoilbenchError(error.what, where=where, hint=error.hint) from error
        return typed


NOMINAL = _NominalParam(height_needed=False)
NOMINAL_AT = _NominalParam(height_needed=True)


json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON document, in N and mm."
)


def units() -> Units:
    """Return the display units."""
    chosen = settings()
    return Units(cast(LoadUnit, chosen.load_unit), cast(LengthUnit, chosen.length_unit))


def print_document(document: Any) -> None:
    """Print one JSON document on stdout."""
    click.echo(document_text(document))


def say_aside(words: str) -> None:
    """Tell the person something on stderr: stdout is for the answer."""
    click.echo(words, err=True)


def show_warnings(warned: Sequence[Finding]) -> None:
    """Print the warnings on the rig's figures in one line; nothing where there are none."""
    if warned:
        shown = units()
        click.echo(f"Warning: {'; '.join(describe(one, shown) for one in warned)}.")


def console(width: int | None = None) -> Console:
    """Return the console for tables; what a user typed is never parsed as markup."""
    return Console(markup=False, emoji=False, highlight=False, width=width)


def wrapped(text: str, out: Console) -> str:
    """Wrap a sentence on a terminal; in a file or a pipe a line is a line."""
    if not out.is_terminal:
        return text
    return textwrap.fill(text, out.width, subsequent_indent="    ")


def say(text: str) -> None:
    """Print a sentence, wrapped where it goes to a terminal."""
    click.echo(wrapped(text, console()))


def print_uncut(table: Table) -> None:
    """Print a table with no cell cut short: on a narrow screen its lines wrap instead."""
    screen = console()
    unbounded = screen.options.update(max_width=10_000)
    widest = Measurement.get(screen, unbounded, table).maximum
    console(max(widest, screen.width)).print(table)


def fits(table: Table, out: Console) -> bool:
    """Tell whether a table can be printed whole, nothing of it cut off."""
    unbounded = out.options.update(max_width=10_000)
    return Measurement.get(out, unbounded, table).maximum <= out.width


class _PlainTable(Table):
    """A table whose cells and titles are taken as they are, never as markup."""

    def add_row(self, *cells: RenderableType | None, **options: Any) -> None:
        """Add a row; text cells become Text."""
        super().add_row(
            *(Text(cell) if isinstance(cell, str) else cell for cell in cells), **options
        )


def plain_table(*titles: str) -> Table:
    """Return an empty table without lines; a title that begins with `>` is a column of numbers."""
    table = _PlainTable(box=None, pad_edge=False, header_style="bold", padding=(0, 1))
    for title in titles:
        numbers = title.startswith(">")
        table.add_column(
            Text(title.removeprefix(">")), justify="right" if numbers else "left", no_wrap=True
        )
    return table


def load_cell(load_n: float | None, load_u_n: float | None, shown: Units) -> str:
    """Write a load and its expanded uncertainty to two digits of it, without the unit."""
    if load_n is None or load_u_n is None:
        return "-"
    load, u = shown.load_value(load_n), shown.load_value(load_u_n)
    places = 1 if u <= 0 else min(2, max(0, 1 - math.floor(math.log10(u))))
    return f"{load:.{places}f} ±{u:.{places}f}"


def read_bytes(path: Path) -> bytes:
    """Read a file the user named.

    Raises:
        CoilbenchError: it is not there, is a folder, or cannot be read.
    """
    try:
        return path.read_bytes()
    except OSError as error:
        raise CoilbenchError(
            f"the file cannot be read ({error.strerror})", where=str(path), hint="Check its name"
        ) from error


@contextmanager
def heights_in_units() -> Iterator[None]:
    """Word a height that was not measured in display units."""
    try:
        yield
    except HeightNotMeasured as error:
        raise CoilbenchError(
            curve_text.describe(error.finding, units()), hint=error.hint
        ) from error
