"""Smoothing against SciPy; valve motion and limiting speed against closed forms."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import make_smoothing_spline

from coilbench.analysis.limits.lift_table import LiftTable, read_lift_table
from coilbench.analysis.limits.smoothing import fit_smoothing_spline
from coilbench.analysis.limits.spring_force import SpringForce
from coilbench.analysis.limits.valve_motion import (
    Mass,
    force_margin,
    limiting_speed,
    needed_force_n,
    valve_motion,
)
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.csv_table import read_table

H, BETA = 10.2, math.radians(60.0)
F0, K, M = 330.0, 30.0, 120.0


def harmonic(step=1.0, noise=0.0, res=0.0, seed=0):
    """s = h/2 (1 - cos(pi t/beta)); s'' = h/2 (pi/beta)^2 cos(pi t/beta)."""
    deg = np.arange(0, 120 + 1e-9, step)
    y = H / 2 * (1 - np.cos(np.pi * np.radians(deg) / BETA))
    y = y + np.random.default_rng(seed).normal(0, noise, deg.size)
    y = np.round(y / res) * res if res else y
    keep = y > 0
    return LiftTable("t", "valve", deg[keep], y[keep])


def polynomial(step=1.0, noise=0.0, res=0.0, seed=0):
    """3-4-5 rise and fall: s'' = h (60u - 180u^2 + 120u^3)/beta^2."""
    deg = np.arange(0, 120 + 1e-9, step)
    u = np.where(deg <= 60, deg / 60, (120 - deg) / 60)
    y = H * (10 * u**3 - 15 * u**4 + 6 * u**5)
    y = y + np.random.default_rng(seed).normal(0, noise, deg.size)
    y = np.round(y / res) * res if res else y
    a = b = int(np.argmax(y))
    while a and y[a - 1] > 0:
        a -= 1
    while b < len(y) - 1 and y[b + 1] > 0:
        b += 1
    return LiftTable("t", "valve", deg[a : b + 1], y[a : b + 1])


def springs(motion, k=K):
    load = F0 + k * motion.lift_mm
    return SpringForce(motion.lift_mm, load, 0 * load)


def truth_rpm(kind):
    u = np.linspace(0, 1, 400001)
    if kind is harmonic:
        s, a = H / 2 * (1 - np.cos(np.pi * u)), H / 2 * (np.pi / BETA) ** 2 * np.cos(np.pi * u)
    else:
        s, a = (
            H * (10 * u**3 - 15 * u**4 + 6 * u**5),
            H * (60 * u - 180 * u**2 + 120 * u**3) / BETA**2,
        )
    n = a < -1e-9
    return float(np.sqrt((F0 + K * s[n]) / (M * -a[n] * 1e-6)).min() / (2 * np.pi) * 120)


@pytest.mark.parametrize("lam", [0.1, 10.0, 1e3])
def test_cubic_is_scipys(lam):
    x = np.linspace(0, 100, 101)
    y = np.sin(x / 15) + np.random.default_rng(1).normal(0, 0.01, 101)
    ours, theirs = fit_smoothing_spline(x, y, lam, order=2), make_smoothing_spline(x, y, lam=lam)
    for nu in (0, 1, 2):
        assert ours.at(x, nu)[0] == pytest.approx(theirs(x, nu=nu), abs=1e-9)


def test_harmonic_acceleration():
    m = valve_motion(harmonic(res=0.001), 1.0, 0.0)
    a = H / 2 * (np.pi / BETA) ** 2 * np.cos(np.pi * np.radians(m.cam_deg) / BETA)
    assert np.abs(m.accel_mm_per_rad2 - a).max() < 0.02 * np.abs(a).max()
    assert np.mean(np.abs(m.accel_mm_per_rad2 - a) <= m.accel_u_mm_per_rad2) >= 0.95


def test_harmonic_limiting_speed_closed_form():
    """At the nose m (h/2)(pi/beta)^2 w^2 = F0 + k h: F falls more slowly than |a| away from it."""
    w = math.sqrt((F0 + K * H) / (M * 1e-6 * H / 2 * (math.pi / BETA) ** 2))
    assert w / (2 * math.pi) * 120 == pytest.approx(truth_rpm(harmonic), rel=1e-6)
    m = valve_motion(harmonic(res=0.001), 1.0, 0.0)
    s = limiting_speed(m, springs(m), Mass(M, 0.0))
    assert s.crank_rpm == pytest.approx(w / (2 * math.pi) * 120, rel=0.005)
    assert s.unread_mm is None


@pytest.mark.parametrize("kind", [harmonic, polynomial])
@pytest.mark.parametrize(
    ("step", "noise", "res"), [(1, 0.01, 0.01), (2, 0.02, 0.025), (5, 0.01, 0.01)]
)
def test_coverage(kind, step, noise, res):
    """At least 95 % of the intervals hold the closed form's speed, and they are under 8 %."""
    t, hits = truth_rpm(kind), 0
    for seed in range(20):
        m = valve_motion(kind(step, noise, res, seed), 1.0, 0.0)
        s = limiting_speed(m, springs(m), Mass(M, 0.0))
        hits += abs(s.crank_rpm - t) <= s.crank_rpm_u
        assert s.crank_rpm_u < 0.08 * t
    assert hits >= 19


