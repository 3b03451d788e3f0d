"""Zeros and checks that the book keeps, and what strokes read back carry of them."""

from __future__ import annotations

import pytest

from coilbench.capture.book.calibrations import NewCheck, find_calibration
from coilbench.capture.book.sweeps import load_sweeps, store_sweep
from coilbench.capture.book.zeros import keep_zero, rest_zeros, session_zeros
from coilbench.capture.strokes.sweep import Origin


def test_zeros_of_each_rig_come_back_in_order(db):
    for device, counts in (("one", 100.0), ("two", 7.0), ("one", 130.5)):
        keep_zero(db, device, counts)
    assert [zero.counts for zero in rest_zeros(db, "one")] == [100.0, 130.5]
    assert [zero.counts for zero in rest_zeros(db, "two")] == [7.0]
    assert session_zeros(db) == ()


def check(db, calibration_id, relative_error):
    """A check of 20 kg whose own uncertainty is 0.02 %, k = 2."""
    expected_n = 20.0 * 9.80665
    NewCheck(
        load_part_id=find_calibration(db, calibration_id).load.part_id,
        device_id=None,
        mass_kg=20.0,
        gravity_m_s2=9.80665,
        zero_counts=100.0,
        load_counts=40100.0,
        load_sd_counts=5.0,
        error_n=relative_error * expected_n,
        error_u_n=2e-4 * expected_n,
        tolerance_n=0.01 * expected_n,
        passed=True,
    ).store(db)


def test_three_checks_give_strokes_a_term_for_the_gain(
    db, larch, calibration_id, points_sweep, stroke
):
    store_sweep(
        db,
        points_sweep(
            origin=Origin.RIG, samples=stroke, calibration_id=calibration_id, zero_counts=100.0
        ),
    )

    def gain_u():
        (back,) = load_sweeps(db, larch)["larch-01"]
        return back.rig.gain_u_relative

    for error in (2e-3, -1e-3):
        check(db, calibration_id, error)
        assert gain_u() == 0.0
    check(db, calibration_id, 2e-3)
    expected = ((4e-6 + 1e-6 + 4e-6) / 3 - 1e-8) ** 0.5
    # The stroke is older than no check here: all were made within this second or so.
    assert gain_u() == pytest.approx(expected, rel=1e-6)
