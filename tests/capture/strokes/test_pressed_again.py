"""What a spring pressed once more shows: each limit, what its uncertainty is made of.

Three spreads are worked out by hand; a shift, and a share of the load, are put into straight
springs of which all else is known.
"""

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from coilbench.capture.calibration.lag import Press
from coilbench.capture.strokes.alike import LEAST_SD_MM, SURELY, Measured, PressedPath
from coilbench.capture.strokes.pressed_again import (
    CLOSED_MM,
    Moved,
    moved_since,
    same_shift,
    shown_by,
    widened_by_mm,
)

FREE_MM, RATE_N_PER_MM, DEPTH_MM = 50.0, 16.0, 20.0
NO_SHARE = Measured(0.0, 1e-4)


def path(by_mm=0.0, noise_mm=0.0, seed=1, softer=0.0):
    """A straight spring pressed by 20 mm and back, read so much too high."""
    depth_mm = DEPTH_MM * np.sin(np.linspace(0.0, np.pi, 200)) ** 2
    noise = np.random.default_rng(seed).normal(0.0, noise_mm, depth_mm.shape)
    height_mm = FREE_MM - depth_mm + by_mm + noise
    t_s = np.arange(depth_mm.size) / 80.0
    load_n = (1.0 - softer) * RATE_N_PER_MM * depth_mm
    return PressedPath(Press(t_s, load_n, height_mm, np.zeros_like(t_s)))


def again(new, presses=2):
    return moved_since(new, [path() for _ in range(presses)], [(path(), path())])


def test_what_moved_is_found_at_both_ends_with_what_it_is_worth():
    found = again(path(0.3))
    for one in (found.light_mm, found.deepest_mm, found.moved_mm):
        assert one.value == pytest.approx(0.3, abs=0.005)
    assert found.rate_n_per_mm == pytest.approx(RATE_N_PER_MM, rel=0.02)
    assert found.load_share.value == pytest.approx(0.0, abs=1e-3)
    facts = found.facts
    assert facts["load_n"] == pytest.approx(0.3 * RATE_N_PER_MM, rel=0.05)
    assert facts["u_mm"] == 2.0 * found.moved_mm.u


@pytest.mark.parametrize("softer", [0.004, -0.004])
def test_another_rate_is_no_shift_of_heights_though_it_lies_right_at_light_loads(softer):
    """By equal loads it lies lower by the share of the way to there: 0.08 mm of 20 mm."""
    found = again(path(softer=softer))
    assert found.light_mm.value == pytest.approx(0.0, abs=0.01)
    way_mm = 0.9 * DEPTH_MM  # the largest load that is compared
    assert found.deepest_mm.value == pytest.approx(-softer * way_mm, abs=0.01)
    assert found.load_share.value == pytest.approx(-softer, rel=0.1)
    assert found.shows == "other_loads"
    assert found.moved_mm is found.deepest_mm


def test_a_rate_that_is_hardly_another_is_part_of_the_uncertainty_at_the_largest_load():
    softer = 0.0022
    found = again(path(softer=softer))
    assert found.shows == "widened"
    facts = found.facts
    assert widened_by_mm(facts["moved_mm"], facts["u_mm"]) > softer * DEPTH_MM


@pytest.mark.parametrize("way", [1.0, -1.0])
@pytest.mark.parametrize(
    ("mm", "shows"),
    [
        (2.0 * LEAST_SD_MM * math.sqrt(1.5) - 0.003, "as_at_first"),
        (2.0 * LEAST_SD_MM * math.sqrt(1.5) + 0.003, "widened"),
        (CLOSED_MM - 0.003, "widened"),
        (CLOSED_MM + 0.003, "moved"),
    ],
)
def test_springs_that_repeat_well_have_three_verdicts(mm, shows, way):
    assert again(path(way * mm)).shows == shows


def test_springs_that_repeat_badly_are_allowed_as_much():
    """Pairs 0.1 mm apart have a standard deviation of 0.1 / sqrt(2) each."""
    pairs = [(path(), path(0.1)), (path(0.1), path())]
    found = moved_since(path(0.19), [path()], pairs)
    for one in (found.light_mm, found.deepest_mm):
        assert one.u == pytest.approx(0.1, rel=0.05)
    assert found.shows == "as_at_first"
    assert moved_since(path(0.3), [path()], pairs).shows == "widened"
    assert moved_since(path(0.5), [path()], pairs).shows == "moved"


