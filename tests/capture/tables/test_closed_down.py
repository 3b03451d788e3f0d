"""Solid heights from points that were closed down; the rule is ours, no source."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest

from coilbench.capture.strokes.branch import Branch
from coilbench.capture.tables.csv_table import Table, read_table
from coilbench.capture.tables.points_file import PointsFile, SpringPoints
from coilbench.capture.tables.sweep_files import read_sweep_file

# U.S. Ordnance Department, Report of the Tests of Metals and Other Materials, Watertown Arsenal,
# 1900, pp. 386-387: "closed down" heights, inches.
WATERTOWN = Path(__file__).parents[2] / "data" / "watertown1900_springs.csv"
CLOSED_DOWN_IN = {
    "8": 9.63,
    "9": 9.70,
    "10": 9.68,
    "12": 9.75,
    "13": 9.65,
    "14": 9.68,
    "15": 9.55,
    "16": 9.70,
    "17": 9.67,
    "18": 9.63,
    "19": 9.69,
    "20": 9.70,
}


def read_the_points(table: Table, free_length_mm: float | None) -> PointsFile:
    points = read_sweep_file(table, free_length_mm=free_length_mm)
    assert isinstance(points, PointsFile)
    return points


def watertown() -> tuple[SpringPoints, ...]:
    return read_the_points(read_table(WATERTOWN.read_bytes(), WATERTOWN.name), None).springs


def spring(label: str, heights_mm: list[float], up: bool = True) -> SpringPoints:
    height_mm = np.array(heights_mm)
    load_n = 10.0 * (50.0 - height_mm)
    back = height_mm[:2] if up else height_mm[:0]
    return SpringPoints(label, Branch(height_mm, load_n), Branch(back, 10.0 * (50.0 - back) - 5.0))


def solid_mm(springs: list[SpringPoints], closed_down: bool | None = None) -> list[float | None]:
    return [
        found.solid_height_mm for found in PointsFile(tuple(springs), ()).solid_heights(closed_down)
    ]


def test_watertown_solid_heights() -> None:
    found = PointsFile(tuple(watertown()), ()).solid_heights()
    heights_in = {s.label: s.solid_height_mm / 25.4 for s in found if s.solid_height_mm is not None}
    assert heights_in == pytest.approx(CLOSED_DOWN_IN, rel=1e-12)


def test_the_users_word_goes_first() -> None:
    assert {
        s.solid_height_mm
        for s in PointsFile(tuple(watertown()), ()).solid_heights(closed_down=False)
    } == {None}
    two = [spring("a", [40, 30, 20.5]), spring("b", [40, 30, 20.7])]
    assert solid_mm(two) == [None, None]
    assert solid_mm(two, closed_down=True) == [20.5, 20.7]


@pytest.mark.parametrize(
    ("springs", "why"),
    [
        ([spring("a", [40, 30, 20.5]), spring("b", [40, 30, 20.7])], "fewer than 3 springs"),
        ([spring(x, [40, 30, 20]) for x in "abcd"], "so a stop may have ended them"),
        ([spring(x, [40, 30]) for x in "abcd"], "so a stop may have ended them"),
        (
            [spring(x, [40, 30, 20 + i / 10], up=i > 0) for i, x in enumerate("abcd")],
            "spring.*points",
        ),
        (
            [spring(x, [40 + i / 10, 30 + i / 7, 20 + i / 9]) for i, x in enumerate("abcd")],
            "do not share two stated heights",
        ),
        (
            # A quill stop at 30 mm, and two springs pressed a little further.
            [
                spring("a", [40, 30]),
                spring("b", [40, 30]),
                spring("c", [40, 30, 29.8]),
                spring("d", [40, 30, 29.7]),
            ],
            "stated",
        ),
    ],
)
def test_presses_that_a_stop_may_have_ended(springs: list[SpringPoints], why: str) -> None:
    found = PointsFile(tuple(springs), ()).solid_heights()
    assert [s.solid_height_mm for s in found] == [None] * len(springs)
    assert all(re.search(why, s.reason) for s in found)


def test_a_spring_whose_largest_load_is_not_its_lowest() -> None:
    odd = SpringPoints(
        "d",
        Branch(np.array([40.0, 30.0, 20.1]), np.array([100.0, 350.0, 300.0])),
        Branch(np.array([30.0]), np.array([190.0])),
    )
    springs = [*(spring(x, [40, 30, 20 + i / 10]) for i, x in enumerate("abc")), odd]
    assert solid_mm(springs) == [20.0, 20.1, 20.2, None]
    assert "not at its lowest height" in PointsFile(tuple(springs), ()).solid_heights()[3].reason


def test_a_spring_without_a_way_down() -> None:
    only_up = SpringPoints(
        "a", Branch(np.array([]), np.array([])), Branch(np.array([30.0]), np.array([200.0]))
    )
    (found,) = PointsFile((only_up,), ()).solid_heights(closed_down=True)
    assert found.solid_height_mm is None
    assert re.search("points.*down", found.reason)


@pytest.mark.parametrize(("missing", "found"), [("", True), ("a", True), ("ab", False)])
def test_one_spring_may_lack_a_stated_height(missing: str, found: bool) -> None:
    springs = [
        spring(x, [40, 20 + i / 10] if x in missing else [40, 30, 20 + i / 10])
        for i, x in enumerate("abcde")
    ]
    assert (solid_mm(springs) == [20.0, 20.1, 20.2, 20.3, 20.4]) is found
