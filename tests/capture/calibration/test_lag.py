"""Averages over a filter's window: against the exact moving average of a sine and of lines."""

import numpy as np
import pytest
from scipy.interpolate import Akima1DInterpolator

from coilbench.capture.calibration.course import Course
from coilbench.capture.calibration.lag import Lag, Press, Presses

T_S = np.arange(0.0, 4.0, 1.0 / 93.0)


@pytest.mark.parametrize("length_s", [0.01, 0.043, 0.2])
def test_a_moving_average_of_a_sine_is_a_delayed_and_smaller_sine(length_s):
    """Mean of sin over a past window: delayed by half of it, less by sinc (calculus)."""
    omega = 2.0 * np.pi * 1.3
    shown = Course(T_S, np.sin(omega * T_S)).averaged(0.5 * length_s, length_s**2 / 12.0)
    less = np.sinc(omega * length_s / 2.0 / np.pi)
    inside = (length_s < T_S) & (T_S < 3.9)
    expected = less * np.sin(omega * (T_S - 0.5 * length_s))
    assert np.abs(shown - expected)[inside].max() < 2e-4


def test_a_mere_delay_and_an_early_load():
    x = np.sin(2.0 * T_S)
    inside = (T_S > 0.1) & (T_S < 3.9)
    late = Course(T_S, x).averaged(0.05, 0.0)
    early = Course(T_S, x).averaged(-0.05, 0.0)
    assert np.abs(late - np.sin(2.0 * (T_S - 0.05)))[inside].max() < 1e-4
    assert np.abs(early - np.sin(2.0 * (T_S + 0.05)))[inside].max() < 1e-4
    assert Course(T_S[:1], x[:1]).averaged(0.05, 0.0) == pytest.approx(x[:1])


def test_what_was_before_and_after_stood_still():
    x = np.where(T_S < 2.0, 5.0, 7.0)
    shown = Course(T_S, x).averaged(0.3, 0.03)
    assert shown[0] == pytest.approx(5.0)
    assert shown[-1] == pytest.approx(7.0)
    assert 5.0 - 1e-9 <= shown.min() <= shown.max() <= 7.0 + 1e-9  # and nothing overshoots


def test_what_moves_at_once_stood_still_before_and_stops_at_the_end():
    """Of a straight way the mean over the standing part and the way is known exactly."""
    x = 50.0 - 3.0 * T_S
    begun, half_s = 0.5, np.sqrt(3.0 * 0.03)
    shown = Course(T_S, x).averaged(begun, 0.03)
    moving_s = np.clip(T_S - begun + half_s, 0.0, 2.0 * half_s)  # of the window, since the start
    expected = 50.0 - 3.0 * moving_s**2 / (4.0 * half_s)
    early = begun + half_s >= T_S
    assert shown[early] == pytest.approx(expected[early], abs=1e-3)
    ahead = Course(T_S, x).averaged(-3.0, 0.0)
    assert ahead[T_S[-1] < T_S + 3.0] == pytest.approx(x[-1], abs=1e-12)


@pytest.mark.parametrize("spread_s2", [0.0, 0.002])
def test_the_course_inside_is_scipys(spread_s2):
    """Akima1DInterpolator and its antiderivative, away from the ends that each treats its own way.

    Uneven times, and a standing part (no slope on either side).
    """
    rng = np.random.default_rng(5)
    t_s = np.cumsum(rng.uniform(0.005, 0.02, 400))
    x = np.stack([np.sin(3.0 * t_s), np.where(t_s < 2.0, 4.0, 4.0 + rng.normal(0.0, 1.0, 400))])
    delays_s, spreads_s2 = np.array([0.1, -0.2, 0.0]), np.full(3, spread_s2)
    ours = [Course(t_s, each).averages(delays_s, spreads_s2) for each in x]
    assert ours[0].shape == (3, 400)
    half_s = np.sqrt(3.0 * spread_s2)
    inside = (t_s > t_s[3] + 0.3) & (t_s < t_s[-4] - 0.3)
    for one, values in zip(ours, x, strict=True):
        curve = Akima1DInterpolator(t_s, values)
        for delay_s, row in zip(delays_s, one, strict=True):
            at = t_s[inside] - delay_s
            expected = curve(at)
            if half_s > 0.0:
                area = curve.antiderivative()
                expected = (area(at + half_s) - area(at - half_s)) / (2.0 * half_s)
            assert row[inside] == pytest.approx(expected, abs=1e-11)


