"""First contact of springs whose first turns close softly: the truth is in its interval."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace
from numpy.typing import NDArray

import bench_days
from bench_metrology import USUAL, sweeps_of
from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.lag import undo_lag
from coilbench.analysis.curves.lengths import FoundHeight
from coilbench.analysis.curves.shape_model import LengthCheck
from coilbench.analysis.report.spring import Given, SpringFindings
from coilbench.analysis.report.units import Units
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep
from coilbench.capture.virtual.spring import draw_set

Array = NDArray[np.float64]
FREE_MM, RATE = 53.0, 16.0
NONE = Branch(np.empty(0), np.empty(0))


def load_n(law: str, depth_mm: Array, over_mm: float) -> Array:
    """Loads of a spring whose first turns are closed after so much depth.

    The stiffness below it rises from none as a power of the depth, is half from the first, or
    comes up exponentially as in the simulated springs.
    """
    d = np.maximum(depth_mm, 0.0)
    if law == "straight":
        return RATE * d
    if law == "half":
        return RATE * np.where(d < over_mm, 0.5 * d, d - 0.5 * over_mm)
    if law == "usual":
        return RATE * (d + 0.2 * np.expm1(-2.0 * d))
    power = {"root": 1.5, "even": 2.0, "soft": 3.0}[law]
    closing = d**power / power / over_mm ** (power - 1.0)
    return RATE * np.where(d < over_mm, closing, over_mm / power + d - over_mm)


def pressed(
    law: str, over_mm: float = 1.0, *, samples: int = 500, noise_n: float = 0.1, seed: int = 0
) -> SpringCurve:
    rng = np.random.default_rng(seed)
    height = np.linspace(FREE_MM + 2.0 + rng.uniform(0.0, 0.05), 27.0, samples)
    load = load_n(law, FREE_MM - height, over_mm) + rng.normal(0.0, noise_n, samples)
    down = Branch(np.round(height, 2), load)
    return fit_curve("x", [Sweep("s", "x", Origin.CONVERTED_FILE, down, NONE, 0.1, 0.001, 0.02)])


LAWS = [("straight", 1.0), ("usual", 1.0), ("half", 1.0), ("half", 3.0), ("root", 1.0),
        ("root", 3.0), ("even", 1.0), ("even", 3.0), ("soft", 2.0)]  # fmt: skip
STROKES = [(500, 0.1), (150, 0.3), (1500, 0.3)]


@pytest.mark.parametrize(("law", "over_mm"), LAWS)
def test_the_truth_is_in_the_interval(law: str, over_mm: float) -> None:
    """Of 24 intervals at 95 % fewer than 20 hold once in 150 (binomial)."""
    held, widths = [], []
    for samples, noise_n in STROKES:
        for seed in range(8):
            curve = pressed(law, over_mm, samples=samples, noise_n=noise_n, seed=seed)
            assert curve.contact is not None
            held.append(abs(curve.contact.height_mm - FREE_MM) <= curve.contact.height_u_mm)
            widths.append(curve.contact.height_u_mm)
    assert np.count_nonzero(held) >= 20
    assert float(np.median(widths)) < 0.45  # and is of some use


def test_a_rigs_strokes_hold_it_too(monkeypatch: pytest.MonkeyPatch) -> None:
    """The filter smears first contact as a soft turn does. Of 6 fewer than 4 hold once in 11500."""
    held = []
    for seed in range(200, 206):
        with monkeypatch.context() as patch:
            soft = {"soft_fraction": 0.95, "soft_mm": 1.0}
            patch.setattr(
                bench_days,
                "draw_set",
                lambda *a, soft=soft: tuple(replace(one, **soft) for one in draw_set(*a)),
            )
            day = bench_days.draw_day(USUAL, seed)
        curve = fit_curve("00", undo_lag(sweeps_of(day, day.calibration()))["00"])
        assert curve.contact is not None
        assert curve.soft is not None
        error_mm = curve.contact.height_mm - day.springs[0].free_length_mm
        held.append(abs(error_mm) <= curve.contact.height_u_mm)
    assert np.count_nonzero(held) >= 4


@pytest.mark.parametrize("over_mm", [1.0, 3.0])
def test_a_soft_start_is_said_and_nothing_is_accused(over_mm: float) -> None:
    """Half of the depth is lost over turns that close evenly; a caliper's 53 mm agrees."""
    for seed in range(5):
        curve = pressed("even", over_mm, seed=seed)
        assert curve.soft is not None
        closed_mm = FREE_MM - curve.soft.closed_mm
        assert 0.6 * over_mm < closed_mm < over_mm + 0.5  # it shows in steps of a quarter
        assert curve.soft.lost_mm == pytest.approx(0.5 * over_mm, abs=0.3)
        found = LengthCheck.of(curve, FREE_MM, 0.1, [pressed("even", over_mm, seed=9)] * 2)
        assert found is not None
        assert not found.differs
        off = LengthCheck.of(curve, FREE_MM + 1.5, 0.1, [])
        assert off is not None
        assert off.differs
        told = SpringFindings.of(curve, Given())
        words = dict(told.sentences(Units()))["Free length"]
        assert f"{curve.soft.closed_mm:.2f} mm" in words
        assert told.document()["soft_start"]["kind"] == "first_turns_close"


@pytest.mark.parametrize("law", ["straight", "usual"])
def test_ends_as_most_springs_have_them_are_no_soft_start(law: str) -> None:
    assert all(pressed(law, seed=seed).soft is None for seed in range(8))


@pytest.mark.parametrize(("over_mm", "soft"), [(0.7, False), (0.9, True)])
def test_more_than_four_tenths_lost_is_a_soft_start(over_mm: float, soft: bool) -> None:
    curve = pressed("half", over_mm, samples=1500, noise_n=0.03)  # half of it is lost
    assert (curve.soft is not None) == soft


@pytest.mark.parametrize(("u_mm", "sure"), [(0.39, True), (0.41, False)])
def test_depths_are_not_counted_from_an_unsure_contact(u_mm: float, sure: bool) -> None:
    curve = pressed("straight")
    assert curve.length_sure
    assert replace(curve, contact=FoundHeight(FREE_MM, u_mm)).length_sure == sure
    assert not pressed("even", 3.0).length_sure
    none = replace(curve, contact=None)
    assert none.length_sure  # as given
    assert not replace(none, free_length_mm=None).length_sure


def test_a_zero_that_is_off_is_seen_in_the_air() -> None:
    rng = np.random.default_rng(3)
    height = np.linspace(56.0, 27.0, 700)
    load = load_n("straight", FREE_MM - height, 1.0) + 0.6 + rng.normal(0.0, 0.1, 700)
    sweep = Sweep("s", "x", Origin.CONVERTED_FILE, Branch(height, load), NONE, 0.1, 0.001, 0.02)
    contact = fit_curve("x", [sweep]).contact
    assert contact is not None
    assert contact.height_mm == pytest.approx(FREE_MM, abs=0.02)  # 0.6 N are 0.04 mm
