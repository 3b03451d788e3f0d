"""Tables on the screen: plain, whole on a narrow screen, their cells never markup."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Literal

from rich.cells import cell_len
from rich.table import Table

from coilbench.analysis.cli.plain_console import PlainConsole
from coilbench.analysis.report.units import Units
from coilbench.capture.plain import plain_line

_GAP = 2  # blanks between columns


def console(width: int | None = None) -> PlainConsole:
    """Return the console for tables; what a user typed is never parsed as markup."""
    return PlainConsole(width=width)


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
    """Return how wide a `plain_table` is, whole: Rich would tell too, ten times slower."""
    texts = [(str(column.header), *map(str, column.cells)) for column in table.columns]
    widths = [max(cell_len(line) for text in own for line in text.split("\n")) for own in texts]
    return sum(widths) + _GAP * (len(widths) - 1)


def plain_table(*titles: str, rows: Iterable[Sequence[str]] = ()) -> Table:
    """Return a table without lines, for `console`; a title after `>` is a column of numbers."""
    table = Table(box=None, pad_edge=False, header_style="bold", padding=(0, _GAP // 2))
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
