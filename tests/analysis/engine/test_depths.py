"""How far to press each set, for reading by hand."""

import pytest

from coilbench.analysis.engine.build_file import parse_build
from coilbench.analysis.engine.shims import depths
from coilbench.analysis.report.document import document
from coilbench.capture.errors import CoilbenchError

TEXT = """\
[cam]
name = "card"
valve_lift = "10.9 mm"
seat_load = "22 kg"
seat_tolerance = "1 kg"
open_load = "41 kg"
open_tolerance = "1 kg"
[head]
installed_height = "38.0 mm"
inner_offset = "2 mm"
max_seat_cut = "0.2 mm"
[[shims]]
thickness = "1 mm"
[limits]
max_shims = 1
[springs]
outer = ["larch"]
inner = ["heron"]
"""


def test_depth_is_free_length_less_height() -> None:
    """Common practice, no source: a spring 53 mm free is pressed 15 mm to stand at 38 mm and
    25.9 mm at 10.9 mm of lift; a 1 mm washer makes that 16 and 26.9 mm."""
    rows = depths(parse_build(TEXT, "six.toml"), {"larch": 53.0, "heron": None, "other": 1.0})
    outer = [row for row in rows if row.set_name == "larch"]
    assert [(row.shim_mm, row.seat_cut_mm) for row in outer] == [(0, 0), (1, 0), (0, 0.1), (0, 0.2)]
    bare, washer = outer[:2]
    assert (bare.seat_height_mm, bare.open_height_mm) == pytest.approx((38.0, 27.1))
    assert (bare.seat_depth_mm, bare.open_depth_mm) == pytest.approx((15.0, 25.9))
    assert (washer.seat_depth_mm, washer.open_depth_mm) == pytest.approx((16.0, 26.9))
    assert outer[3].seat_depth_mm == pytest.approx(14.8)


def test_the_inner_stands_lower_and_an_unknown_length_has_no_depth() -> None:
    rows = depths(parse_build(TEXT, "six.toml"), {"larch": 53.0, "heron": None})
    inner = [row for row in rows if row.role == "inner"]
    assert len(inner) == 4
    assert (inner[0].seat_height_mm, inner[0].open_height_mm) == pytest.approx((36.0, 25.1))
    assert all(row.seat_depth_mm is None and row.open_depth_mm is None for row in inner)


def test_a_loose_spring_has_a_negative_depth() -> None:
    rows = depths(parse_build(TEXT, "six.toml"), {"larch": 37.5, "heron": 50.0})
    assert rows[0].seat_depth_mm == pytest.approx(-0.5)


def test_an_unknown_set_is_named() -> None:
    with pytest.raises(CoilbenchError, match=r"six\.toml.*springs\.inner.*'heron'"):
        depths(parse_build(TEXT, "six.toml"), {"larch": 53.0})


def test_the_document() -> None:
    rows = document(depths(parse_build(TEXT, "six.toml"), {"larch": 53.0, "heron": None}))
    assert len(rows) == 8
    assert rows[0] == {
        "card": "card",
        "set": "larch",
        "role": "outer",
        "shim_mm": 0.0,
        "seat_cut_mm": 0.0,
        "seat_height_mm": 38.0,
        "open_height_mm": 27.1,
        "seat_depth_mm": 15.0,
        "open_depth_mm": 25.9,
    }
