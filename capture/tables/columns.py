"""Which columns a CSV table must have, with the unit in their names honoured. Pure.

CSV tables into what a calibration is made from: masses, gauges, a block, a scale. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.calibration.regression import FlexPoint, GaugePoint, LoadPoint
from coilbench.capture.calibration.scale import ScalePoint
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.csv_table import Table
from coilbench.capture.units import INCH_MM, KGF_N, LBF_N

POUND_KG = 0.45359237  # exact: international yard and pound agreement, 1959


@dataclass(frozen=True)
class Quantity:
    """What one column of a kind of file holds.

    Attributes:
        key: the quantity's name, with its unit inside the program.
        factors: the names the column may have, the usual one first, each with what its numbers
            are multiplied by to be in the key's unit.
        required: whether the file is refused without it.
        text: whether its cells are words rather than numbers.
    """

    key: str
    factors: Mapping[str, float]
    required: bool = True
    text: bool = False

    @property
    def usual_name(self) -> str:
        """The column's name to suggest."""
        return next(iter(self.factors))


def plain(name: str, *, required: bool = True, text: bool = False) -> Quantity:
    """Return the quantity of a column that has one name only."""
    return Quantity(name, {name: 1.0}, required, text)


LOAD = Quantity("load_n", {"load_kg": KGF_N, "load_n": 1.0, "load_lbf": LBF_N})
HEIGHT = Quantity("height_mm", {"height_mm": 1.0, "height_in": INCH_MM})
DEPTH = Quantity("depth_mm", {"depth_mm": 1.0, "depth_in": INCH_MM})
LENGTH = Quantity("length_mm", {"length_mm": 1.0, "length_in": INCH_MM})
LENGTH_U = Quantity("u_mm", {"u_mm": 1.0, "u_in": INCH_MM}, required=False)
MASS = Quantity("mass_kg", {"mass_kg": 1.0, "mass_lb": POUND_KG})
MASS_U = Quantity("u_kg", {"u_kg": 1.0, "u_lb": POUND_KG}, required=False)
SHOWN = Quantity("shown_kg", {"shown_kg": 1.0, "shown_lb": POUND_KG})
DIRECTION = plain("direction", required=False, text=True)


@dataclass(frozen=True)
class Columns:
    """A table's columns, found and read.

    Attributes:
        numbers: by key, shape (rows,), in the key's unit; absent where an optional column is.
        texts: by key, one word a row; absent where an optional column is.
    """

    numbers: Mapping[str, NDArray[np.float64]]
    texts: Mapping[str, tuple[str, ...]]


def read_columns(table: Table, kind: str, quantities: tuple[Quantity, ...]) -> Columns:
    """Find each quantity's column and read it.

    Args:
        table: the file.
        kind: what the file is for, for messages ("load calibration").
        quantities: the columns the file may have.

    Raises:
        CoilbenchError: a column is missing, one too many, or there in two units; or a cell
            cannot be read.
    """
    where = f"{table.name}, line {table.header_line}"
    hint = f"A {kind} file has the columns {_expected(quantities)}"
    found: dict[str, Quantity] = {}
    for quantity in quantities:
        names = [name for name in table.columns if name in quantity.factors]
        if len(names) > 1:
            raise CoilbenchError(
                f"{names[0]!r} and {names[1]!r} say the same in two units",
                where=where,
                hint="Delete one of them",
            )
        if not names and quantity.required:
            raise CoilbenchError(_missing(table, quantity), where=where, hint=hint)
        found |= dict.fromkeys(names, quantity)
    extra = [repr(name[:40]) for name in table.columns if name not in found]
    if extra:
        plural = "s" if len(extra) > 1 else ""
        raise CoilbenchError(
            f"unknown column{plural} {', '.join(extra[:5])}", where=where, hint=hint
        )
    number_names = [name for name, quantity in found.items() if not quantity.text]
    numbers = {
        found[name].key: values * found[name].factors[name]
        for name, values in zip(number_names, table.numbers(*number_names), strict=True)
    }
    texts = {quantity.key: table.texts(name) for name, quantity in found.items() if quantity.text}
    return Columns(numbers, texts)


def _missing(table: Table, quantity: Quantity) -> str:
    stem = quantity.usual_name.rpartition("_")[0] + "_"
    alike = [name for name in table.columns if len(stem) > 1 and name.startswith(stem)]
    if len(quantity.factors) > 1 and alike:
        return f"the column {alike[0][:40]!r} is not in {_either(quantity)}"
    return f"the column {quantity.usual_name!r} is missing"


def _either(quantity: Quantity) -> str:
    units = [name.rpartition("_")[2] for name in quantity.factors]
    return f"{', '.join(units[:-1])} or {units[-1]}"


def _expected(quantities: tuple[Quantity, ...]) -> str:
    return ",".join(
        quantity.usual_name if quantity.required else f"[{quantity.usual_name}]"
        for quantity in quantities
    )