def test_loads_that_repeat_badly_are_allowed_as_much():
    """Pairs 0.2 % apart have a standard deviation of 0.2 % / sqrt(2) each."""
    found = moved_since(path(softer=0.004), [path()], [(path(), path(softer=0.002))])
    assert found.load_share.u == pytest.approx(0.002, rel=0.1)
    assert found.shows != "other_loads"


@pytest.mark.parametrize("end", [0, 1])
@pytest.mark.parametrize("way", [1.0, -1.0])
@pytest.mark.parametrize(
    ("times_u", "u_mm", "shows"),
    [
        (1.99, 0.03, "as_at_first"),
        (2.01, 0.03, "widened"),
        (0.99 * SURELY, 0.03, "widened"),
        (1.01 * SURELY, 0.03, "moved"),
        (0.99 * CLOSED_MM / 0.005, 0.005, "widened"),
        (1.01 * CLOSED_MM / 0.005, 0.005, "moved"),
    ],
)
def test_each_limit_holds_for_either_end(times_u, u_mm, shows, end, way):
    far, near = Measured(way * times_u * u_mm, u_mm), Measured(way * 1.9 * u_mm, u_mm)
    assert shown_by(*((far, near) if end else (near, far)), NO_SHARE) == shows


@pytest.mark.parametrize(
    ("grows_mm", "share_u", "shows"),
    [
        (CLOSED_MM + 0.001, 0.0009, "other_loads"),
        (CLOSED_MM - 0.001, 0.0009, "widened"),
        (CLOSED_MM + 0.001, 0.0011, "widened"),  # it may be a shift at equal loads
    ],
)
def test_loads_are_other_where_it_is_sure_that_they_are(grows_mm, share_u, shows):
    ends = Measured(-0.5 * grows_mm, 0.01), Measured(0.5 * grows_mm, 0.01)
    assert shown_by(*ends, Measured(0.004, share_u)) == shows


MM = st.floats(-1.0, 1.0)
U_MM = st.floats(1e-4, 0.1)


@given(MM, MM, U_MM, st.floats(-0.02, 0.02), st.floats(1e-5, 0.01))
def test_what_agrees_is_never_beyond_what_the_uncertainty_covers(light, deepest, u_mm, share, u):
    shows = shown_by(Measured(light, u_mm), Measured(deepest, u_mm), Measured(share, u))
    found = Moved(Measured(light, u_mm), Measured(deepest, u_mm), Measured(share, u), 16.0)
    most_mm = max(abs(light), abs(deepest))
    facts = found.facts
    widened_mm = widened_by_mm(facts["moved_mm"], facts["u_mm"])
    if shows == "as_at_first":
        assert most_mm <= 2.0 * u_mm
        assert widened_mm == 0.0
    if shows == "widened":
        assert 2.0 * u_mm < most_mm <= max(CLOSED_MM, SURELY * u_mm)
        assert widened_mm >= most_mm + u_mm
    if shows == "moved":
        assert most_mm > max(CLOSED_MM, SURELY * u_mm)
    mirrored = shown_by(Measured(-light, u_mm), Measured(-deepest, u_mm), Measured(-share, u))
    assert mirrored == shows


@pytest.mark.parametrize(("off", "same"), [(0.99, True), (1.01, False)])
@pytest.mark.parametrize("way", [1.0, -1.0])
def test_a_gauge_makes_up_for_a_shift_within_both_uncertainties(off, same, way):
    """Those of two readings that are independent: 0.03 and 0.04 mm make 0.05."""
    assert same_shift(way * 0.09, 0.03, way * (off * 0.05 - 0.09), 0.04) is same


@given(MM, U_MM, U_MM)
def test_a_gauge_that_says_nothing_moved_bears_out_no_shift(moved_mm, u_mm, gauge_u_mm):
    assume(abs(moved_mm) > u_mm + gauge_u_mm)
    assert not same_shift(moved_mm, u_mm, 0.0, gauge_u_mm)
    assert not same_shift(moved_mm, u_mm, moved_mm, gauge_u_mm)
    assert same_shift(moved_mm, u_mm, -moved_mm, gauge_u_mm)


def test_without_presses_that_can_be_compared_nothing_is_known():
    short = PressedPath(Press(*(np.zeros(5) for _ in range(4))))
    assert moved_since(path(), [], []) is None
    assert moved_since(short, [path()], []) is None
    assert moved_since(path(), [short], []) is None
