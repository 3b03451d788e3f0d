"""A free length by caliper beside the heights at which the same spring's loads run out.

Springs of 16 N/mm whose line runs out at 53 mm: by arithmetic, not by the program.
"""

from __future__ import annotations

import numpy as np
import pytest

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.lengths import FoundHeight
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.analysis.sets.judge import SetCheck, check_set
from coilbench.analysis.sets.set_columns import length_contradicted, loads_end
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

NONE = Branch(np.empty(0), np.empty(0))
UNREAD_MM = 53.0 - 38.0


def read(
    free_mm: float | None,
    *,
    label: str = "a",
    ends_mm: float = 53.0,
    load_u_n: float = 0.001,
    heights: tuple[float, ...] = (38.0, 28.0),
    length_u_mm: float = 0.1,
) -> SpringCurve:
    at = np.array(heights)
    branch = Branch(at, 16.0 * (ends_mm - at))
    sweep = Sweep("s", label, Origin.KEYED, branch, NONE, load_u_n, 0.0, 0.0)
    by_hand = None if free_mm is None else FoundHeight(free_mm, length_u_mm)
    return fit_curve(label, [sweep], by_hand=by_hand)


def test_where_loads_run_out_and_how_sure_that_is() -> None:
    """Loads of 240 and 400 N, each ± u: the end moves by (400 and 240) / 160 mm over 16 N a N."""
    found = loads_end(read(None, load_u_n=2.0))
    assert found is not None
    assert found.height_mm == pytest.approx(53.0)
    least = 2.0 * 2.0 * np.hypot(400.0, 240.0) / 160.0 / 16.0
    assert least * 0.5 < found.height_u_mm < least * 1.5
    assert loads_end(read(None, heights=(38.0,))) is None


@pytest.mark.parametrize(
    ("free_mm", "contradicted"),
    [
        (53.0 + 0.2 * UNREAD_MM + 0.08, False),
        (53.0 + 0.2 * UNREAD_MM + 0.12, True),
        (53.0 - 0.1 * UNREAD_MM - 0.08, False),
        (53.0 - 0.1 * UNREAD_MM - 0.12, True),
        (60.0, True),
        (50.0, True),
    ],
)
def test_a_length_beyond_both_uncertainties_is_contradicted(
    free_mm: float, contradicted: bool
) -> None:
    assert (length_contradicted(read(free_mm)) is not None) is contradicted


def test_unsure_loads_or_an_unsure_length_contradict_nothing() -> None:
    assert length_contradicted(read(50.0, load_u_n=8.0)) is None
    assert length_contradicted(read(50.0, length_u_mm=4.0)) is None


def test_first_contact_tells_more_than_a_line() -> None:
    height = np.linspace(55.0, 30.0, 500)
    load = 16.0 * np.maximum(53.0 - height, 0.0)
    load += np.random.default_rng(1).normal(0.0, 0.1, height.size)
    sweep = Sweep("s", "a", Origin.CONVERTED_FILE, Branch(height, load), NONE, 0.2, 0.001, 0.02)
    for free_mm, wrong in ((52.2, False), (51.7, True), (54.4, True)):
        curve = fit_curve("a", [sweep], by_hand=FoundHeight(free_mm, 0.1))
        assert curve.contact is not None
        assert (length_contradicted(curve) is not None) is wrong


def judged(free_mm: float, ends_mm: float = 53.0) -> SetCheck:
    others = [read(53.0, label=f"s{at}") for at in range(5)]
    odd = read(free_mm, label="x", ends_mm=ends_mm)
    return check_set("s", [*others, odd], [38.0], tolerance=0.3, free_length_nominal_mm=53.0)


@pytest.mark.parametrize("free_mm", [50.0, 60.0])
def test_no_exclusion_rests_on_a_length_that_the_loads_contradict(free_mm: float) -> None:
    check = judged(free_mm)
    odd = check.spring("x")
    assert [flag.kind for flag in odd.flags] == ["unsure"]
    assert {one.rule for flag in odd.flags for one in flag.findings} == {"length_loads"}
    assert not odd.set_apart
    words = describe(odd.flags[0], Units())
    assert f"{free_mm:.2f} mm" in words
    assert "53.00 mm" in words
    assert {one.outcome for one in odd.rulings if one.rule == "free_length"} == {"unsure"}
    assert all(not one.flags for one in check.springs if one.label != "x")


def test_a_spring_that_is_short_by_its_loads_too_is_short() -> None:
    odd = judged(50.0, ends_mm=50.0).spring("x")
    assert "short" in [flag.kind for flag in odd.flags]