def test_force_meets_need_at_the_limit_and_grows_as_speed_squared():
    m = valve_motion(harmonic(res=0.001), 1.0, 0.0)
    f = springs(m)
    s = limiting_speed(m, f, Mass(M, 0.0))
    g = force_margin(m, f, M, s.crank_rpm)
    assert g.needed_n == pytest.approx(g.spring_n, rel=0.01)
    assert needed_force_n(m, M, 6000) == pytest.approx(4 * needed_force_n(m, M, 3000))


def test_lobe_with_rocker_and_lash():
    t = harmonic(res=0.001)
    lobe = LiftTable("t", "lobe", t.cam_deg, t.lift_mm / 1.5)
    m, v = valve_motion(lobe, 1.5, 0.25), valve_motion(t, 1.0, 0.0)
    assert m.lift_mm.max() == pytest.approx(v.lift_mm.max() - 0.25, abs=0.002)
    assert m.accel_mm_per_rad2.min() == pytest.approx(v.accel_mm_per_rad2.min(), rel=1e-3)


def test_unread_springs_are_said():
    m = valve_motion(harmonic(res=0.001), 1.0, 0.0)
    f = springs(m)
    f.load_n[m.lift_mm > 9.0] = np.nan
    s = limiting_speed(m, f, Mass(M, 0.0))
    assert s.unread_mm[1] == pytest.approx(H, abs=0.01)
    assert s.lift_mm <= 9.0
    f.load_n[:] = np.nan
    assert limiting_speed(m, f, Mass(M, 0.0)) is None
    assert force_margin(m, f, M, 6000) is None


@settings(max_examples=10, deadline=None)
@given(st.floats(1, 100), st.floats(1, 20))
def test_heavier_is_slower_and_stiffer_is_faster(more_g, more_k):
    m = MOTION
    base = limiting_speed(m, springs(m), Mass(M, 0.0)).crank_rpm
    assert limiting_speed(m, springs(m), Mass(M + more_g, 0.0)).crank_rpm < base
    assert limiting_speed(m, springs(m, K + more_k), Mass(M, 0.0)).crank_rpm > base


MOTION = valve_motion(harmonic(res=0.001), 1.0, 0.0)


def csv(head, rows):
    return read_table((head + "\n" + "\n".join(rows)).encode(), "lift.csv")


ROWS = [f"{d},{10 * math.sin(math.pi * d / 60) if d <= 60 else 0:.3f}" for d in range(66)]


def test_crank_degrees_are_halved_and_inches_read():
    cam = read_lift_table(csv("cam_deg,valve_lift_mm", ROWS))
    crank = read_lift_table(csv("crank_deg,lobe_lift_in", ROWS))
    assert crank.cam_deg == pytest.approx(cam.cam_deg / 2)
    assert crank.lift_mm == pytest.approx(cam.lift_mm * 25.4)
    assert crank.of == "lobe"


@pytest.mark.parametrize(
    ("head", "rows", "said"),
    [
        ("deg,valve_lift_mm", ROWS, "doesn't say"),
        ("cam_deg,lift_mm", ROWS, "doesn't say"),
        ("cam_deg,valve_lift_mm", ROWS[:31], "no whole opening"),
        ("cam_deg,valve_lift_mm", ROWS[::-1], "above the row before"),
        ("cam_deg,valve_lift_mm", [*ROWS, "400,0"], "more than a turn"),
        ("cam_deg,valve_lift_mm", ROWS[:5], "no whole opening"),
    ],
)
def test_bad_tables(head, rows, said):
    with pytest.raises(CoilbenchError, match=said):
        read_lift_table(csv(head, rows))
