"""Columns of CSV files, with the units in their names; calibration points from them. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeVar

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.capture.calibration.keyed_setup import ScalePoint
from coilbench.capture.calibration.known_points import FlexPoint, GaugePoint, LoadPoint
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.csv_table import Table
from coilbench.capture.unit_factors import INCH_MM, KGF_N, LBF_N, POUND_KG

# Passed over, with a word; any other unknown column is refused, since it may be a wrong name.
REMARKS = frozenset(
    ("remark", "remarks", "note", "notes", "comment", "comments", "date", "time", "operator")
)


class Quantity(msgspec.Struct, frozen=True):
    """What one column of a kind of file holds."""

    key: str  # the quantity's name inside the program, with its unit
    factors: Mapping[str, float]
    required: bool = True  # whether the file is refused without it
    text: bool = False
    least: float | None = None  # the smallest number allowed; None for any

    @classmethod
    def plain(cls, name: str, *, required: bool = True, text: bool = False) -> Quantity:
        """Return the quantity of a column with one name."""
        return cls(name, {name: 1.0}, required, text)

    @property
    def usual_name(self) -> str:
        """The column's name in messages."""
        return next(iter(self.factors))


HEIGHT = Quantity("height_mm", {"height_mm": 1.0, "height_in": INCH_MM})
DEPTH = Quantity("depth_mm", {"depth_mm": 1.0, "depth_in": INCH_MM})
LENGTH = Quantity("length_mm", {"length_mm": 1.0, "length_in": INCH_MM}, least=0.0)
LENGTH_U = Quantity("u_mm", {"u_mm": 1.0, "u_in": INCH_MM}, required=False, least=0.0)
MASS = Quantity("mass_kg", {"mass_kg": 1.0, "mass_lb": POUND_KG, "mass_lbs": POUND_KG}, least=0.0)
MASS_U = Quantity("u_kg", {"u_kg": 1.0, "u_lb": POUND_KG}, required=False, least=0.0)
SHOWN = Quantity("shown_kg", {"shown_kg": 1.0, "shown_lb": POUND_KG})
DIRECTION = Quantity.plain("direction", required=False, text=True)
_LABELS = ("label", "spring", "spring_#", "spring#", "spring_no", "spring_nr", "spring_number")
LABEL = Quantity("label", dict.fromkeys(_LABELS, 1.0), text=True)
_LOAD_UNITS = {"kg": KGF_N, "n": 1.0, "lbf": LBF_N, "kgf": KGF_N, "lb": LBF_N, "lbs": LBF_N}


def _load_like(key: str, stem: str, *, required: bool = False) -> Quantity:
    factors = {f"{stem}_{unit}": factor for unit, factor in _LOAD_UNITS.items()}
    return Quantity(key, factors, required, least=None if required else 0.0)


LOAD = _load_like("load_n", "load", required=True)
LOAD_U = _load_like("load_u_n", "u")  # expanded, k = 2
TARE = _load_like("tare_n", "tare")
LEVER = Quantity("lever", {"lever": 1.0}, required=False, least=0.0)
SCALE = Quantity.plain("scale", required=False, text=True)


class Columns(msgspec.Struct, frozen=True):
    """A table's columns, converted.

    Attributes:
        numbers: by key, shape (rows,), in the key's unit; without optional columns that are absent.
        texts: by key, one text per row; without optional columns that are absent.
        passed_over: the names of columns that hold remarks.
    """

    table: Table
    numbers: Mapping[str, NDArray[np.float64]]
    texts: Mapping[str, tuple[str, ...]]
    passed_over: tuple[str, ...] = ()

    def go(self, first: str, second: str) -> NDArray[np.bool_]:
        """Return whether each row's direction is the first one, the default; shape (rows,).

        Raises:
            CoilbenchError: a direction is neither of the two.
        """
        if "direction" not in self.texts:
            return np.ones(len(self.table.rows), dtype=np.bool_)
        found = np.array([text.lower() for text in self.texts["direction"]])
        wrong = ~np.isin(found, (first, second))
        refuse_rows(self.table, wrong, f"direction is {first} or {second}")
        return np.asarray(found == first)


