"""CSV files as `export` writes them, guarded against spreadsheets that run formulas. Pure.

A spreadsheet takes a cell that begins with = + - @ for a formula, wherever it came from. A text
cell that begins so gets an apostrophe before it, which a reader of ours takes off again; numbers
are never touched. The list of signs, with tab and CR: OWASP, "CSV Injection" (from memory). A #
is guarded too, since a row that begins with it is a comment in our files.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence

_NEEDS_GUARD = re.compile(r"'*[=+\-@\t\r#]")
_GUARDED = re.compile(r"'+[=+\-@\t\r#]")
_CONTROL = re.compile(r"[\x00-\x08\n-\x1f\x7f]+")

Cell = str | float | int | None


def guarded(text: str) -> str:
    """Return a text cell that no spreadsheet takes for a formula."""
    return f"'{text}" if _NEEDS_GUARD.match(text) else text


def unguarded(cell: str) -> str:
    """Return the text that `guarded` was given; a cell without a guard stays as it is."""
    return cell[1:] if _GUARDED.match(cell) else cell


def csv_bytes(
    columns: Sequence[str], rows: Iterable[Sequence[Cell]], comments: Sequence[str] = ()
) -> bytes:
    """Write a CSV file: comments, a header, a row a line; commas, points, UTF-8.

    Floats are written to their last bit (Python's repr); None is an empty cell. A line end or
    another control sign inside a text becomes a blank, since our readers hold a row to a line. A
    byte-order mark is there only where a spreadsheet needs it to read the text right.

    Args:
        columns: the header's names.
        rows: a cell for every column.
        comments: lines for the top, without the #.
    """
    out = io.StringIO()
    for comment in comments:
        out.write(f"# {_CONTROL.sub(' ', comment)}\n")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([_cell(cell) for cell in row] for row in rows)
    text = out.getvalue()
    return text.encode("utf-8" if text.isascii() else "utf-8-sig")


def _cell(cell: Cell) -> str | float | int:
    if cell is None:
        return ""
    return _CONTROL.sub(" ", guarded(cell)) if isinstance(cell, str) else cell
