"""Springs of which one way alone is known, beside others that were pressed both ways.

Like springs of 16 N/mm and 53 mm, and friction of 3.5 % of the load on either way: 7 % between the
ways, and 3.5 % between one way and the mean of both.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
import pytest

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.analysis.sets.judge import SetCheck, check_set
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

FRICTION = 0.035
SEAT_MM, OPEN_MM = 38.5, 27.6
Ways = Literal["both", "down", "up"]


def spring(label: str, ways: Ways = "both", share: float = 1.0) -> SpringCurve:
    heights = np.array([SEAT_MM, OPEN_MM])
    loads = share * 16.0 * (53.0 - heights)
    down, up = (Branch(heights, loads * (1.0 + way * FRICTION)) for way in (1.0, -1.0))
    none = Branch(np.empty(0), np.empty(0))
    branches = {"both": (down, up), "down": (down, none), "up": (none, up)}[ways]
    return fit_curve(label, [Sweep("s", label, Origin.KEYED, *branches, 0.5, 0.0, 0.0)])


def checked(*odd: SpringCurve, both: int = 8) -> SetCheck:
    curves = [*(spring(f"s{at}", share=1.0 + 0.001 * (at % 3 - 1)) for at in range(both)), *odd]
    return check_set("s", curves, [SEAT_MM, OPEN_MM], tolerance=0.03)


def flags(check: SetCheck) -> dict[str, list[str]]:
    return {one.label: [flag.kind for flag in one.flags] for one in check.springs if one.flags}


@pytest.mark.parametrize("ways", ["both", "down", "up"])
def test_one_way_alone_makes_a_like_spring_no_other(ways: Ways) -> None:
    check = checked(spring("x", ways))
    assert flags(check) == {}
    way = {"both": None, "down": "loading", "up": "unloading"}[ways]
    assert [height.compared_way for height in check.summary] == [way, way]
    last = check.springs[-1]
    assert [reading.deviation for reading in last.readings] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert last.rate_deviation == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("share", "kind"), [(1.06, "stiff"), (0.94, "weak")])
@pytest.mark.parametrize("ways", ["down", "up"])
def test_one_that_differs_beyond_friction_is_found_by_its_one_way(
    share: float, kind: str, ways: Ways
) -> None:
    assert flags(checked(spring("x", ways, share))) == {"x": [kind]}


def test_a_way_that_no_other_has_is_not_compared_and_says_so() -> None:
    """Two have the way down alone, so that all are compared by it, but one has the way up alone."""
    check = checked(spring("d1", "down"), spring("d2", "down"), spring("x", "up", 1.06))
    assert flags(check) == {"x": ["unsure"]}
    (flag,) = check.springs[-1].flags
    assert {one.rule for one in flag.findings} == {"one_way"}
    assert "not compared: one way only" in describe(flag, Units())
