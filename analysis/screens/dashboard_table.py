"""The dashboard's table of the set, as lines. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.text import Text

from coilbench.capture.units import Units


@dataclass(frozen=True)
class SpringRow:
    """One spring's line in the set's table.

    Attributes:
        loads_n: at the table's heights; None where not measured.
        flags: kinds of its flags.
        reasons: a sentence for each flag.
    """

    label: str
    strokes: int
    loads_n: tuple[float | None, ...]
    flags: tuple[str, ...]
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True)
class SetTable:
    """The set's table: the heights it reads at, and a row a spring in turn order.

    Attributes:
        solid_mm: the expected solid height: the set's own, else the highest that was measured;
            None where none is known.
        nominal_mm: heights at which the set has a nominal load.
        band: (height_mm, lowest_n, highest_n) over the springs measured so far.
    """

    heights_mm: tuple[float, ...]
    strokes_wanted: int
    rows: tuple[SpringRow, ...]
    solid_mm: float | None = None
    nominal_mm: tuple[float, ...] = ()
    band: tuple[tuple[float, float, float], ...] = ()


def table_lines(table: SetTable, current: str | None, units: Units, room: int) -> list[Text]:
    """Return the table in at most `room` lines, the spring whose turn it is in view."""
    rows = _around(table.rows, current, max(1, room - 1))
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
    return lines


def reason_lines(table: SetTable, room: int) -> list[Text]:
    """Return why springs are flagged, at most `room` lines; what is left out is counted."""
    reasons = [
        Text.assemble((f"{row.label} {flag}", "bold red"), f": {reason}")
        for row in table.rows
        for flag, reason in zip(row.flags, row.reasons, strict=False)
    ]
    if len(reasons) > room > 0:
        more = len(reasons) - room + 1
        reasons = [*reasons[: room - 1], Text(f"and {more} more: coilbench set check --why LABEL")]
    return reasons[:room]


def _around(rows: Sequence[SpringRow], current: str | None, most: int) -> Sequence[SpringRow]:
    """Return at most so many rows, the current one among them."""
    if len(rows) <= most:
        return rows
    place = next((at for at, row in enumerate(rows) if row.label == current), len(rows) - 1)
    first = min(max(0, place - most + 2), len(rows) - most)
    return rows[first : first + most]
