"""How far two presses of one spring differ, beside what was put into them; curves by hand."""

import numpy as np
import pytest
from msgspec.structs import replace

from coilbench.capture.calibration.lag import Press
from coilbench.capture.running.own_presses import SAME_MM, SAME_SHARE, SLIP_MM, WITHIN_MM
from coilbench.capture.strokes.alike import (
    PressedPath,
    differ,
    slip_within,
)

FREE_MM, RATE, LOWEST_MM, FRICTION = 53.0, 16.0, 28.0, 0.01


def press(
    *, moved_mm=0.0, harder=0.0, slip_mm=0.0, slip_at=0.4, late_s=0.0, down_s=2.5, up_s=1.5, hz=80.0
):
    """A linear spring with friction in its load, pressed by a hand at rest at both ends.

    Args:
        slip_mm, slip_at: by how much heights read higher from a share of the time on.
        late_s: how late the load comes.
    """
    t_s = np.arange(-0.3, down_s + up_s + 0.3, 1.0 / hz)
    rng = np.random.default_rng(round(1000 * (down_s + moved_mm + slip_mm)))

    def height(t):
        u = np.where(t < down_s, t / down_s, 1.0 - (t - down_s) / up_s).clip(0.0, 1.0)
        shake = 0.04 * np.sin(2.0 * np.pi * (3.1 * t + rng.uniform())) * np.minimum(5.0 * u, 1.0)
        return FREE_MM + 1.0 - (FREE_MM + 1.0 - LOWEST_MM) * u**2 * (3.0 - 2.0 * u) + shake

    phase = rng.bit_generator.state
    read_mm = height(t_s)
    rng.bit_generator.state = phase
    true_mm = height(t_s - late_s)
    way = np.where(t_s - late_s < down_s, 1.0, -1.0)
    load_n = RATE * (1.0 + harder) * (FREE_MM - true_mm).clip(0.0) * (1.0 + FRICTION * way)
    load_n = load_n + rng.normal(0.0, 0.05, t_s.size)
    slipped = slip_mm * (t_s > slip_at * (down_s + up_s))
    read_mm = read_mm + moved_mm + slipped
    return PressedPath(Press(t_s, load_n, read_mm, np.zeros_like(t_s)))


BEFORE = press(down_s=2.4)
LATE = {"late_s": 0.02}


@pytest.mark.parametrize("how", [{}, {"late_s": 0.02}, {"hz": 10.0, "down_s": 6.0, "up_s": 5.0}])
def test_a_press_like_the_one_before_differs_by_less_than_its_uncertainty_explains(how):
    before = press(**{"down_s": 2.1, **how}) if how.get("hz") is None else press(**how)
    found = differ(press(**{"down_s": 2.9, **how}), before)
    assert not found.moved_mm.surely_over(0.03)
    assert not found.load_share.surely_over(0.003)
    assert not found.slip.by_mm.surely_over(0.05)
    assert not slip_within(press(**how)).by_mm.surely_over(0.1)


@pytest.mark.parametrize("late_s", [0.0, 0.02, 0.04])
@pytest.mark.parametrize("moved_mm", [0.15, -0.15, 0.5, -1.0])
def test_a_datum_that_moved_is_measured(moved_mm, late_s):
    found = differ(press(moved_mm=moved_mm, late_s=late_s), press(late_s=late_s, down_s=2.0))
    assert found.moved_mm.value == pytest.approx(moved_mm, abs=0.02)
    assert found.moved_mm.surely_over(SAME_MM)
    assert not found.load_share.surely_over(SAME_SHARE)
    assert not found.slip.by_mm.surely_over(SLIP_MM)


@pytest.mark.parametrize("harder", [-0.08, -0.03, 0.03])
def test_a_spring_that_pushes_otherwise_is_told_from_a_datum_that_moved(harder):
    found = differ(press(harder=harder), BEFORE)
    assert found.load_share.value == pytest.approx(harder, abs=0.003)
    assert found.load_share.surely_over(SAME_SHARE)
    assert not found.moved_mm.surely_over(SAME_MM)
    assert not found.slip.by_mm.surely_over(SLIP_MM)


@pytest.mark.parametrize("slip_at", [0.3, 0.45, 0.75])
@pytest.mark.parametrize("slip_mm", [0.3, -0.3, 0.8])
def test_a_slip_is_measured_beside_another_press(slip_mm, slip_at):
    found = differ(press(slip_mm=slip_mm, slip_at=slip_at), BEFORE)
    assert found.slip.by_mm.value == pytest.approx(slip_mm, abs=0.06)
    assert found.slip.by_mm.surely_over(SLIP_MM)
    assert found.slip.way == ("down" if slip_at < 0.6 else "up")


@pytest.mark.parametrize("slip_mm", [0.5, -0.5, 1.0])
def test_so_it_is_in_a_press_alone(slip_mm):
    found = slip_within(press(slip_mm=slip_mm, slip_at=0.35))
    assert found.by_mm.value == pytest.approx(slip_mm, abs=0.1)
    assert found.by_mm.surely_over(WITHIN_MM)


@pytest.mark.parametrize("always_n", [5.0, 15.0])
def test_friction_that_is_always_the_same_is_no_slip(always_n):
    """As a flat-wire damper makes it."""
    one = press()
    way = np.where(one.press.t_s < 2.5, 1.0, -1.0) * (one.press.load_n > 1.0)
    rubbed = replace(one.press, load_n=one.press.load_n + always_n * way)
    assert not slip_within(PressedPath(rubbed)).by_mm.surely_over(WITHIN_MM)


def test_what_was_not_pressed_is_not_compared():
    nothing = PressedPath(replace(BEFORE.press, load_n=0.0 * BEFORE.press.load_n))
    assert differ(nothing, BEFORE) is None
    assert differ(BEFORE, nothing) is None
    assert slip_within(nothing) is None
