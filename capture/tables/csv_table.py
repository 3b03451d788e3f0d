"""A CSV file as people and spreadsheets write it, as a table of text cells. Pure.

What could be read in two ways is refused in a sentence, never guessed; the numbers in the
cells are read by csv_numbers.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.csv_numbers import Cell, read_numbers
from coilbench.capture.tables.csv_out import unguarded

MAX_BYTES = 20_000_000  # ours: about a million samples, hours of pressing

_LINE_END = re.compile(r"\r\n|\n|\r")
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
_DELIMITER_NAMES = {",": "commas", ";": "semicolons", "\t": "tabs"}


@dataclass(frozen=True)
class Table:
    """A header and its rows, every cell still text.

    Attributes:
        name: the file's name, for messages.
        columns: the header's names in lower case, in file order.
        lines: the line number of each row in the file, from 1.
        rows: the cells of each row, stripped of blanks, one for every column.
        delimiter: a comma, a semicolon or a tab.
        header_line: the header's line number.
    """

    name: str
    columns: tuple[str, ...]
    lines: tuple[int, ...]
    rows: tuple[tuple[str, ...], ...]
    delimiter: str
    header_line: int

    def where(self, row: int) -> str:
        """Say where a row stands, for a message."""
        return f"{self.name}, line {self.lines[row]}"

    def texts(self, column: str) -> tuple[str, ...]:
        """Return a column's cells, an apostrophe that guards a formula taken off.

        Raises:
            CoilbenchError: a cell is empty.
        """
        index = self.columns.index(column)
        cells = tuple(row[index] for row in self.rows)
        if "" in cells:
            raise CoilbenchError(
                f"column {column!r} is empty",
                where=self.where(cells.index("")),
                mend="Fill the cell, or delete the row",
            )
        return tuple(unguarded(cell) for cell in cells)

    def numbers(self, *columns: str) -> tuple[NDArray[np.float64], ...]:
        """Return columns as finite numbers, the decimal sign proven from all of them together.

        Args:
            columns: every column of the file that holds numbers, so that each can be proof.

        Returns:
            One array of shape (rows,) for each column asked for.

        Raises:
            CoilbenchError: a cell is empty, text, not finite, or can be read in two ways.
        """
        indices = [self.columns.index(column) for column in columns]
        cells = [
            Cell(row[index], self.columns[index], self.name, line)
            for line, row in zip(self.lines, self.rows, strict=True)
            for index in indices
        ]
        values = read_numbers(cells, point_is_decimal=self.delimiter == ",")
        return tuple(values.reshape(len(self.rows), len(indices)).T)


def read_table(data: bytes, name: str) -> Table:
    """Read a CSV file's bytes.

    UTF-8 with or without a byte-order mark, UTF-16 with one, else Windows-1252; lines end with
    LF, CRLF or a lone CR; commas, semicolons or tabs between the cells, as the header has them.
    Lines that begin with # and blank lines are skipped. Columns without a name and without
    content at the right edge, which spreadsheets leave, are dropped.

    Args:
        data: the file's content.
        name: the file's name, for messages.

    Raises:
        CoilbenchError: not a text file, no header row, no rows, a torn row, a name twice.
    """
    if len(data) > MAX_BYTES:
        raise CoilbenchError(
            f"the file holds {len(data) / 1e6:.0f} MB, more than the {MAX_BYTES / 1e6:.0f} MB of "
            "any sensible sweep",
            where=name,
            mend="Name a CSV file with the columns that are needed",
        )
    lines = _content_lines(_decode(data, name))
    header_line, header = next(lines, (0, ""))
    if header_line == 0:
        raise CoilbenchError("the file is empty", where=name, mend="Name a CSV file with rows")
    delimiter = _find_delimiter(header, f"{name}, line {header_line}")
    names = [cell.lower() for cell in _split(header, delimiter, f"{name}, line {header_line}")]
    numbered = []
    for line, text in lines:
        cells = _split(text, delimiter, f"{name}, line {line}")
        if cells[0].startswith("#") or not any(cells):
            continue  # a comment that a spreadsheet has quoted, or a blank row: ";;;"
        _check_width(cells, names, delimiter, f"{name}, line {line}")
        numbered.append((line, cells))
    if not numbered:
        raise CoilbenchError(
            "the file has a header but no rows", where=name, mend="Put the readings below it"
        )
    width = _used_width(names, [cells for _, cells in numbered])
    _check_names(names[:width], f"{name}, line {header_line}")
    return Table(
        name=name,
        columns=tuple(names[:width]),
        lines=tuple(line for line, _ in numbered),
        rows=tuple(tuple(cells[:width]) for _, cells in numbered),
        delimiter=delimiter,
        header_line=header_line,
    )


def _decode(data: bytes, name: str) -> str:
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encodings = ["utf-16"]
    elif data.startswith(codecs.BOM_UTF8):
        encodings = ["utf-8-sig"]
    else:
        encodings = ["utf-8", "cp1252"]
    for encoding in encodings:
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if _CONTROL.search(text) is None:
            return text
        break
    raise CoilbenchError(
        "this is not a text file", where=name, mend="Save it from the spreadsheet as CSV (UTF-8)"
    )


def _content_lines(text: str) -> Iterator[tuple[int, str]]:
    for number, line in enumerate(_LINE_END.split(text), start=1):
        stripped = line.strip()
        if stripped and not stripped.startswith(("#", '"#')):
            yield number, line


def _find_delimiter(header: str, where: str) -> str:
    for delimiter in (";", "\t", ","):
        if delimiter in header:
            return delimiter
    _check_names([header.strip()], where)
    parted = "blanks" if " " in header.strip() else "nothing"
    raise CoilbenchError(
        f"the header row has {parted} between its columns",
        where=where,
        mend="Separate the cells with commas, semicolons or tabs",
    )


def _split(line: str, delimiter: str, where: str) -> list[str]:
    if '"' not in line:
        return [cell.strip() for cell in line.split(delimiter)]
    try:
        (cells,) = csv.reader([line], delimiter=delimiter, skipinitialspace=True, strict=True)
    except csv.Error as error:
        raise CoilbenchError(
            "a quoted cell is not closed on its line",
            where=where,
            mend="Close the quotes, and keep each row on one line",
        ) from error
    return [cell.strip() for cell in cells]


def _check_width(cells: list[str], names: list[str], delimiter: str, where: str) -> None:
    if len(cells) == len(names):
        return
    what = f"the row has {len(cells)} cells and the header {len(names)}"
    if len(cells) > len(names) and delimiter == ",":
        raise CoilbenchError(
            f"{what}: decimal commas in a file that has commas between its cells, or a torn row",
            where=where,
            mend="Put semicolons between the cells, or write decimals with a point",
        )
    raise CoilbenchError(
        f"{what}: a torn row, or not {_DELIMITER_NAMES[delimiter]} between its cells",
        where=where,
        mend="Mend the row, or delete it",
    )


def _used_width(names: list[str], rows: list[list[str]]) -> int:
    width = len(names)
    while width > 1 and names[width - 1] == "" and not any(row[width - 1] for row in rows):
        width -= 1
    return width


def _check_names(names: list[str], where: str) -> None:
    for position, name in enumerate(names, start=1):
        if name == "":
            raise CoilbenchError(
                f"column {position} has no name", where=where, mend="Name it, or delete the column"
            )
        if not name[0].isalpha():
            raise CoilbenchError(
                f"the first row is no header: {name[:40]!r} is not a column's name",
                where=where,
                mend="Put a row with the columns' names on top, such as label,height_mm,load_kg",
            )
        if name in names[: position - 1]:
            raise CoilbenchError(
                f"the column {name!r} is there twice", where=where, mend="Delete one of them"
            )
