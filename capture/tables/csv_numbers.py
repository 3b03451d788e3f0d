"""Numbers in CSV cells, whichever decimal sign the file has. Pure.

The sign is proven from the file's own cells, never guessed: "17,700" alone is seventeen in one
country and seventeen thousand in another, and a load wrong by a thousand may look right.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.errors import CoilbenchError

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?")
_TWO_READINGS = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")
_GROUPED = re.compile(r"[+-]?[0-9]{1,3}(?:[.,'’ \u00a0\u202f][0-9]{3})+(?:[.,][0-9]*)?")


class Cell(NamedTuple):
    """One cell and where it stands."""

    text: str
    column: str
    name: str
    line: int

    def refuse(self, why: str, mend: str) -> CoilbenchError:
        """Return the error that names this cell."""
        shown = repr(self.text if len(self.text) <= 40 else self.text[:40] + "…")
        return CoilbenchError(
            f"column {self.column!r}: {shown} {why}",
            where=f"{self.name}, line {self.line}",
            mend=mend,
        )


def read_numbers(cells: Sequence[Cell], *, point_is_decimal: bool) -> NDArray[np.float64]:
    """Read a file's number cells, the decimal sign being the same in all of them.

    A comma or a point is the decimal sign if some cell proves it: anything but one to three
    digits (the first not 0), the sign, and exactly three digits, as thousands are written.

    Args:
        cells: every number cell of the file.
        point_is_decimal: a point needs no proof (the file has commas between its cells).

    Returns:
        Shape (len(cells),), finite.

    Raises:
        CoilbenchError: a cell is no finite number; both signs are there; or nothing proves which
            sign it is.
    """
    for cell in cells:
        if _NUMBER.fullmatch(cell.text) is None:
            raise _no_number(cell)
    commas = [cell for cell in cells if "," in cell.text]
    points = [cell for cell in cells if "." in cell.text]
    if commas and points:
        raise commas[0].refuse(
            f"has a comma, and {points[0].text!r} in line {points[0].line} a point: "
            "which one is the decimal sign cannot be told",
            "Write all numbers with the same decimal sign and without thousand separators",
        )
    _check_proof(commas)
    _check_proof([] if point_is_decimal else points)
    values = np.array([float(cell.text.replace(",", ".")) for cell in cells], dtype=np.float64)
    beyond = np.flatnonzero(~np.isfinite(values))
    if beyond.size:
        raise cells[int(beyond[0])].refuse("is too large", "Write a finite number")
    return values


def _check_proof(signed: Sequence[Cell]) -> None:
    if not signed or any(_TWO_READINGS.fullmatch(cell.text) is None for cell in signed):
        return
    digits = re.sub(r"[.,]", "", signed[0].text)
    raise signed[0].refuse(
        "may be a decimal or a thousand, and no other number in the file tells which",
        f"Write it with other than three decimals ({signed[0].text}0), or, if thousands are "
        f"meant, without the sign ({digits})",
    )


def _no_number(cell: Cell) -> CoilbenchError:
    if cell.text == "":
        return CoilbenchError(
            f"column {cell.column!r} is empty",
            where=f"{cell.name}, line {cell.line}",
            mend="Fill the cell, or delete the row",
        )
    if cell.text.lower().lstrip("+-") in ("nan", "inf", "infinity"):
        return cell.refuse("is not a finite number", "Fill the cell, or delete the row")
    if _GROUPED.fullmatch(cell.text):
        return cell.refuse("has thousand separators", "Save the file without thousand separators")
    return cell.refuse(
        "is not a number", "Write numbers only; the unit belongs in the column's name"
    )
