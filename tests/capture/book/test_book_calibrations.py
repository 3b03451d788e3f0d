"""Calibrations: every one is kept, the newest is in force, a sweep keeps its own."""

import sqlite3

import msgspec
import pytest
from msgspec.structs import replace

from coilbench.capture.blocks import Hello
from coilbench.capture.book.calibrations import (
    current_calibration,
    find_calibration,
    newest_part,
    store_part,
)
from coilbench.capture.book.sweeps import load_sweeps, store_sweep
from coilbench.capture.calibration.fit import load_part, travel_part
from coilbench.capture.calibration.flex_fit import flex_part
from coilbench.capture.calibration.known_points import FlexPoint, LoadPoint
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.sweep import Origin
from support.sqlite_utils_book import utils


@pytest.mark.parametrize("kind", ["load", "travel"])
def test_a_missing_part_is_named_with_the_command_that_makes_it(db, weighed, gauged, kind):
    if kind == "load":
        made = store_part(db, travel_part(gauged, "gauges.csv"))
    else:
        made = store_part(db, load_part(weighed, "masses.csv"))
    assert made is None
    with pytest.raises(CoilbenchError) as caught:
        current_calibration(db)
    assert f"the rig's {kind} is not calibrated" in str(caught.value)
    assert {"load": "rig weigh", "travel": "rig gauge"}[kind] in str(caught.value)


def test_both_parts_make_a_calibration_that_comes_back_to_the_last_bit(db, weighed, gauged):
    load, travel = load_part(weighed, "masses.csv"), travel_part(gauged, "gauges.csv")
    store_part(db, load)
    made = store_part(db, travel)
    record = current_calibration(db)
    assert record.calibration_id == made
    assert record.calibration.load == load.fit
    assert record.calibration.travel == travel.fit
    assert record.calibration.flex is None
    assert record.calibration.load_u_relative == load.reference_u_relative > 0.0
    assert (record.load.origin, record.load.notes) == ("masses.csv", tuple(load.notes))
    assert find_calibration(db, made).calibration == record.calibration


def test_notes_of_older_books_are_sentences(db, calibration_id):
    db.execute("UPDATE calibration_parts SET notes_json = ?", ['["Gauges are assumed good"]'])
    assert current_calibration(db).travel.notes == ("Gauges are assumed good",)


def test_flex_joins_and_stays(db, calibration_id, weighed, gauged):
    load = newest_part(db, "load").fit
    travel = newest_part(db, "travel").fit
    pressed = [
        FlexPoint(100.0 + 2000.0 * kg, 3000.0 + 0.4 * kg)
        for kg in (0, 10, 20, 30, 40, 50, 40, 30, 20, 10)
    ]
    made = store_part(db, flex_part(pressed, load, travel, "block.csv"))
    record = current_calibration(db)
    assert record.calibration_id == made
    assert record.calibration.flex is not None
    again = store_part(db, load_part(weighed, "again.csv"))
    assert current_calibration(db).calibration_id == again
    assert current_calibration(db).flex.part_id == record.flex.part_id


def test_the_points_stand_beside_the_fit_with_what_is_left_over(db, calibration_id, weighed):
    rows = list(
        db.query(
            "SELECT * FROM calibration_points JOIN calibration_parts ON id = part_id"
            " WHERE kind = 'load' ORDER BY point"
        )
    )
    assert [row["mass_kg"] for row in rows] == [point.mass_kg for point in weighed]
    assert [row["load_counts"] for row in rows] == [point.counts for point in weighed]
    assert [row["residual_n"] for row in rows] == pytest.approx([0.0] * 4, abs=1e-9)
    assert [row["residual_mm"] for row in rows] == [None] * 4


def test_a_sweep_keeps_the_calibration_it_was_read_with(
    db, larch, calibration_id, weighed, points_sweep, stroke
):
    """A later calibration with twice the load a count changes nothing that was read before."""
    raw = points_sweep(origin=Origin.RIG, samples=stroke, calibration_id=calibration_id, rows=())
    store_sweep(db, raw)
    (before,) = load_sweeps(db, larch)["larch-01"]
    double = [LoadPoint(point.mass_kg * 2.0, point.counts) for point in weighed]
    newer = store_part(db, load_part(double, "double.csv"))
    (after,) = load_sweeps(db, larch)["larch-01"]
    assert after.loading.load_n.tolist() == before.loading.load_n.tolist()
    assert current_calibration(db).calibration_id == newer != calibration_id

    store_sweep(db, points_sweep(origin=Origin.RIG, samples=stroke, calibration_id=newer, rows=()))
    _, read_newer = load_sweeps(db, larch)["larch-01"]
    assert read_newer.loading.load_n == pytest.approx(2.0 * before.loading.load_n, rel=1e-9)


def test_history_is_kept(db, calibration_id, weighed):
    for number in range(3):
        store_part(db, load_part(weighed, f"day{number}.csv"))
    assert newest_part(db, "load").origin == "day2.csv"
    assert utils(db).table("calibrations").count == 4
    assert find_calibration(db, calibration_id).calibration.load == newest_part(db, "load").fit


def test_the_last_stored_is_in_force_though_the_clock_was_set_back(
    db, calibration_id, weighed, monkeypatch
):
    monkeypatch.setattr(
        "coilbench.capture.book.rows.utc_now", lambda: "1970-01-01T00:00:00.000+00:00"
    )
    made = store_part(db, load_part(weighed, "after.csv"))
    assert newest_part(db, "load").origin == "after.csv"
    assert current_calibration(db).calibration_id == made


def test_the_rig_and_its_start_are_kept(db, weighed):
    hello = Hello(1, "test 1.0", "rig-7", 41, 80.0, "quadrature", 10.0)
    store_part(db, load_part(weighed, "guided").on(hello))
    part = newest_part(db, "load")
    assert (part.device_id, part.boot_id) == ("rig-7", 41)


class Pounds(msgspec.Struct):
    mass_pounds: float


def test_a_part_that_fails_leaves_nothing(db, weighed, counts):
    part = load_part(weighed, "masses.csv")
    broken = replace(part, points=[*part.points, Pounds(3.0)])
    before = counts()
    with pytest.raises(sqlite3.OperationalError, match="mass_pounds"):
        store_part(db, broken)
    assert counts() == before


def test_an_unknown_calibration_is_said(db):
    with pytest.raises(CoilbenchError, match="the book has no calibration"):
        find_calibration(db, "no such id")


def test_a_damaged_fit_is_said_in_words(db, calibration_id):
    db.execute("UPDATE calibration_parts SET fit_json = '{\"coefficients\": [1, 2]}'")
    with pytest.raises(CoilbenchError, match="stored calibration cannot be read"):
        current_calibration(db)
