"""Of builds equally near the card, the one without a seat cut: metal that is cut stays cut.

At 40 mm rowan meets the card with the seat cut by 0.3 mm, and larch with two shims of 0.3 mm.
"""

from __future__ import annotations

import numpy as np
import pytest

from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.engine.assignment_levels import assign
from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.build_parsing import parse_build
from coilbench.analysis.engine.pairing import pair_sets
from coilbench.analysis.engine.placed import SetCurves
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

BUILD = """
[cam]
name = "card"
valve_lift = "10 mm"
seat_load = "300 N"
seat_tolerance = "20 N"
open_load = "600 N"
open_tolerance = "30 N"
[head]
installed_height = "40 mm"
max_seat_cut = "0.3 mm"
seat_cut_step = "0.1 mm"
[head.valves]
"1" = "40 mm"
[[shims]]
thickness = "0.3 mm"
[springs]
outer = ["rowan", "larch"]
"""


@pytest.fixture
def build() -> BuildFile:
    return parse_build(BUILD, "tie.toml")


def spring(name: str, free_mm: float) -> SetCurves:
    heights_mm = np.array([free_mm, 5.0])
    down = Branch(heights_mm, 30.0 * (free_mm - heights_mm))
    none = Branch(np.array([]), np.array([]))
    sweep = Sweep("0", "1", Origin.KEYED, down, none, 1.0, 0.0, 0.0)
    return SetCurves(name, "single", (fit_curve("1", [sweep], free_length_mm=free_mm),), 10.0)


SETS = {"rowan": spring("rowan", 50.3), "larch": spring("larch", 49.4)}


def test_an_assignment_takes_two_shims_rather_than_a_cut(build: BuildFile) -> None:
    (valve,) = assign(build, SETS, {"rowan": 1, "larch": 1}, "cuts").chosen.valves
    assert valve.choice.seat_cut_mm == 0.0
    assert valve.choice.shims_mm == (0.3, 0.3)


def test_a_pairs_trade_off_names_no_cut_that_comes_no_nearer(build: BuildFile) -> None:
    trades = pair_sets(build, SETS).trades
    assert trades[-1].distance == pytest.approx(0.0, abs=1e-9)
    assert trades[-1].combination.choice.shims_mm == (0.3, 0.3)
    assert all(trade.combination.choice.seat_cut_mm == 0.0 for trade in trades)
