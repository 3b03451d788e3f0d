"""The simulated springs against SciPy and against closed forms."""

import numpy as np
import pytest
import scipy
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad, trapezoid

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.virtual.instrument import recur
from coilbench.capture.virtual.spring import INNER, OUTER, SpringModel, draw_set
from support.virtual_truth import rate_at

springs = st.builds(
    SpringModel,
    free_length_mm=st.floats(40.0, 60.0),
    rate_n_per_mm=st.floats(4.0, 40.0),
    solid_height_mm=st.floats(15.0, 30.0),
    soft_fraction=st.floats(0.0, 0.9),
    soft_mm=st.floats(0.1, 1.0),
    crack_depth_mm=st.none() | st.floats(4.0, 8.0),
    crack_rate_ratio=st.floats(0.6, 1.5),
)


@given(springs)
@settings(max_examples=30)
def test_load_rises_with_depth_and_is_nothing_above_the_free_length(spring: SpringModel) -> None:
    height = np.linspace(spring.free_length_mm + 5.0, spring.solid_height_mm - 1.0, 3000)
    load = spring.load_n(height)
    touching = height < spring.free_length_mm
    assert np.all(load[~touching] == 0.0)
    assert np.all(np.diff(load[touching]) > 0.0)


def test_plain_spring_obeys_hookes_law() -> None:
    spring = SpringModel(50.0, 12.5, 20.0, soft_fraction=0.0)
    for depth in (0.0, 1.0, 10.0, 25.0):
        assert spring.load_n(50.0 - depth) == pytest.approx(12.5 * depth, abs=1e-9)


def test_soft_ends_take_a_known_length_off_the_depth() -> None:
    # Far past the soft ends the curve is a straight line whose foot lies s*e below the touch.
    spring = SpringModel(50.0, 10.0, 20.0, soft_fraction=0.4, soft_mm=0.5)
    assert rate_at(spring, 50.0 - 2e-5) == pytest.approx(6.0, rel=1e-4)
    assert spring.load_n(35.0) == pytest.approx(10.0 * (15.0 - 0.4 * 0.5), rel=1e-9)
    assert rate_at(spring, 35.0) == pytest.approx(10.0, rel=1e-9)


def test_coils_bind_at_solid_height() -> None:
    assert rate_at(OUTER, OUTER.solid_height_mm + 1.0) == pytest.approx(16.0, rel=1e-3)
    assert rate_at(OUTER, OUTER.solid_height_mm) == pytest.approx(16.0 + 750.0, rel=1e-6)
    assert rate_at(OUTER, OUTER.solid_height_mm - 1.0) == pytest.approx(16.0 + 1500.0, rel=1e-3)


def test_a_crack_changes_the_rate_below_its_depth() -> None:
    spring = SpringModel(
        50.0, 10.0, 20.0, soft_fraction=0.0, crack_depth_mm=12.0, crack_rate_ratio=0.8
    )
    assert rate_at(spring, 45.0) == pytest.approx(10.0, rel=1e-6)
    assert rate_at(spring, 30.0) == pytest.approx(8.0, rel=1e-6)
    assert spring.load_n(30.0) == pytest.approx(10.0 * 12.0 + 8.0 * 8.0, rel=1e-6)


def press_path(spring: SpringModel, bottom_mm: float, samples: int = 800) -> np.ndarray:
    top = spring.free_length_mm + 1.0
    down = np.linspace(top, bottom_mm, samples)
    return np.concatenate([down, down[::-1][1:]])


def test_friction_costs_energy_and_its_mean_is_the_true_load() -> None:
    path = press_path(OUTER, 28.0)
    load = OUTER.pressed_load_n(path)
    middle = (path > 32.0) & (path < 48.0)
    loading, unloading = load[:800], load[799:]
    assert np.all(loading[middle[:800]] > OUTER.load_n(path[:800])[middle[:800]])
    mean = 0.5 * (loading + unloading[::-1])
    np.testing.assert_allclose(
        mean[middle[:800]], OUTER.load_n(path[:800])[middle[:800]], rtol=1e-6
    )
    # The work lost round the loop is twice the friction's share of the stored energy (quad),
    # less what the smooth reversal at the bottom saves.
    lost = -trapezoid(load, path)
    stored, _ = quad(lambda h: float(OUTER.load_n(h)), 28.0, OUTER.free_length_mm, limit=200)
    assert lost == pytest.approx(2.0 * OUTER.friction_fraction * stored, rel=0.05)
    assert 0.0 < lost < 2.0 * OUTER.friction_fraction * stored


