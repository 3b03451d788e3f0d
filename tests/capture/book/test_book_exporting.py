"""What an export knows of: everything that a keyed reading or a point can hold."""

from __future__ import annotations

from dataclasses import fields

from coilbench.capture.book import exporting as export_rig
from coilbench.capture.book import exporting as export_sweeps
from coilbench.capture.book.exporting import FileNames, plain
from coilbench.capture.calibration.parts import PointRow
from coilbench.capture.calibration.regression import FlexPoint, GaugePoint, LoadPoint
from coilbench.capture.calibration.scale import ScalePoint
from coilbench.capture.tables.keyed import KeyedSetup


def test_every_part_of_a_keyed_setup_has_its_option() -> None:
    known = {*export_sweeps._SETUP, "lever_ratio_u", "scale"}
    assert {field.name for field in fields(KeyedSetup)} == known


def test_every_field_of_a_point_has_its_column() -> None:
    """A flex point's direction is told by the order of the points."""
    for kind, point in (("load", LoadPoint), ("travel", GaugePoint), ("scale", ScalePoint)):
        assert {field.name for field in fields(point)} == set(export_rig._COLUMNS[kind]), kind
    assert {field.name for field in fields(FlexPoint)} - {"direction"} == set(
        export_rig._COLUMNS["flex"]
    )
    for kind in ("load", "travel", "flex"):
        assert set(export_rig._COLUMNS[kind].values()) <= {one.name for one in fields(PointRow)}


def test_file_names_fit_every_system_and_are_never_the_same() -> None:
    names = FileNames()
    taken = [names.take("set/1", label) for label in ("a", "A", "a:b", "a*b", "..", "ä 1")]
    assert taken == [
        "set_1/a.csv",
        "set_1/A_2.csv",
        "set_1/a_b.csv",
        "set_1/a_b_2.csv",
        "set_1/_.csv",
        "set_1/ä_1.csv",
    ]
    assert plain("../../etc") == ".._.._etc"
