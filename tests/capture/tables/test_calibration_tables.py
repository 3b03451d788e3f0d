"""What a calibration is made from, as CSV."""

from __future__ import annotations

import pytest

from coilbench.capture.calibration.known_points import FlexPoint, GaugePoint, LoadPoint
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.columns import read_points
from coilbench.capture.tables.csv_table import Table, read_table


def table(text: str) -> Table:
    return read_table(text.encode(), "c.csv")


def test_load_points() -> None:
    assert read_points(table("mass_kg,counts\n0,-120\n5,104880.25\n"), LoadPoint) == (
        LoadPoint(0.0, -120.0, "up", None),
        LoadPoint(5.0, 104880.25, "up", None),
    )
    both = table("mass_kg;counts;direction;u_kg\n0;-120;up;0\n5,5;104880;Down;0,0025\n")
    assert read_points(both, LoadPoint) == (
        LoadPoint(0.0, -120.0, "up", 0.0),
        LoadPoint(5.5, 104880.0, "down", 0.0025),
    )


def test_pounds_of_mass() -> None:
    # pound 0.45359237 kg exactly: international yard and pound agreement, 1959
    (point,) = read_points(table("mass_lb,counts,u_lb\n10,7,0.01\n"), LoadPoint)
    assert point.mass_kg == pytest.approx(4.5359237, rel=1e-12)
    assert point.u_kg == pytest.approx(0.0045359237, rel=1e-12)


def test_gauge_points() -> None:
    assert read_points(table("length_mm,counts,u_mm\n0,0,0.01\n25.4,5080,0.01\n"), GaugePoint) == (
        GaugePoint(0.0, 0.0, 0.01),
        GaugePoint(25.4, 5080.0, 0.01),
    )
    (inch,) = read_points(table("counts,length_in\n5080,1\n"), GaugePoint)
    assert inch == GaugePoint(25.4, 5080.0, None)


def test_flex_points() -> None:
    assert read_points(table("load_counts,travel_counts\n100,1\n90000,45\n"), FlexPoint) == (
        FlexPoint(100.0, 1.0),
        FlexPoint(90000.0, 45.0),
    )


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("mass,counts\n1,2\n", "line 1: the column 'mass_kg' is missing"),
        ("mass_kg,load_counts\n1,2\n", "line 1: the column 'counts' is missing"),
        ("mass_kg,counts,note\n1,2,3\n", "line 1: unknown column 'note'"),
        ("mass_kg,mass_lb,counts\n1,2,3\n", "line 1: 'mass_kg' and 'mass_lb' are the same"),
        ("mass_kg,counts\n-1,2\n", "line 2: mass_kg must be 0 or more"),
        ("mass_kg,counts,u_kg\n1,2,-3\n", "line 2: u_kg must be 0 or more"),
        ("mass_kg,counts,direction\n1,2,up\n1,2,loading\n", "line 3: direction is up or down"),
        ("mass_kg,counts\n1,1,2\n", "line 2: the row has 3 cells and the header 2: decimal commas"),
        ("mass_kg;counts\n1,500;100\n", "line 2: column 'mass_kg': '1,500' may be a decimal"),
    ],
)
def test_load_points_refused(text: str, said: str) -> None:
    with pytest.raises(CoilbenchError) as caught:
        read_points(table(text), LoadPoint)
    assert str(caught.value).startswith(f"c.csv, {said}")
    assert caught.value.hint


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("length_mm,counts\n-1,2\n", "line 2: length_mm must be 0 or more"),
        ("length_mm,counts,u_mm\n1,2,-1\n", "line 2: u_mm must be 0 or more"),
        ("length_mm,count\n1,2\n", "line 1: the column 'counts' is missing"),
    ],
)
def test_gauge_points_refused(text: str, said: str) -> None:
    with pytest.raises(CoilbenchError, match=said):
        read_points(table(text), GaugePoint)
