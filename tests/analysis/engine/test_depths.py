"""At which heights each set will be read, and how deep to press for them."""

import pytest

from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.coil import SpringSize
from coilbench.analysis.engine.depths import DepthRow, depth_rows
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
[[shims]]
thickness = "1 mm"
[limits]
max_shims = 1
[springs]
outer = ["larch"]
inner = ["heron"]
"""
UNKNOWN = SpringSize(None, None)


def rows(text: str = TEXT, **sizes: SpringSize) -> dict[tuple[str, str], DepthRow]:
    known = {"larch": SpringSize(53.0, None), "heron": UNKNOWN} | sizes
    return {(row.set_name, row.at): row for row in depth_rows(parse_build(text, "six.toml"), known)}


def test_depth_is_free_length_less_height() -> None:
    """Common practice, no source: a spring 53 mm free is pressed 15 mm to stand at 38 mm and
    25.9 mm at 10.9 mm of lift; a 1 mm washer makes that 16 and 26.9 mm."""
    found = rows()
    shut, full = found["larch", "seat"], found["larch", "open"]
    assert (shut.heights_mm, full.heights_mm) == ((37.0, 38.0), (26.1, 27.1))
    assert (shut.depths_mm, full.depths_mm) == ((16.0, 15.0), (26.9, 25.9))
    assert not shut.span


def test_the_inner_stands_lower_and_an_unknown_length_has_no_depth() -> None:
    inner = rows()["heron", "seat"]
    assert (inner.role, inner.heights_mm, inner.depths_mm) == ("inner", (35.0, 36.0), None)


def test_every_valve_counts_and_many_heights_are_a_span() -> None:
    """Not their mean: no valve stands there."""
    valves = '[head.valves]\n"1 in" = "38.5 mm"\n"1 ex" = "38.8 mm"\n"2 in" = "38.3 mm"\n'
    text = TEXT.replace('installed_height = "38.0 mm"', "").replace(
        "[[shims]]", valves + "[[shims]]"
    )
    shut = rows(text)["larch", "seat"]
    assert (shut.heights_mm, shut.span) == ((37.3, 38.8), True)
    bare = rows(text.replace("max_shims = 1", "max_shims = 0"))["larch", "seat"]
    assert (bare.heights_mm, bare.span) == ((38.3, 38.5, 38.8), False)


@pytest.mark.parametrize(
    ("solid_mm", "low_mm", "too_low_mm"), [(25.1, 26.1, None), (25.2, 27.1, 26.1)]
)
def test_no_press_is_asked_for_within_a_millimetre_of_solid(
    solid_mm: float, low_mm: float, too_low_mm: float | None
) -> None:
    full = rows(larch=SpringSize(53.0, solid_mm))["larch", "open"]
    assert (full.heights_mm[0], full.too_low_mm) == (low_mm, too_low_mm)


def test_a_loose_spring_has_a_negative_depth() -> None:
    assert rows(larch=SpringSize(37.5, None))["larch", "seat"].depths_mm == (0.5, -0.5)


def test_an_unknown_set_is_named() -> None:
    with pytest.raises(CoilbenchError, match=r"six\.toml.*springs\.inner.*'heron'"):
        depth_rows(parse_build(TEXT, "six.toml"), {"larch": UNKNOWN})


def test_the_document() -> None:
    assert document(rows()["larch", "seat"]) == {
        "set": "larch",
        "role": "outer",
        "at": "seat",
        "heights_mm": [37.0, 38.0],
        "depths_mm": [16.0, 15.0],
        "span": False,
        "too_low_mm": None,
        "solid_height_mm": None,
    }
