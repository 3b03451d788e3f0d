"""CSV tables into what a calibration is made from: masses, gauges, a block, a scale. Pure."""

from __future__ import annotations

from coilbench.capture.calibration.points import FlexPoint, GaugePoint, LoadPoint
from coilbench.capture.calibration.scale import ScalePoint
from coilbench.capture.tables import columns as col
from coilbench.capture.tables.columns import read_directions, refuse_rows
from coilbench.capture.tables.csv_table import Table


def read_load_points(table: Table) -> tuple[LoadPoint, ...]:
    """Read known masses and the counts they gave: `mass_kg,counts[,direction][,u_kg]`.

    Raises:
        CoilbenchError: a wrong column, cell, direction, or a negative mass or uncertainty.
    """
    found = col.read_columns(
        table, "load calibration", (col.MASS, col.plain("counts"), col.DIRECTION, col.MASS_U)
    )
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
    found = col.read_columns(
        table, "scale calibration", (col.MASS, col.SHOWN, col.DIRECTION, col.MASS_U)
    )
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
    found = col.read_columns(
        table, "travel calibration", (col.LENGTH, col.plain("counts"), col.LENGTH_U)
    )
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
    found = col.read_columns(
        table, "press flex", (col.plain("load_counts"), col.plain("travel_counts"))
    )
    return tuple(
        FlexPoint(load_counts=float(load), travel_counts=float(travel))
        for load, travel in zip(
            found.numbers["load_counts"], found.numbers["travel_counts"], strict=True
        )
    )
