"""Smoothing against SciPy; valve motion and limiting speed against closed forms."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import make_smoothing_spline

from coilbench.analysis.inputs.build_input import read_lift_table
from coilbench.analysis.limits.valve_motion import (
    LiftTable,
    MovedMass,
    _fit_smoothing_spline,
    _force_margin,
    _limiting_speed,
    _needed_force_n,
    _SpringForce,
    _valve_motion,
)
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.tables.csv_table import read_table

H, BETA = 10.2, math.radians(60.0)
F0, K, M = 330.0, 30.0, 120.0


def harmonic(res, step=1.0):
    """s = h/2 (1 - cos(pi t/beta)); s'' = h/2 (pi/beta)^2 cos(pi t/beta)."""
    deg = np.arange(0, 120 + 1e-9, step)
    y = H / 2 * (1 - np.cos(np.pi * np.radians(deg) / BETA))
    y = np.round(y / res) * res
    keep = y > 0
    return LiftTable("t", "valve", deg[keep], y[keep], res)


def springs(motion, k=K):
    load = F0 + k * motion.lift_mm
    return _SpringForce(load, 0 * load)


@pytest.mark.parametrize("lam", [0.1, 10.0, 1e3])
def test_cubic_is_scipys(lam):
    x = np.linspace(0, 100, 101)
    y = np.sin(x / 15) + np.random.default_rng(1).normal(0, 0.01, 101)
    ours, theirs = _fit_smoothing_spline(x, y, lam, order=2), make_smoothing_spline(x, y, lam=lam)
    for nu in (0, 1, 2):
        assert ours.at(x, nu)[0] == pytest.approx(theirs(x, nu=nu), abs=1e-9)


def test_harmonic_acceleration():
    m = _valve_motion(harmonic(res=0.001), 1.0, 0.0)
    a = H / 2 * (np.pi / BETA) ** 2 * np.cos(np.pi * np.radians(m.cam_deg) / BETA)
    assert np.abs(m.accel_mm_per_rad2 - a).max() < 0.02 * np.abs(a).max()
    assert np.mean(np.abs(m.accel_mm_per_rad2 - a) <= m.accel_u_mm_per_rad2) >= 0.95


def test_harmonic_limiting_speed_closed_form():
    """At the nose m (h/2)(pi/beta)^2 w^2 = F0 + k h: F falls more slowly than |a| away from it."""
    w = math.sqrt((F0 + K * H) / (M * 1e-6 * H / 2 * (math.pi / BETA) ** 2))
    m = _valve_motion(harmonic(res=0.001), 1.0, 0.0)
    s = _limiting_speed(m, springs(m), MovedMass(M, 0.0))
    assert s.crank_rpm == pytest.approx(w / (2 * math.pi) * 120, rel=0.005)
    assert s.unread_mm is None


def test_force_meets_need_at_the_limit_and_grows_as_speed_squared():
    m = _valve_motion(harmonic(res=0.001), 1.0, 0.0)
    f = springs(m)
    s = _limiting_speed(m, f, MovedMass(M, 0.0))
    g = _force_margin(m, f, M, s.crank_rpm)
    assert g.needed_n == pytest.approx(g.spring_n, rel=0.01)
    assert _needed_force_n(m, M, 6000) == pytest.approx(4 * _needed_force_n(m, M, 3000))


def test_lobe_with_rocker_and_lash():
    t = harmonic(res=0.001)
    lobe = LiftTable("t", "lobe", t.cam_deg, t.lift_mm / 1.5)
    m, v = _valve_motion(lobe, 1.5, 0.25), _valve_motion(t, 1.0, 0.0)
    assert m.lift_mm.max() == pytest.approx(v.lift_mm.max() - 0.25, abs=0.002)
    assert m.accel_mm_per_rad2.min() == pytest.approx(v.accel_mm_per_rad2.min(), rel=1e-3)


def test_unread_springs_are_said():
    m = _valve_motion(harmonic(res=0.001), 1.0, 0.0)
    f = springs(m)
    f.load_n[m.lift_mm > 9.0] = np.nan
    s = _limiting_speed(m, f, MovedMass(M, 0.0))
    assert s.unread_mm[1] == pytest.approx(H, abs=0.01)
    assert s.lift_mm <= 9.0
    f.load_n[:] = np.nan
    assert _limiting_speed(m, f, MovedMass(M, 0.0)) is None
    assert _force_margin(m, f, M, 6000) is None


@settings(max_examples=10, deadline=None)
@given(st.floats(1, 100), st.floats(1, 20))
def test_heavier_is_slower_and_stiffer_is_faster(more_g, more_k):
    m = MOTION
    base = _limiting_speed(m, springs(m), MovedMass(M, 0.0)).crank_rpm
    assert _limiting_speed(m, springs(m), MovedMass(M + more_g, 0.0)).crank_rpm < base
    assert _limiting_speed(m, springs(m, K + more_k), MovedMass(M, 0.0)).crank_rpm > base


MOTION = _valve_motion(harmonic(res=0.001), 1.0, 0.0)


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
        ("deg,valve_lift_mm", ROWS, "does not say"),
        ("cam_deg,lift_mm", ROWS, "does not say"),
        ("cam_deg,valve_lift_mm", ROWS[:31], "opening of the valve"),
        ("cam_deg,valve_lift_mm", ROWS[::-1], "above the row before"),
        ("cam_deg,valve_lift_mm", [*ROWS, "400,0"], "more than a turn"),
        ("cam_deg,valve_lift_mm", ROWS[:5], "opening of the valve"),
    ],
)
def test_bad_tables(head, rows, said):
    with pytest.raises(CoilbenchError, match=said):
        read_lift_table(csv(head, rows))


@pytest.mark.parametrize(
    ("head", "lift", "step"),
    [
        ("cam_deg,valve_lift_mm", lambda mm: f"{mm:.2f}", 0.01),
        ("cam_deg,valve_lift_mm", lambda mm: f"{round(mm / 0.005) * 0.005:.3f}", 0.005),
        ("cam_deg,valve_lift_in", lambda mm: f"{mm / 25.4:.3f}", 0.0254),
        ("cam_deg,valve_lift_mm", lambda mm: f"{mm:.9f}", 0.0),
    ],
)
def test_the_step_a_table_is_written_in(head, lift, step):
    rows = [f"{d},{lift(10 * math.sin(math.pi * d / 60) if d <= 60 else 0)}" for d in range(66)]
    assert read_lift_table(csv(head, rows)).resolution_mm == pytest.approx(step)


def test_scatter_is_never_below_what_rounding_makes():
    """A rectangle of width r has the standard deviation r/sqrt(12): JCGM 100:2008, F.2.2.1."""
    flat = LiftTable("t", "valve", DEG, np.where((DEG > 20) & (DEG < 40), 2.0, 1.0), 1.0)
    exact = LiftTable("t", "valve", DEG, DEG * (60 - DEG) / 90, 0.5)
    for table in (flat, exact):
        assert _valve_motion(table, 1.0, 0.0).scatter_mm >= table.resolution_mm / math.sqrt(12)


def test_scatter_of_a_lobes_table_grows_with_the_rocker_ratio_as_its_lift_does():
    lobe = LiftTable("t", "lobe", DEG, DEG * (60 - DEG) / 90, 0.5)
    alone, rocked = _valve_motion(lobe, 1.0, 0.0), _valve_motion(lobe, 1.5, 0.0)
    assert rocked.scatter_mm == pytest.approx(1.5 * alone.scatter_mm)
    assert rocked.lift_mm == pytest.approx(1.5 * alone.lift_mm)


DEG = np.arange(1.0, 60.0)
