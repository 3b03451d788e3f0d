"""First contact of simulated presses whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from coilbench.analysis.curves.curve_fit import _find_contact, find_contact
from coilbench.analysis.curves.passes import fit_sweeps
from coilbench.analysis.curves.sweep_fit import SweepFit
from coilbench.capture.strokes.bins import Bins, fine_bins
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

FREE_MM, RATE = 50.0, 17.0
EMPTY = Branch(np.empty(0), np.empty(0))


def press(
    bottom_mm: float, *, soft: float = 0.0, samples: int = 500, seed: int = 1, noise_n: float = 0.1
) -> Branch:
    """A press from 2 mm above the spring."""
    rng = np.random.default_rng(seed)
    height: NDArray[np.float64] = np.linspace(
        FREE_MM + 2.0 + rng.uniform(0, 0.05), bottom_mm, samples
    )
    depth = np.maximum(FREE_MM - height, 0.0)
    load = RATE * (depth - soft * 0.5 * (1.0 - np.exp(-depth / 0.5)))
    return Branch(np.round(height, 2), load + rng.normal(0.0, noise_n, samples))


def sweep(branch: Branch, origin: Origin = Origin.RIG) -> SweepFit:
    (fit,) = fit_sweeps([Sweep("s", "larch-01", origin, branch, EMPTY, 0.5, 0.001, 0.03)])
    assert fit is not None
    return fit


def bins(branch: Branch) -> Bins:
    return fine_bins(Sweep("s", "x", Origin.RIG, branch, EMPTY, 0, 0, 0).passes.loading)


@pytest.mark.parametrize("samples", [60, 250, 1000])
def test_contact_of_a_straight_spring(samples: int) -> None:
    for seed in range(20):
        contact = _find_contact(bins(press(25.0, samples=samples, seed=seed)))
        assert contact is not None
        # five standard errors and half of the 0.01 mm step
        assert contact.height_mm == pytest.approx(FREE_MM, abs=5.0 * contact.se_mm + 0.005)
        assert contact.se_mm < 0.05
        assert contact.n_per_mm == pytest.approx(RATE, rel=0.25)


def test_softly_closing_end_coils_hide_little_of_the_free_length() -> None:
    lengths = []
    for seed in range(20):
        contact = _find_contact(bins(press(25.0, soft=0.4, samples=800, seed=seed)))
        assert contact is not None
        lengths.append(contact.height_mm)
    # a line through the straight part would lose all of soft * 0.5 mm = 0.2 mm, and one through
    # the very first loads about 0.05 mm
    assert float(np.mean(lengths)) == pytest.approx(FREE_MM, abs=0.035)


def test_a_press_that_begins_under_load_shows_no_contact() -> None:
    height = np.linspace(40.0, 25.0, 400)
    assert _find_contact(bins(Branch(height, RATE * (FREE_MM - height)))) is None
    assert _find_contact(bins(Branch(height[:2], height[:2]))) is None
    assert _find_contact(bins(Branch(height, np.zeros(400)))) is None


def test_free_length_of_several_presses_with_its_uncertainty() -> None:
    found = find_contact([sweep(press(25.0, seed=seed)) for seed in range(3)])[0]
    assert found is not None
    assert abs(found.height_mm - FREE_MM) < found.height_u_mm < 0.25
    # at least the datum's and the zero's shares, k = 2
    assert found.height_u_mm > 2.0 * np.hypot(0.03, 0.5 / RATE) * 0.9
    assert find_contact([sweep(press(25.0), Origin.KEYED)])[0] is None


def test_the_datums_uncertainty_is_the_contacts() -> None:
    loose = Sweep("s", "larch-01", Origin.RIG, press(25.0), EMPTY, 0.5, 0.001, 0.4)
    (fit,) = fit_sweeps([loose])
    assert fit is not None
    found = find_contact([fit])[0]
    assert found is not None
    assert found.height_u_mm == pytest.approx(2.0 * np.hypot(0.4, 0.08), rel=0.05)
