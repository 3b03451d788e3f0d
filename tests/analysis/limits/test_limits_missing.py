"""What a limits report says it lacks: each input left out is named, with what it would tell."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace

from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.coil import Coil
from coilbench.analysis.engine.placed import SetCurves
from coilbench.analysis.engine.shims import SeatChoice
from coilbench.analysis.limits.limits import LimitsReport, assess_limits
from coilbench.analysis.limits.valve_motion import LiftTable
from coilbench.analysis.report.limits_text import limits_text
from coilbench.analysis.report.units import SI
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

BUILD = """
[cam]
name = "card"
valve_lift = "10.2 mm"
seat_load = "34 kg"
seat_tolerance = "2 kg"
open_load = "72 kg"
open_tolerance = "3 kg"
max_rpm = 6200
[head]
installed_height = "39 mm"
[springs]
outer = ["larch"]
[wire.larch]
material = "chrome-silicon"
shot_peened = true
[valve_train]
rocker_ratio = 1.5
lash = "0.1 mm"
lift_table = "lift.csv"
weighing_u = "0.5 g"
[valve_train.masses]
valve = "60 g"
"""
DEG = np.arange(1.0, 120.0, 4.0)
LOBE = LiftTable("lift.csv", "lobe", DEG, np.round(3.4 * (1 - np.cos(np.radians(3 * DEG))), 2))
COIL = Coil(4.0, 5.0, 28.0)


def missing(found: LimitsReport) -> tuple[str, ...]:
    return limits_text(found, SI).not_given


def report(
    text: str = BUILD, coil: Coil | None = COIL, table: LiftTable | None = LOBE
) -> LimitsReport:
    heights_mm = np.array([15.0, 50.0])
    down = Branch(heights_mm, 30.0 * (50.0 - heights_mm))
    none = Branch(np.array([]), np.array([]))
    sweep = Sweep("0", "a", Origin.KEYED, down, none, 1.0, 0.0, 0.0)
    larch = SetCurves("larch", "outer", (fit_curve("a", [sweep], "mean", 50.0, None),), 28.0, coil)
    build = parse_build(text, "b.toml")
    return assess_limits(build, larch, None, SeatChoice(), table)


def test_with_everything_given_nothing_is_missing() -> None:
    assert report().missing == ()


LEAVES = "speed", "leaves", "cam"


@pytest.mark.parametrize(
    ("line", "named", "tells"),
    [
        ("max_rpm = 6200\n", "cam.max_rpm", ("surge", "force")),
        ('material = "chrome-silicon"\n', "wire.larch.material", ("stress", "fatigue")),
        ("shot_peened = true\n", "wire.larch.shot_peened", ("not peened",)),
        ("rocker_ratio = 1.5\n", "valve_train.rocker_ratio", LEAVES),
        ('lash = "0.1 mm"\n', "valve_train.lash", LEAVES),
        ('weighing_u = "0.5 g"\n', "valve_train.weighing_u", ("uncertainty",)),
        ('[valve_train.masses]\nvalve = "60 g"\n', "valve_train.masses", LEAVES),
    ],
)
def test_a_line_left_out_of_the_build_file_is_named_alone(
    line: str, named: str, tells: tuple[str, ...]
) -> None:
    assert line in BUILD
    (said,) = missing(report(BUILD.replace(line, "")))
    assert named in said
    assert all(word in said for word in tells)


def test_a_lift_table_that_is_not_given_is_named_alone() -> None:
    (said,) = missing(report(table=None))
    assert "valve_train.lift_table" in said
    assert all(word in said for word in LEAVES)


@pytest.mark.parametrize(
    ("coil", "named"), [(None, "active coils"), (replace(COIL, coil_diameter_mm=None), "diameter")]
)
def test_dimensions_left_out_are_named_with_what_they_would_tell(
    coil: Coil | None, named: str
) -> None:
    dimensions, *_, mass = missing(report(coil=coil))
    assert "larch" in dimensions
    assert named in dimensions
    assert "stress" in dimensions
    assert "surge" in dimensions
    assert "wire.larch.spring_mass" in mass
    assert all(word in mass for word in LEAVES)


def factor(wire_mm: float, tensile: str) -> float | None:
    text = BUILD.replace('material = "chrome-silicon"', f'tensile_strength = "{tensile}"')
    (spring,) = report(text, Coil(wire_mm, 5.0, 60.0)).sets[0].springs
    return spring.fatigue_factor


@pytest.mark.parametrize(
    ("wire_mm", "tensile", "known"),
    [
        (9.5, "1900 MPa", True),
        (9.55, "1900 MPa", False),  # his wire was 3/8 in at the most: Shigley, chapter 10
        (4.0, "799 MPa", True),
        (4.0, "796 MPa", False),  # 0.67 of it is not above his 77.5 kpsi of peened wire
    ],
)
def test_no_fatigue_factor_is_told_beyond_zimmerlis_data(
    wire_mm: float, tensile: str, known: bool
) -> None:
    assert (factor(wire_mm, tensile) is not None) == known