def test_friction_turns_round_smoothly() -> None:
    path = press_path(OUTER, 28.0)
    ratio = OUTER.pressed_load_n(path) / np.maximum(OUTER.load_n(path), 1e-9)
    turn = ratio[790:900]
    # It relaxes from +1 to -1 over reversal_mm: nowhere faster than 2/reversal_mm.
    steepest = 2.0 * OUTER.friction_fraction / OUTER.reversal_mm
    assert np.max(np.abs(np.diff(turn))) <= steepest * np.max(np.abs(np.diff(path)))
    assert turn[0] == pytest.approx(1.0 + OUTER.friction_fraction, rel=1e-4)
    assert turn[-1] == pytest.approx(1.0 - OUTER.friction_fraction, rel=1e-4)


def test_the_first_presses_push_harder_until_the_spring_has_set() -> None:
    path = press_path(OUTER, 28.0)
    peaks = [OUTER.pressed_load_n(path, presses_before=n).max() for n in range(4)]
    worked = OUTER.pressed_load_n(path).max()
    excess = np.array(peaks) - worked
    assert np.all(np.diff(excess) < 0.0)
    assert excess[0] == pytest.approx(16.0 * 0.06 * 1.012, rel=0.01)
    assert excess[2] < 0.1 * excess[0]


def test_a_spring_that_was_pressed_goes_on_as_it_was_left() -> None:
    path = press_path(OUTER, 28.0)
    for before in (0, 1, 3):
        at_once = OUTER.pressed_load_n(path, presses_before=before + 1)
        assert OUTER.after(before).pressed_load_n(path, 1) == pytest.approx(at_once)


def test_height_at_load_inverts_the_curve() -> None:
    for load in (5.0, 250.0, 430.0, 900.0):
        assert OUTER.load_n(OUTER.height_at_load(load)) == pytest.approx(load, rel=1e-6)


def test_a_drawn_set_holds_the_odd_ones_it_was_asked_for() -> None:
    drawn = draw_set(OUTER, 12, seed=3, tired=2, cracked=1)
    assert draw_set(OUTER, 12, seed=3, tired=2, cracked=1) == drawn
    assert draw_set(OUTER, 12, seed=4, tired=2, cracked=1) != drawn
    whole = draw_set(OUTER, 12, seed=3)  # the same springs, none of them odd
    changed = [now for now, was in zip(drawn, whole, strict=True) if now != was]
    cracked = [spring for spring in changed if spring.crack_depth_mm is not None]
    tired = [spring for spring in changed if spring not in cracked]
    assert (len(tired), len(cracked)) == (2, 1)
    sound = np.array([float(s.load_n(28.0)) for s in drawn if s not in changed])
    assert np.std(sound) / np.mean(sound) < 0.03
    assert max(float(s.load_n(28.0)) for s in tired) < 0.95 * sound.min()
    assert max(float(s.load_n(28.0)) for s in cracked) < 0.95 * sound.min()


def test_impossible_springs_and_sets_are_refused() -> None:
    with pytest.raises(CoilbenchError, match="can't be"):
        SpringModel(20.0, 10.0, 25.0)
    with pytest.raises(CoilbenchError, match="set of 2"):
        draw_set(INNER, 2, seed=0, tired=2, cracked=1)


@given(st.integers(0, 2**32), st.floats(0.001, 1.9), st.integers(1, 900), st.floats(-5.0, 5.0))
@settings(max_examples=30)
def test_recurrence_matches_scipys_filter(
    seed: int, exponent: float, count: int, state: float
) -> None:
    # scipy.signal.lfilter as the outside: y[i] = a y[i-1] + (1 - a) x[i].
    target = np.random.default_rng(seed).normal(size=count)
    a = np.exp(-exponent)
    expected, _ = scipy.signal.lfilter([1.0 - a], [1.0, -a], target, zi=[a * state])
    np.testing.assert_allclose(
        recur(np.full(count, exponent), target, state), expected, rtol=1e-9, atol=1e-12
    )