def read_columns(
    table: Table, kind: str, quantities: tuple[Quantity, ...], *, remarks: bool = False
) -> Columns:
    """Find each quantity's column and read it.

    Args:
        kind: of file, for messages ("load calibration").
        remarks: whether columns of REMARKS are passed over, else refused as any other.

    Raises:
        CoilbenchError: a column is missing, unknown, or there in two units; or a cell cannot be
            read or is below its least value.
    """
    hint = f"A {kind} file has the columns {_expected(quantities)}"
    found: dict[str, Quantity] = {}
    for quantity in quantities:
        names = [name for name in table.columns if name in quantity.factors]
        if len(names) > 1:
            what = f"{names[0]!r} and {names[1]!r} are the same quantity in two units"
            raise table.refuse_header(what, "Delete one of them")
        if not names and quantity.required:
            raise table.refuse_header(_missing(table, quantity), hint)
        found |= dict.fromkeys(names, quantity)
    passed_over = tuple(n for n in table.columns if remarks and n in REMARKS and n not in found)
    extra = [repr(name[:40]) for name in table.columns if name not in (*found, *passed_over)]
    if extra:
        plural = "s" if len(extra) > 1 else ""
        raise table.refuse_header(f"unknown column{plural} {', '.join(extra[:5])}", hint)
    number_names = [name for name, quantity in found.items() if not quantity.text]
    numbers = {
        found[name].key: values * found[name].factors[name]
        for name, values in zip(number_names, table.numbers(*number_names), strict=True)
    }
    for name in number_names:
        if (least := found[name].least) is not None:
            refuse_rows(
                table, numbers[found[name].key] < least, f"{name} must be {least:g} or more"
            )
    texts = {quantity.key: table.texts(name) for name, quantity in found.items() if quantity.text}
    return Columns(table, numbers, texts, passed_over)


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


def refuse_rows(table: Table, wrong: NDArray[np.bool_], rule: str, **facts: float) -> None:
    """Refuse a table with rows that break a rule.

    Args:
        wrong: shape (rows,), true where the rule is broken.
        rule: as a sentence, for the message, with the facts it names.

    Raises:
        CoilbenchError: a row is wrong; it names the first.
    """
    rows = np.flatnonzero(wrong)
    if rows.size:
        row = int(rows[0])
        raise CoilbenchError(
            f"{rule}: {{row!r}}",
            where=table.where(row),
            hint="Correct the row, or delete it",
            row=table.delimiter.join(table.rows[row])[:80],
            **facts,
        )


Point = TypeVar("Point", LoadPoint, ScalePoint, GaugePoint, FlexPoint)
_COUNTS = Quantity.plain("counts")
# What a calibration file holds, and its columns: the keys are the points' fields.
_CALIBRATIONS: dict[type, tuple[str, tuple[Quantity, ...]]] = {
    LoadPoint: ("load calibration", (MASS, _COUNTS, DIRECTION, MASS_U)),
    ScalePoint: ("scale calibration", (MASS, SHOWN, DIRECTION, MASS_U)),
    GaugePoint: ("travel calibration", (LENGTH, _COUNTS, LENGTH_U)),
    FlexPoint: ("press flex", tuple(map(Quantity.plain, ("load_counts", "travel_counts")))),
}


def read_points(table: Table, of: type[Point]) -> tuple[Point, ...]:
    """Read calibration points.

    `mass_kg,counts[,direction][,u_kg]` of the load, `mass_kg,shown_kg[,direction][,u_kg]` of a
    scale, `length_mm,counts[,u_mm]` of the travel, `load_counts,travel_counts` of the press flex.

    Raises:
        CoilbenchError: a wrong column, cell or direction, or a negative mass, length or
            uncertainty.
    """
    kind, quantities = _CALIBRATIONS[of]
    found = read_columns(table, kind, quantities)
    columns: dict[str, list[float] | list[str]] = {
        key: numbers.tolist() for key, numbers in found.numbers.items()
    }
    if DIRECTION in quantities:
        up = found.go("up", "down")
        columns["direction"] = ["up" if each else "down" for each in up]
    rows = zip(*columns.values(), strict=True)
    return tuple(of(**dict(zip(columns, row, strict=True))) for row in rows)