def read_directions(
    table: Table, texts: Mapping[str, Sequence[str]], *, first: str, second: str
) -> NDArray[np.bool_]:
    """Return whether each row's direction is the first one, as it is without the column.

    Args:
        table: the file.
        texts: its columns of words.
        first: the word for the first direction, such as `loading`.
        second: the word for the other one.

    Returns:
        Shape (rows,).

    Raises:
        CoilbenchError: another word.
    """
    if "direction" not in texts:
        return np.ones(len(table.rows), dtype=np.bool_)
    directions = np.array([text.lower() for text in texts["direction"]])
    refuse_rows(table, ~np.isin(directions, (first, second)), f"direction is {first} or {second}")
    return np.asarray(directions == first)


def refuse_rows(table: Table, wrong: NDArray[np.bool_], rule: str) -> None:
    """Refuse a table that breaks a rule.

    Args:
        table: the file.
        wrong: shape (rows,), true where the rule is broken.
        rule: the rule, in words.

    Raises:
        CoilbenchError: a row is wrong; it names the first one.
    """
    rows = np.flatnonzero(wrong)
    if rows.size:
        row = int(rows[0])
        raise CoilbenchError(
            f"{rule}: {table.delimiter.join(table.rows[row])[:80]!r}",
            where=table.where(row),
            hint="Mend the row, or delete it",
        )


def read_load_points(table: Table) -> tuple[LoadPoint, ...]:
    """Read known masses and the counts they gave: `mass_kg,counts[,direction][,u_kg]`.

    Raises:
        CoilbenchError: a wrong column, cell, direction, or a negative mass or uncertainty.
    """
    found = read_columns(table, "load calibration", (MASS, plain("counts"), DIRECTION, MASS_U))
    mass_kg, u_kg = found.numbers["mass_kg"], found.numbers.get("u_kg")
    refuse_rows(table, mass_kg < 0.0, "a mass is never negative")
    if u_kg is not None:
        refuse_rows(table, u_kg < 0.0, "an uncertainty is never negative")
    up = read_directions(table, found.texts, first="up", second="down")
    return tuple(
        LoadPoint(
            mass_kg=float(mass_kg[row]),
            counts=float(counts),
            direction="up" if up[row] else "down",
            u_kg=None if u_kg is None else float(u_kg[row]),
        )
        for row, counts in enumerate(found.numbers["counts"])
    )


def read_scale_points(table: Table) -> tuple[ScalePoint, ...]:
    """Read known masses and what a scale showed: `mass_kg,shown_kg[,direction][,u_kg]`.

    Raises:
        CoilbenchError: a wrong column, cell, direction, or a negative number.
    """
    found = read_columns(table, "scale calibration", (MASS, SHOWN, DIRECTION, MASS_U))
    mass_kg, u_kg = found.numbers["mass_kg"], found.numbers.get("u_kg")
    refuse_rows(table, mass_kg < 0.0, "a mass is never negative")
    if u_kg is not None:
        refuse_rows(table, u_kg < 0.0, "an uncertainty is never negative")
    up = read_directions(table, found.texts, first="up", second="down")
    return tuple(
        ScalePoint(
            mass_kg=float(mass_kg[row]),
            shown_kg=float(shown_kg),
            direction="up" if up[row] else "down",
            u_kg=None if u_kg is None else float(u_kg[row]),
        )
        for row, shown_kg in enumerate(found.numbers["shown_kg"])
    )


def read_gauge_points(table: Table) -> tuple[GaugePoint, ...]:
    """Read gauge lengths and the counts they gave: `length_mm,counts[,u_mm]`.

    Raises:
        CoilbenchError: a wrong column or cell, or a length or uncertainty out of bounds.
    """
    found = read_columns(table, "travel calibration", (LENGTH, plain("counts"), LENGTH_U))
    length_mm, u_mm = found.numbers["length_mm"], found.numbers.get("u_mm")
    refuse_rows(table, length_mm < 0.0, "a length is never negative")
    if u_mm is not None:
        refuse_rows(table, u_mm < 0.0, "an uncertainty is never negative")
    return tuple(
        GaugePoint(
            length_mm=float(length_mm[row]),
            counts=float(counts),
            u_mm=None if u_mm is None else float(u_mm[row]),
        )
        for row, counts in enumerate(found.numbers["counts"])
    )


def read_flex_points(table: Table) -> tuple[FlexPoint, ...]:
    """Read counts from pressing on a solid block: `load_counts,travel_counts`.

    Raises:
        CoilbenchError: a wrong column or cell.
    """
    found = read_columns(table, "press flex", (plain("load_counts"), plain("travel_counts")))
    return tuple(
        FlexPoint(load_counts=float(load), travel_counts=float(travel))
        for load, travel in zip(
            found.numbers["load_counts"], found.numbers["travel_counts"], strict=True
        )
    )