def test_above_contact_the_height_does_not_count():
    """A spring of 10 N/mm from 50 mm down, its load averaged over 0.4 s: the heights fit again."""
    fine_s = np.arange(0.0, 3.0, 1e-3)
    height = 60.0 - 10.0 * fine_s
    load = 10.0 * np.maximum(50.0 - height, 0.0)
    shown = np.convolve(load, np.ones(401) / 401.0)[: load.size]  # mean of the last 0.4 s
    pick = slice(None, None, 20)
    press = Press(fine_s[pick], shown[pick], height[pick], 0.0 * height[pick])
    blind = press.height_mm(0.2, 0.4**2 / 12.0)
    seeing = Press(*(getattr(press, n) for n in ("t_s", "load_n", "travel_mm", "flex_mm")), 50.0)
    knowing = seeing.height_mm(0.2, 0.4**2 / 12.0)
    just_below = (shown[pick] > 10.0) & (shown[pick] < 19.0)  # the window reaches above contact
    off_n = press.load_n - 10.0 * (50.0 - knowing)
    assert np.abs(off_n[just_below]).max() < 0.6
    assert np.abs(press.load_n - 10.0 * (50.0 - blind))[just_below].max() > 1.0
    late = press.load_n > 60.0
    assert knowing[late] == pytest.approx(blind[late])


def test_the_window_begins_where_it_should():
    begun = Presses.of([Press(T_S, T_S, T_S, 0.0 * T_S)]).earlier(
        T_S, 0.1, 0.1**2 / 3.0
    )  # a moving average of 0.2 s
    assert begun[50:] == pytest.approx(T_S[50:] - 0.2)


@pytest.mark.parametrize("spread_s2", [0.0, 0.03])
def test_strokes_behind_each_other_are_what_each_is_alone(spread_s2):
    """Of other lengths, rates and begins; one of them ends before the window is over."""
    rng = np.random.default_rng(7)
    alone = []
    for size, begin_s in ((2, 5.0), (300, 0.0), (90, 0.01), (3, 2.0)):
        t_s = begin_s + np.cumsum(rng.uniform(0.005, 0.02, size))
        travel = 50.0 - np.cumsum(rng.uniform(-0.1, 0.2, size))
        contact = float(rng.choice([np.inf, travel.mean()]))
        alone.append(Press(t_s, rng.normal(size=size), travel, rng.normal(size=size), contact))
    together = Presses.of(alone)
    filters = (0.2, -0.1, 0.0), (spread_s2, spread_s2, 0.002)
    heights = together.heights_mm(*filters)
    picked = np.flatnonzero(rng.uniform(size=heights.shape[1]) < 0.3)
    np.testing.assert_array_equal(together.heights_mm(*filters, picked), heights[:, picked])
    for each, own in zip(alone, together.rows.slices, strict=True):
        for found, delay_s, of_s2 in zip(heights[:, own], *filters, strict=True):
            np.testing.assert_allclose(found, each.height_mm(delay_s, of_s2), atol=1e-10)
        begun = np.interp(each.t_s - 0.3, each.t_s, each.load_n)
        found = together.earlier(together.load_n, 0.2, 0.1**2 / 3.0)[own]
        np.testing.assert_allclose(found, begun, atol=1e-10)


def test_the_delays_uncertainty_is_the_covariances():
    assert Lag(0.02, 1e-4, ((4e-6, 0.0), (0.0, 1e-10))).delay_u_s == pytest.approx(2e-3)
