"""A set's rules at the values of their limits. Ours, no source."""

from __future__ import annotations

import inspect

import numpy as np
import pytest
from msgspec.structs import replace

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.lengths import FoundHeight
from coilbench.analysis.sets.columns import Alike, Column
from coilbench.analysis.sets.judge import check_set
from coilbench.analysis.sets.outliers import Esd, _most_outliers
from coilbench.analysis.sets.set_columns import (
    _Departure,
    _length_ruling,
    _shape_departures,
    _shape_ruling,
    loads_at,
)
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

NONE = Branch(np.empty(0), np.empty(0))


def test_what_a_check_takes_where_nothing_is_said() -> None:
    """Five per cent of tolerance, and a false alarm in twenty sound sets."""
    defaults = inspect.signature(check_set).parameters
    assert defaults["tolerance"].default == 0.05
    assert defaults["alpha"].default == 0.05


@pytest.mark.parametrize(("largest", "odd"), [(0.0099, False), (0.0101, True)])
def test_a_shape_that_stands_apart_is_odd_above_a_hundredth_of_the_mean_load(
    largest: float, odd: bool
) -> None:
    esd = Esd.of([1.0, 1.1, 0.9, 1.05, 0.95, 1.02, 0.98, 9.0], 0.05)
    assert esd is not None
    assert esd.outliers == {7}
    ruling = _shape_ruling("s", _Departure(0.005, largest, 30.0), esd, 7)
    assert ruling.outcome == ("odd" if odd else "pass")
    assert ruling.apart_within is not odd
    alike = _shape_ruling("s", _Departure(0.005, largest, 30.0), esd, 0)
    assert (alike.outcome, alike.apart_within) == ("pass", False)


@pytest.mark.parametrize(
    ("length_mm", "outcome"),
    [(49.11, "pass"), (49.09, "unsure"), (48.91, "unsure"), (48.89, "short")],
)
def test_a_free_length_is_short_by_two_per_cent(length_mm: float, outcome: str) -> None:
    """49.0 mm of 50, and 0.1 mm unsure."""
    once = Sweep(
        "s", "s", Origin.KEYED, Branch(np.array([38.0]), np.array([190.0])), NONE, 1.0, 0, 0
    )
    curve = fit_curve("s", [once], by_hand=FoundHeight(length_mm, 0.1))
    ruling = next(_length_ruling(curve, "set", 50.0))
    assert ruling.outcome == outcome
    assert ruling.facts["length_from"] == "by_hand"


def test_a_length_that_was_not_measured_is_not_judged() -> None:
    """What a set was registered with says nothing of one spring."""
    given = replace(bent("s", 0.0), contact=None, free_length_mm=45.0, free_length_u_mm=0.1)
    assert list(_length_ruling(given, "nominal", 50.0)) == []
    seen = replace(given, contact=FoundHeight(48.0, 0.1))
    assert next(_length_ruling(seen, "nominal", 50.0)).facts["length_from"] == "first_contact"


def test_five_values_are_the_fewest_in_which_one_stands_apart_and_ten_the_most_outliers() -> None:
    assert Esd.of([1.0, 1.1, 0.9, 9.0], 0.05) is None
    assert Esd.of([1.0, 1.1, 0.9, 1.0, 9.0], 0.05) is not None
    assert [_most_outliers(count) for count in (5, 29, 60)] == [2, 10, 10]


def test_three_springs_are_the_fewest_that_have_a_middle() -> None:
    def middle(springs: int) -> float | None:
        curves = [bent(f"s{at}", 0.0) for at in range(springs)]
        return Column.of(40.0, loads_at(curves, 40.0), 0.05).middle

    assert Column.of(40.0, Alike((None, None), (None, None)), 0.05).middle is None
    assert middle(2) is None
    assert middle(3) is not None


def bent(label: str, bend: float, solid_mm: float | None = None) -> SpringCurve:
    """Pressed from 54 to 26 mm; a bend departs most at the lower end, at the upper below 0."""
    height_mm = np.linspace(54.0, 26.0, 600)
    depth_mm = np.maximum(50.0 - height_mm, 0.0)
    far_mm = depth_mm if bend > 0.0 else 24.0 - depth_mm
    load_n = 16.0 * depth_mm + abs(bend) * np.where(depth_mm > 0.0, far_mm, 0.0) ** 3
    sweep = Sweep("s", label, Origin.RIG, Branch(height_mm, load_n), NONE, 0.3, 0.001, 0.02)
    return fit_curve(label, [sweep], "mean", 50.0, solid_mm)


def departure(solid_mm: float | None, bend: float = 0.03) -> _Departure:
    curves = [bent(f"s{at}", 0.0, solid_mm) for at in range(5)]
    departures = _shape_departures([*curves, bent("bent", bend, solid_mm)])
    assert departures is not None
    return departures[-1]


def test_shapes_are_compared_from_a_millimetre_above_solid() -> None:
    assert departure(27.0).height_mm == pytest.approx(28.0)
    assert departure(30.0).height_mm == pytest.approx(31.0)


def test_shapes_are_compared_below_a_tenth_of_the_deflection() -> None:
    """From 50 mm of free length down to 31 mm: a millimetre above solid."""
    assert departure(30.0, -0.01).height_mm == pytest.approx(48.1, abs=0.05)
