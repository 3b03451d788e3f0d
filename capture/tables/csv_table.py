"""CSV files: written so that spreadsheets run no formula in them, read as a table of text. Pure.

A spreadsheet takes a cell that begins with = + - @, some also in full width (JIS X 0208), for a
formula, wherever it came from. A text cell that begins so gets an apostrophe before it, which our
reader removes again; numbers are never changed. The list of signs, with tab and CR: OWASP, "CSV
Injection" (from memory). A # is guarded too, since a row that begins with it is a comment in our
files.

What could be read in two ways is refused, never guessed. The decimal sign is proven from the file's
own cells: "17,700" alone is seventeen in one country and seventeen thousand in another, and a load
wrong by a thousand may look right.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.plain import plain
from coilbench.capture.units import MOST

_SIGNS = r"[=+\-@\t\r#＝＋－＠]"
_NEEDS_GUARD = re.compile(rf"'*{_SIGNS}")
_GUARDED = re.compile(rf"'+{_SIGNS}")
_CONTROL_OUT = re.compile(r"[\x00-\x08\n-\x1f\x7f]+")

Cell = str | float | int | None


def guarded(text: str) -> str:
    """Return a text cell that no spreadsheet takes for a formula."""
    return f"'{text}" if _NEEDS_GUARD.match(text) else text


def unguarded(cell: str) -> str:
    """Return the text that `guarded` was given; a cell without a guard is returned unchanged."""
    return cell[1:] if _GUARDED.match(cell) else cell


def csv_bytes(
    columns: Sequence[str], rows: Iterable[Sequence[Cell]], comments: Sequence[str] = ()
) -> bytes:
    """Write a CSV file: comments, a header, one row per line; commas, points, UTF-8.

    Floats are written exactly (Python's repr); None is an empty cell. Line ends and other control
    characters inside a text become a blank, since a row is one line; what else would hide or turn
    round its neighbours is made visible. A byte-order mark is written only where a spreadsheet
    needs it.

    Args:
        comments: lines at the top, without the #.
    """
    out = io.StringIO()
    for comment in comments:
        out.write(f"# {_one_line(comment)}\n")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows([_cell(cell) for cell in row] for row in rows)
    text = out.getvalue()
    return text.encode("utf-8" if text.isascii() else "utf-8-sig")


def _cell(cell: Cell) -> str | float | int:
    if cell is None:
        return ""
    return _one_line(guarded(cell)) if isinstance(cell, str) else cell


def _one_line(text: str) -> str:
    return plain(_CONTROL_OUT.sub(" ", text))


_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?")
_TWO_READINGS = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")
_GROUPED = re.compile(r"[+-]?[0-9]{1,3}(?:[.,'’ \u00a0\u202f][0-9]{3})+(?:[.,][0-9]*)?")


class NumberCell(NamedTuple):
    """One cell and where it is."""

    text: str
    column: str
    name: str
    line: int

    def refuse(self, why: str, hint: str) -> CoilbenchError:
        """Return the error that names this cell."""
        shown = repr(self.text if len(self.text) <= 40 else self.text[:40] + "…")
        return CoilbenchError(
            f"column {self.column!r}: {shown} {why}",
            where=f"{self.name}, line {self.line}",
            hint=hint,
        )


def read_numbers(cells: Sequence[NumberCell], *, point_is_decimal: bool) -> NDArray[np.float64]:
    """Read a file's number cells, which all have the same decimal sign.

    A comma or a point is proven the decimal sign by any cell that is not one to three digits (the
    first not 0), the sign, and exactly three digits, as thousands are written.

    Args:
        point_is_decimal: a point needs no proof (the cells are separated by commas).

    Returns:
        Shape (len(cells),), finite.

    Raises:
        CoilbenchError: a cell is not a finite number; both signs occur; or no cell proves the
            decimal sign.
    """
    for cell in cells:
        if _NUMBER.fullmatch(cell.text) is None:
            raise _not_a_number(cell)
    commas = [cell for cell in cells if "," in cell.text]
    points = [cell for cell in cells if "." in cell.text]
    if commas and points:
        raise commas[0].refuse(
            f"has a comma, and {points[0].text!r} in line {points[0].line} a point: either may be "
            "the decimal sign",
            "Write all numbers with the same decimal sign and without thousand separators",
        )
    _check_proof(commas)
    _check_proof([] if point_is_decimal else points)
    values = np.array([float(cell.text.replace(",", ".")) for cell in cells], dtype=np.float64)
    beyond = np.flatnonzero(~(np.abs(values) <= MOST))
    if beyond.size:
        raise cells[int(beyond[0])].refuse("is too large", "Write a number that can be")
    return values


def _check_proof(signed: Sequence[NumberCell]) -> None:
    if not signed or any(_TWO_READINGS.fullmatch(cell.text) is None for cell in signed):
        return
    digits = re.sub(r"[.,]", "", signed[0].text)
    raise signed[0].refuse(
        "may be a decimal or a thousand, and no other number in the file decides it",
        f"Write it with four decimals ({signed[0].text}0), or, if thousands are meant, without "
        f"the sign ({digits})",
    )


def _not_a_number(cell: NumberCell) -> CoilbenchError:
    if cell.text == "":
        return CoilbenchError(
            f"column {cell.column!r} is empty",
            where=f"{cell.name}, line {cell.line}",
            hint="Fill the cell, or delete the row",
        )
    if cell.text.lower().lstrip("+-") in ("nan", "inf", "infinity"):
        return cell.refuse("is not a finite number", "Fill the cell, or delete the row")
    if _GROUPED.fullmatch(cell.text):
        return cell.refuse("has thousand separators", "Save the file without thousand separators")
    return cell.refuse(
        "is not a number", "Write numbers only; the unit belongs in the column's name"
    )


# Ours: a stroke of three minutes at a thousand samples a second, or a sheet of a hundred heights.
MAX_BYTES, MOST_ROWS, MOST_COLUMNS = 8_000_000, 200_000, 200

_LINE_END = re.compile(r"\r\n|\n|\r")
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
_DELIMITER_NAMES = {",": "commas", ";": "semicolons", "\t": "tabs"}


class Table(msgspec.Struct, frozen=True):
    """A header and its rows, every cell still text.

    Attributes:
        lines: the line number of each row in the file, from 1.
        rows: the cells of each row, stripped of blanks, one for every column.
        delimiter: a comma, a semicolon or a tab.
    """

    name: str
    columns: tuple[str, ...]
    lines: tuple[int, ...]
    rows: tuple[tuple[str, ...], ...]
    delimiter: str
    header_line: int

    def where(self, row: int) -> str:
        """Return the place of a row, for a message."""
        return f"{self.name}, line {self.lines[row]}"

    def refuse(self, what: str, hint: str) -> CoilbenchError:
        """Return the error of the whole table."""
        return CoilbenchError(what, where=self.name, hint=hint)

    def refuse_header(self, what: str, hint: str) -> CoilbenchError:
        """Return the error of its columns' names."""
        return CoilbenchError(what, where=f"{self.name}, line {self.header_line}", hint=hint)

    def texts(self, column: str) -> tuple[str, ...]:
        """Return a column's cells, without the apostrophe that guards a formula.

        Raises:
            CoilbenchError: a cell is empty.
        """
        index = self.columns.index(column)
        cells = tuple(row[index] for row in self.rows)
        if "" in cells:
            raise CoilbenchError(
                f"column {column!r} is empty",
                where=self.where(cells.index("")),
                hint="Fill the cell, or delete the row",
            )
        return tuple(unguarded(cell) for cell in cells)

    def numbers(self, *columns: str) -> tuple[NDArray[np.float64], ...]:
        """Return columns as finite numbers, with one decimal sign proven from all of them.

        Args:
            columns: every column of the file that holds numbers.

        Returns:
            One array of shape (rows,) for each column asked for.

        Raises:
            CoilbenchError: a cell is empty, text, not finite, or can be read in two ways.
        """
        indices = [self.columns.index(column) for column in columns]
        cells = [
            NumberCell(row[index], self.columns[index], self.name, line)
            for line, row in zip(self.lines, self.rows, strict=True)
            for index in indices
        ]
        values = read_numbers(cells, point_is_decimal=self.delimiter == ",")
        return tuple(values.reshape(len(self.rows), len(indices)).T)


def plain_name(cell: str) -> str:
    """Return a column's name as our files write it: "Height (mm)" is height_mm.

    Upper case, blanks, brackets and a unit's sign make no difference.
    """
    bare = unguarded(cell).lower().replace('"', "in")
    return re.sub(r"_*[\s()\[\]{}/:;]+_*|,\s+", "_", bare).strip("_.")


def read_table(data: bytes, name: str) -> Table:
    """Read a CSV file's bytes.

    UTF-8 with or without a byte-order mark, UTF-16 with one, else Windows-1252; lines end with
    LF, CRLF or a lone CR; commas, semicolons or tabs between the cells, as the header has them.
    Lines that begin with # and blank lines are skipped, and so are empty columns without a name at
    the right edge, which spreadsheets leave.

    Raises:
        CoilbenchError: not a text file, no header row, no rows, a broken row, a name twice.
    """
    if len(data) > MAX_BYTES:
        raise CoilbenchError(
            f"the file has more than {MAX_BYTES / 1e6:.0f} MB",
            where=name,
            hint="Give a CSV file with one stroke, or with points only",
        )
    lines = _content_lines(_decode(data, name))
    header_line, header = next(lines, (0, ""))
    if header_line == 0:
        raise CoilbenchError("the file is empty", where=name, hint="Give a CSV file with rows")
    delimiter = _find_delimiter(header, f"{name}, line {header_line}")
    if header.count(delimiter) >= MOST_COLUMNS:
        raise CoilbenchError(
            f"more than {MOST_COLUMNS} columns",
            where=name,
            hint="Delete those that are not asked for",
        )
    names = [plain_name(cell) for cell in _split(header, delimiter, f"{name}, line {header_line}")]
    numbered: list[tuple[int, list[str]]] = []
    for line, text in lines:
        if len(numbered) == MOST_ROWS:
            raise CoilbenchError(
                f"more than {MOST_ROWS} rows", where=name, hint="Give one stroke, or points, a file"
            )
        cells = _split(text, delimiter, f"{name}, line {line}")
        if cells[0].startswith("#") or not any(cells):
            continue  # a comment that a spreadsheet has quoted, or a blank row: ";;;"
        _check_width(cells, names, delimiter, f"{name}, line {line}")
        numbered.append((line, cells))
    if not numbered:
        raise CoilbenchError(
            "the file has a header but no rows",
            where=name,
            hint="Put the readings below it",
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
        "this is not a text file", where=name, hint="Save it from the spreadsheet as CSV (UTF-8)"
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
    raise CoilbenchError(
        "the header row has no comma, semicolon or tab between its columns",
        where=where,
        hint="Separate the cells with commas, semicolons or tabs",
    )


def _split(line: str, delimiter: str, where: str) -> list[str]:
    if line.count(delimiter) >= 2 * MOST_COLUMNS:  # quoted cells may hold some
        raise CoilbenchError(
            f"the row has more than {MOST_COLUMNS} cells", where=where, hint="Correct or delete it"
        )
    if '"' not in line:
        return [cell.strip() for cell in line.split(delimiter)]
    try:
        (cells,) = csv.reader([line], delimiter=delimiter, skipinitialspace=True, strict=True)
    except csv.Error as error:
        raise CoilbenchError(
            "a quoted cell is not closed on its line",
            where=where,
            hint="Close the quotes, and keep each row on one line",
        ) from error
    return [cell.strip() for cell in cells]


def _check_width(cells: list[str], names: list[str], delimiter: str, where: str) -> None:
    if len(cells) == len(names):
        return
    what = f"the row has {len(cells)} cells and the header {len(names)}"
    if len(cells) > len(names) and delimiter == ",":
        raise CoilbenchError(
            f"{what}: decimal commas in a file that has commas between its cells, or a broken row",
            where=where,
            hint="Put semicolons between the cells, or write decimals with a point",
        )
    raise CoilbenchError(
        f"{what}: a broken row, or not {_DELIMITER_NAMES[delimiter]} between its cells",
        where=where,
        hint="Correct the row, or delete it",
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
                f"column {position} has no name", where=where, hint="Name it, or delete the column"
            )
        if not any(letter.isalpha() for letter in name):
            raise CoilbenchError(
                f"the first row is not a header: {name[:40]!r} is not a column name",
                where=where,
                hint="Put a row of column names on top, such as label,height_mm,load_kg",
            )
        if name in names[: position - 1]:
            raise CoilbenchError(
                f"duplicate column {name!r}", where=where, hint="Delete one of them"
            )
