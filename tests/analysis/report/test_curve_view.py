"""One spring in sentences: what was found, what was not, in the units asked for."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace
from numpy.typing import NDArray

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.lengths import FoundHeight
from coilbench.analysis.curves.readings import Rate
from coilbench.analysis.curves.shape_model import Shape
from coilbench.analysis.report.spring import Given, SpringFindings
from coilbench.analysis.report.units import Units
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

Array = NDArray[np.float64]
NONE = Branch(np.empty(0), np.empty(0))


def sampled(load_n: Callable[[Array], Array], bottom_mm: float = 27.0) -> SpringCurve:
    rng = np.random.default_rng(1)
    down = np.linspace(55.0, bottom_mm, 500)
    path = np.concatenate([down, down[::-1]])
    load = load_n(np.maximum(53.0 - path, 0.0)) + rng.normal(0.0, 0.2, path.size)
    ways = Branch(path[:500], load[:500]), Branch(path[500:], load[500:])
    return fit_curve("x", [Sweep("s", "x", Origin.CONVERTED_FILE, *ways, 0.3, 0.001, 0.02)])


def keyed(points: list[tuple[float, float]], **given: Any) -> SpringCurve:
    height, load = np.array(points).T
    sweep = Sweep("s", "x", Origin.KEYED, Branch(height, load), NONE, 1.0, 0.0, 0.1)
    return fit_curve("x", [sweep], **given)


def straight(depth: Array) -> Array:
    return 16.0 * depth


def said(found: SpringFindings, units: Units | None = None) -> dict[str, str]:
    return dict(found.sentences(Units() if units is None else units))


def test_a_sound_spring() -> None:
    words = said(SpringFindings.of(sampled(straight), Given()))
    assert words["Free length"].startswith("52.99 mm ± 0.1")
    assert words["Free length"].endswith("by first contact")
    assert words["Shape"].startswith("one rate between ")
    assert words["Coil bind"] == (
        f"not reached: down to {sampled(straight).lowest_mm:.2f} mm the stiffness keeps to its "
        "own trend"
    )
    assert words["Friction"].startswith("the load on the way down is ")
    assert "Handbook" not in words


def test_a_progressive_one_and_one_pressed_solid() -> None:
    smooth = said(SpringFindings.of(sampled(lambda d: 14.0 * d + 0.12 * d**2), Given()))
    assert smooth["Shape"].startswith("its rate changes smoothly between ")
    assert "grows softer" not in smooth["Shape"]
    softer = said(SpringFindings.of(sampled(lambda d: 20.0 * d - 0.12 * d**2), Given()))
    assert re.search("softer.*pressed", softer["Shape"])
    solid = sampled(lambda d: 16.0 * d + 1500.0 * np.maximum(d - 25.0, 0.0), 27.6)
    words = said(SpringFindings.of(solid, Given(solid_height_mm=28.2)))
    assert words["Coil bind"].startswith("reached, solid height 28.0")
    assert re.search(r"\b28\.20 mm", words["Coil bind"])


def test_a_knee_and_what_is_either() -> None:
    found = SpringFindings.of(
        sampled(lambda d: 16.0 * d + 8.0 * np.maximum(d - 13.0, 0.0)), Given()
    )
    words = said(found, Units("lbf", "in"))
    assert re.search(r"rates.*\b1\.57", words["Shape"])
    assert "lbf/in above it" in words["Shape"]
    assert re.search("window.*neither", words["Shape"])
    rate = Rate(16.0, 0.1)
    either = Shape("bent", "", 48.0, 28.0, 1e-5, Rate(1.6, 0.2), None, rate, rate)
    shape = said(replace(found, shape=either))["Shape"]
    assert "by a knee or smoothly" in shape
    assert "+10.0 ± 1.2 %" in shape


def test_points_claim_little() -> None:
    points = [(38.0, 240.0), (28.0, 400.0)]
    words = said(SpringFindings.of(keyed(points), Given()))
    assert re.search("stroke.*contact", words["Free length"])
    assert words["Shape"].startswith("can't tell: chosen heights")
    assert re.search(r"\b28\.00 mm", words["Coil bind"])
    given = SpringFindings.of(keyed(points, free_length_mm=53.0), Given(free_length_mm=53.0))
    assert re.search(r"not measured.*\b53\.00 mm", said(given)["Free length"])
    assert given.document()["free_length_mm"] is None
    assert given.document()["free_length_given_mm"] == 53.0
    by_hand = Given(free_length_mm=53.0, by_hand=FoundHeight(52.8, 0.05))
    own = SpringFindings.of(keyed(points, by_hand=by_hand.by_hand), by_hand)
    assert re.search(r"\b52\.80 mm ± 0\.05 mm by hand", said(own)["Free length"])
    assert own.document()["free_length_from"] == "by_hand"
    assert SpringFindings.of(keyed(points), Given()).table_heights_mm(Units()) == [38.0, 28.0]
    alone = SpringFindings.of(keyed([(38.0, 240.0)]), Given(), heights_mm=(38.0, 28.0))
    assert (alone.window_mm, alone.rates) == (None, ())
    document = alone.document()
    assert document["window"]["top_mm"] is None
    assert [each["height_mm"] for each in document["readings"]] == [38.0]


def test_the_table_is_even_in_the_units_shown() -> None:
    curve = sampled(straight)
    found = SpringFindings.of(curve, Given(), heights_mm=(38.5, 80.0))
    heights = found.table_heights_mm(Units())
    assert 38.5 in heights
    assert 80.0 not in heights
    assert heights == sorted(heights, reverse=True)
    assert len(heights) <= 14
    inches = np.array(SpringFindings.of(curve, Given()).table_heights_mm(Units("lbf", "in"))) / 25.4
    assert inches == pytest.approx(np.round(inches, 2), abs=1e-6)
    assert len(inches) <= 13


def test_rates_and_window_say_which_is_which() -> None:
    found = SpringFindings.of(sampled(straight), Given(), heights_mm=(38.5, 27.6))
    lines = list(found.rate_lines(Units("N", "mm")))
    hows = (
        "between the ends of the window",
        "least squares over the window",
        "robust (bisquare) over the window",
        "between the two heights",
    )
    for line, how in zip(lines, hows, strict=True):
        assert float(line.split()[0]) == pytest.approx(16.0, abs=0.02)
        assert f" N/mm  {how}, " in line
    assert re.search(r"\b38\.50 mm.*\b27\.60 mm", lines[3])
    assert re.search(r"\b30\b.*\b70 %", found.window_text())
    solid = replace(found, curve=replace(found.curve, solid_height_mm=24.0))
    assert solid.window_text().endswith("to solid height")
    points = SpringFindings.of(keyed([(38.0, 240.0), (28.0, 400.0)]), Given())
    assert points.window_text().endswith("the measured range is taken")
    assert re.search("between.*measured", next(points.rate_lines(Units())))
    alone = SpringFindings.of(keyed([(38.0, 240.0)]), Given())
    assert list(alone.rate_lines(Units())) == ["not known: it takes two heights"]


def test_the_handbook_beside_it() -> None:
    given = Given(wire_mm=4.6, coil_diameter_mm=32.0, active_coils=8.0)
    assert "is plausible" in said(SpringFindings.of(sampled(straight), given))["Handbook"]
    wrong = replace(given, coil_diameter_mm=40.0)
    assert "measure these again" in said(SpringFindings.of(sampled(straight), wrong))["Handbook"]
