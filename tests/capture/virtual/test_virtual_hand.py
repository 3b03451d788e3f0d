"""The unsteady hand."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from coilbench.capture.virtual.bench import StrokeKind, draw_stroke, ease


def path(kind: StrokeKind, seed: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    stroke = draw_stroke(kind, np.random.default_rng(seed))
    t_s = np.arange(0.0, stroke.at_s[-1], 0.005)
    return t_s, stroke.approach_at(t_s), stroke.press_at(t_s)


@given(st.sampled_from(StrokeKind), st.integers(0, 2**32))
def test_every_stroke_is_smooth_and_comes_back(kind: StrokeKind, seed: int) -> None:
    _, approach, press = path(kind, seed)
    assert approach[0] == press[0] == 0.0
    assert approach[-1] == pytest.approx(0.0, abs=1e-3)
    assert press[-1] == pytest.approx(0.0, abs=1e-3)
    assert press.min() >= -1e-12
    assert press.max() <= 1.0 + 1e-12
    assert np.abs(np.diff(press)).max() < 0.06
    assert np.all(approach[press > 1e-6] > 1.0 - 1e-6)  # it presses only once it has touched


def turns(press: np.ndarray) -> int:
    direction = np.sign(np.round(np.diff(press), 9))
    direction = direction[direction != 0.0]
    return int(np.count_nonzero(np.diff(direction)))


def test_kinds_are_what_they_are_called() -> None:
    seconds = {kind: path(kind)[0][-1] for kind in StrokeKind}
    assert seconds[StrokeKind.FAST] < seconds[StrokeKind.STEADY] < seconds[StrokeKind.SLOW]
    assert path(StrokeKind.SHORT)[2].max() == pytest.approx(0.45)
    assert path(StrokeKind.STEADY)[2].max() == pytest.approx(1.0)
    assert turns(path(StrokeKind.STEADY)[2]) == 1
    assert turns(path(StrokeKind.DOUBLE)[2]) == 3
    assert turns(path(StrokeKind.PAUSED)[2]) == 1
    paused = path(StrokeKind.PAUSED)[2]
    assert np.count_nonzero(np.isclose(paused, 0.5)) > 0.8 / 0.005


def test_no_two_strokes_are_alike_but_a_seed_repeats() -> None:
    rng = np.random.default_rng(4)
    first, second = draw_stroke(StrokeKind.STEADY, rng), draw_stroke(StrokeKind.STEADY, rng)
    assert first.at_s[-1] != second.at_s[-1]
    again = draw_stroke(StrokeKind.STEADY, np.random.default_rng(4))
    np.testing.assert_array_equal(first.at_s, again.at_s)
    np.testing.assert_array_equal(first.tremor, again.tremor)


def test_the_shake_has_unit_spread() -> None:
    stroke = draw_stroke(StrokeKind.STEADY, np.random.default_rng(9))
    assert stroke.shake_at(np.arange(0.0, 500.0, 0.01)).std() == pytest.approx(1.0, rel=0.05)


def test_minimum_jerk_course() -> None:
    # At rest at both ends, half-way at half-time, peak speed 15/8 of the mean (by its formula).
    u = np.linspace(0.0, 1.0, 10001)
    speed = np.gradient(ease(u), u)
    assert ease(np.array([0.5]))[0] == pytest.approx(0.5)
    assert speed[[0, -1]] == pytest.approx([0.0, 0.0], abs=1e-5)
    assert speed.max() == pytest.approx(1.875, rel=1e-6)
