"""First contact and coil bind of simulated presses whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from coilbench.analysis.curves.ends import find_contact, find_free_length, find_solid_mm
from coilbench.capture.strokes.sweep import Branch, Origin, Sweep

FREE_MM, SOLID_MM, RATE = 50.0, 22.0, 17.0


def press(
    bottom_mm: float, *, soft: float = 0.0, samples: int = 500, seed: int = 1, noise_n: float = 0.1
) -> Branch:
    """A press from 2 mm above the spring; coils that touch add 1500 N/mm below SOLID_MM."""
    rng = np.random.default_rng(seed)
    height: NDArray[np.float64] = np.linspace(
        FREE_MM + 2.0 + rng.uniform(0, 0.05), bottom_mm, samples
    )
    depth = np.maximum(FREE_MM - height, 0.0)
    load = RATE * (depth - soft * 0.5 * (1.0 - np.exp(-depth / 0.5)))
    load = load + 1500.0 * np.maximum(SOLID_MM - height, 0.0)
    return Branch(np.round(height, 2), load + rng.normal(0.0, noise_n, samples))


@pytest.mark.parametrize("samples", [60, 250, 1000])
def test_contact_of_a_straight_spring(samples: int) -> None:
    for seed in range(20):
        contact = find_contact(press(25.0, samples=samples, seed=seed))
        assert contact is not None
        # five standard errors and half of the 0.01 mm step
        assert contact.height_mm == pytest.approx(FREE_MM, abs=5.0 * contact.se_mm + 0.005)
        assert contact.se_mm < 0.05
        assert contact.mm_per_n == pytest.approx(1.0 / RATE, rel=0.25)


def test_softly_closing_end_coils_hide_little_of_the_free_length() -> None:
    lengths = []
    for seed in range(20):
        contact = find_contact(press(25.0, soft=0.4, samples=800, seed=seed))
        assert contact is not None
        lengths.append(contact.height_mm)
    # a line through the straight part would lose all of soft * 0.5 mm = 0.2 mm, and one through
    # the very first loads about 0.05 mm
    assert float(np.mean(lengths)) == pytest.approx(FREE_MM, abs=0.035)


def test_a_press_that_begins_under_load_shows_no_contact() -> None:
    height = np.linspace(40.0, 25.0, 400)
    assert find_contact(Branch(height, RATE * (FREE_MM - height))) is None
    assert find_contact(Branch(height[:2], height[:2])) is None
    assert find_contact(Branch(height, np.zeros(400))) is None


def test_free_length_of_several_presses_with_its_uncertainty() -> None:
    empty = Branch(np.empty(0), np.empty(0))
    sweeps = [
        Sweep("s", "larch-01", Origin.RIG, press(25.0, seed=seed), empty, 0.5, 0.001, 0.03)
        for seed in range(3)
    ]
    found = find_free_length(sweeps)
    assert found is not None
    assert abs(found.length_mm - FREE_MM) < found.length_u_mm < 0.2
    # at least the datum's and the zero's shares, k = 2
    assert found.length_u_mm > 2.0 * np.hypot(0.03, 0.5 / RATE) * 0.9
    keyed = Sweep("s", "larch-01", Origin.KEYED, press(25.0), empty, 0.5, 0.001, 0.03)
    assert find_free_length([keyed]) is None


def test_solid_height_where_the_press_reached_it() -> None:
    for seed in range(10):
        solid = find_solid_mm(press(21.7, samples=1500, seed=seed))
        assert solid == pytest.approx(SOLID_MM, abs=0.05)


@pytest.mark.parametrize("bottom_mm", [22.2, 25.0, 40.0])
def test_no_solid_height_where_it_was_not_reached(bottom_mm: float) -> None:
    for seed in range(20):
        assert find_solid_mm(press(bottom_mm, soft=0.4, seed=seed, noise_n=0.5)) is None


def test_a_progressive_spring_is_not_called_solid() -> None:
    height = np.linspace(52.0, 24.0, 800)
    depth = np.maximum(FREE_MM - height, 0.0)
    assert find_solid_mm(Branch(height, 6.0 * depth + 0.35 * depth**2)) is None
