"""The set's table as lines of a frame, and why its springs are flagged. Pure."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from rich.text import Text

from coilbench.analysis.dashboard.scene import SetTable, SpringRow
from coilbench.analysis.report.units import Units


def table_lines(table: SetTable, current: str | None, units: Units, room: int) -> list[Text]:
    """Return the table in at most `room` lines, in view the spring whose turn it is.

    Where nobody's turn is known: the first that is unfinished, else the last.
    """
    open_ = (row.label for row in table.rows if row.strokes < table.strokes_wanted)
    rows = _around(table.rows, current or next(open_, None), max(1, room - 1))
    label = max([len("spring"), *(len(row.label) for row in rows)])
    titles = [units.length_text(height_mm) for height_mm in table.heights_mm]
    widths = [max(len(title), 6) for title in titles]
    heads = "".join(f"  {title:>{width}}" for title, width in zip(titles, widths, strict=True))
    lines = [Text(f" {'spring':<{label}}  kept{heads}  flags", "bold")]
    for row in rows:
        mark = ">" if row.label == current else " "
        loads = ["" if n is None else f"{units.load_value(n):.1f}" for n in row.loads_n]
        loads += [""] * (len(widths) - len(loads))
        cells = "".join(f"  {text:>{width}}" for text, width in zip(loads, widths, strict=False))
        kept = f"{row.strokes}/{table.strokes_wanted}"
        line = Text(f"{mark}{row.label:<{label}}  {kept:>4}{cells}  ")
        line.stylize("bold" if mark == ">" else "")
        line.append(" ".join(row.flags), "bold red")
        lines.append(line)
    return lines[:room]


def reason_lines(table: SetTable, width: int, room: int) -> list[Text]:
    """Return why springs are flagged, each reason whole, at most `room` lines; others counted."""
    reasons = [
        list(_reason(f"{row.label} {flag}", f"{row.label} {flag}: {reason}", width))
        for row in table.rows
        for flag, reason in zip(row.flags, row.reasons, strict=False)
    ]
    lines: list[Text] = []
    for at, reason in enumerate(reasons):
        left = len(reasons) - at
        if len(lines) + len(reason) + (left > 1) > room:
            more = f"and {left} more" if lines else f"{left} of them flagged"
            return [*lines, Text(f"{more}: coilbench set check --why LABEL")][:room]
        lines += reason
    return lines


def _reason(whose: str, words: str, width: int) -> Iterator[Text]:
    first, *rest = textwrap.wrap(words, width, subsequent_indent="  ", break_on_hyphens=False)
    yield Text.assemble((first[: len(whose)], "bold red"), first[len(whose) :])
    yield from map(Text, rest)


def _around(rows: Sequence[SpringRow], current: str | None, most: int) -> Sequence[SpringRow]:
    """Return at most this number of rows, the current one among them."""
    if len(rows) <= most:
        return rows
    place = next((at for at, row in enumerate(rows) if row.label == current), len(rows) - 1)
    first = min(max(0, place - most + 2), len(rows) - most)
    return rows[first : first + most]
