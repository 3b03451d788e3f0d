"""How far a spring lies from its first presses: the limit, and what its uncertainty is made of."""

import numpy as np
import pytest

from coilbench.capture.calibration.lag import Press
from coilbench.capture.strokes.alike import (
    CLOSED_MM,
    SURELY,
    Measured,
    Moved,
    PressedPath,
    moved_since,
)

FREE_MM, RATE_N_PER_MM = 50.0, 16.0


def path(by_mm=0.0, noise_mm=0.0, seed=1):
    """A straight spring pressed by 20 mm and back, read so much too high."""
    depth_mm = 20.0 * np.sin(np.linspace(0.0, np.pi, 200)) ** 2
    noise = np.random.default_rng(seed).normal(0.0, noise_mm, depth_mm.shape)
    height_mm = FREE_MM - depth_mm + by_mm + noise
    t_s = np.arange(depth_mm.size) / 80.0
    return PressedPath(Press(t_s, RATE_N_PER_MM * depth_mm, height_mm, np.zeros_like(t_s)))


def test_what_moved_is_found_with_what_it_is_worth():
    found = moved_since(path(0.3), [path(), path()], [(path(), path())])
    assert found.moved_mm.value == pytest.approx(0.3, abs=0.005)
    assert found.rate_n_per_mm == pytest.approx(RATE_N_PER_MM, rel=0.02)
    facts = found.facts
    assert facts["load_n"] == pytest.approx(0.3 * RATE_N_PER_MM, rel=0.05)
    assert facts["u_mm"] == 2.0 * found.moved_mm.u


@pytest.mark.parametrize("way", [1.0, -1.0])
@pytest.mark.parametrize(("mm", "differs"), [(CLOSED_MM - 0.005, False), (CLOSED_MM + 0.005, True)])
def test_springs_that_repeat_well_agree_within_a_limit(mm, differs, way):
    own = [path() for _ in range(3)]
    found = moved_since(path(way * mm), own, [(path(), path())])
    assert found.differs is differs


def test_springs_that_repeat_badly_are_allowed_as_much():
    """Pairs 0.1 mm apart have a standard deviation of 0.1 / sqrt(2) each."""
    pairs = [(path(), path(0.1)), (path(0.1), path())]
    found = moved_since(path(0.2), [path()], pairs)
    assert found.moved_mm.u == pytest.approx(0.1, rel=0.05)
    assert not found.differs
    assert moved_since(path(0.5), [path()], pairs).differs


def test_the_limit_grows_with_the_uncertainty():
    u_mm = 0.03
    assert not Moved(Measured(0.99 * SURELY * u_mm, u_mm), 16.0).differs
    assert Moved(Measured(1.01 * SURELY * u_mm, u_mm), 16.0).differs


def test_without_presses_that_can_be_compared_nothing_is_known():
    short = PressedPath(Press(*(np.zeros(5) for _ in range(4))))
    assert moved_since(path(), [], []) is None
    assert moved_since(short, [path()], []) is None
    assert moved_since(path(), [short], []) is None
