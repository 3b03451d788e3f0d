"""Column names as people write them, and sheets with a row a spring and a column a height. Pure."""

from __future__ import annotations

import re
from dataclasses import replace

from coilbench.capture.tables.csv_table import Table
from coilbench.capture.unit_factors import INCH_MM
from coilbench.capture.units import parse_number

# Passed over, with a word; any other unknown column is refused, since it may be a wrong name.
REMARKS = frozenset(
    ("remark", "remarks", "note", "notes", "comment", "comments", "date", "time", "operator")
)
_LOAD = r"(kgf?|n|lbf|lbs?)"
_AT_HEIGHT = re.compile(
    rf"(?:load_)?(?:{_LOAD}_)?(?:at_)?([0-9]+(?:[.,][0-9]+)?)_?(mm|in)(?:_{_LOAD})?"
)


def is_wide(table: Table) -> bool:
    """Whether a row is a spring and some columns are heights, like `38.5 mm kg`."""
    return any(_AT_HEIGHT.fullmatch(name) for name in table.columns)


def as_points(table: Table) -> Table:
    """Return a wide sheet as a table of points, a row a reading; empty cells were not read.

    Raises:
        CoilbenchError: a height's column doesn't say in which unit its loads are, or the columns
            differ in it.
    """
    heights = {i: m for i, name in enumerate(table.columns) if (m := _AT_HEIGHT.fullmatch(name))}
    units = {m[1] or m[4] for m in heights.values()}
    if len(units) > 1 or None in units:
        raise table.refuse_header(
            "the columns at heights don't all say the same unit of load",
            "Name each like '38.5 mm kg'",
        )
    (unit,) = units
    others = [i for i in range(len(table.columns)) if i not in heights]
    commas = table.delimiter != "," and any("," in row[i] for row in table.rows for i in heights)
    lines, rows = [], []
    for line, row in zip(table.lines, table.rows, strict=True):
        for i, match in heights.items():
            if row[i]:
                height_mm = parse_number(match[2]) * (INCH_MM if match[3] == "in" else 1.0)
                shown = f"{height_mm:.10g}".replace(".", "," if commas else ".")
                rows.append((*(row[other] for other in others), shown, row[i]))
                lines.append(line)
    if not rows:
        raise table.refuse("no cell of the sheet holds a load", "Fill in what was read")
    names = (*(table.columns[i] for i in others), "height_mm", f"load_{unit}")
    return replace(table, columns=names, lines=tuple(lines), rows=tuple(rows))
