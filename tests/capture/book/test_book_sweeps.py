"""Sweeps: whole or not at all, back as they went in, in the order they were stored."""

import json
import math
import sqlite3
import uuid
from datetime import UTC, datetime

import numpy as np
import pytest

from coilbench.capture.blocks import LOAD_DTYPE, RawBlock, SampleFlag
from coilbench.capture.book.counting import uncount
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.book.rests import untold_strokes
from coilbench.capture.book.sweeps import load_sweeps, store_sweep, turn_order
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes import stored as sample_blob
from coilbench.capture.strokes.judging import Purpose
from coilbench.capture.strokes.stored import CurveRow
from coilbench.capture.strokes.sweep import Origin, SweepStatus


def converted(n: int = 40) -> np.ndarray:
    samples = np.zeros(n, LOAD_DTYPE)
    samples["t_s"] = np.arange(n) / 80.0
    samples["height_mm"] = 33.0 + np.abs(np.linspace(-20.0, 20.0, n))
    samples["load_n"] = 16.475 * (53.0 - samples["height_mm"]) / 3.0
    return samples


def test_points_come_back_as_they_went_in(db, larch, points_sweep):
    rows = [
        CurveRow("loading", 0, 38.0, 219.7 / 3.0),
        CurveRow("loading", 1, 27.1, 399.1),
        CurveRow("unloading", 0, 38.0, 0.1),
    ]
    sweep_id = store_sweep(db, points_sweep(rows=rows))
    assert uuid.UUID(sweep_id)
    (sweep,) = load_sweeps(db, larch)["larch-01"]
    assert (sweep.sweep_id, sweep.label, sweep.origin) == (sweep_id, "larch-01", Origin.POINTS_FILE)
    assert sweep.loading.height_mm.tolist() == [38.0, 27.1]
    assert sweep.loading.load_n.tolist() == [219.7 / 3.0, 399.1]
    assert sweep.unloading.load_n.tolist() == [0.1]
    assert (sweep.load_u_n, sweep.load_u_relative, sweep.height_u_mm) == (1.0, 0.001, 0.05)
    assert not sweep.dense


def test_raw_counts_come_back_in_newtons_and_millimetres(
    db, larch, calibration_id, points_sweep, stroke
):
    """The stroke was made with 2000 counts a kg and 0.01 mm a count; the zero is 100 counts."""
    sweep = points_sweep(
        origin=Origin.RIG, samples=stroke, calibration_id=calibration_id, zero_counts=100.0
    )
    store_sweep(db, sweep)
    (back,) = load_sweeps(db, larch)["larch-01"]
    count_n = 9.80665 / 2000.0
    assert len(back.loading) == 101
    assert len(back.unloading) == 100
    expected_n = 16.475 * (53.0 - back.loading.height_mm) + 5.0
    assert back.loading.load_n == pytest.approx(expected_n, abs=count_n)
    assert back.unloading.height_mm == pytest.approx(np.linspace(33.2, 53.0, 100), abs=1e-6)


def test_raw_counts_stay_to_the_last_bit(db, calibration_id, points_sweep, stroke):
    store_sweep(db, points_sweep(samples=stroke, calibration_id=calibration_id))
    row = next(db.query("SELECT * FROM sweeps"))
    back = sample_blob.unpack(row["samples_format"], row["samples_blob"])
    assert np.array_equal(back, stroke)
    assert row["samples"] == 201


def test_samples_that_cannot_be_used_are_kept_and_left_out(
    db, larch, calibration_id, points_sweep, stroke
):
    stroke["flags"][50] = SampleFlag.LOAD_SATURATED
    stroke["load_counts"][50] = 8388607
    store_sweep(db, points_sweep(samples=stroke, calibration_id=calibration_id))
    (back,) = load_sweeps(db, larch)["larch-01"]
    assert len(back.loading) == 100
    assert back.loading.load_n.max() < 1000.0


def test_converted_samples_come_back(db, larch, points_sweep):
    samples = converted()
    store_sweep(db, points_sweep(origin=Origin.CONVERTED_FILE, samples=samples))
    (back,) = load_sweeps(db, larch)["larch-01"]
    together = np.concatenate([back.loading.load_n, back.unloading.load_n])
    assert together.tolist() == samples["load_n"].tolist()
    assert back.dense


def test_only_what_counts_is_read(db, larch, points_sweep):
    store_sweep(db, points_sweep(purpose=Purpose.CONDITIONING))
    store_sweep(db, points_sweep(counted=False, status=SweepStatus.ABORTED))
    assert load_sweeps(db, larch) == {"larch-01": [], "larch-02": [], "larch-03": []}


@pytest.mark.parametrize("wrong", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize(
    "field", ["height_mm", "load_n", "load_u_n", "load_u_relative", "height_u_mm", "zero_counts"]
)
def test_what_is_no_number_is_never_stored(db, points_sweep, counts, field, wrong):
    """SQLite would turn NaN into NULL, https://www.sqlite.org/floatingpoint.html."""
    if field in ("height_mm", "load_n"):
        row = {"height_mm": 38.0, "load_n": 219.7, field: wrong}
        sweep = points_sweep(rows=[CurveRow("loading", 0, **row)])
    else:
        sweep = points_sweep(**{field: wrong})
    before = counts()
    with pytest.raises(CoilbenchError, match="not a number"):
        store_sweep(db, sweep)
    assert counts() == before


@pytest.mark.parametrize("name", ["t_s", "load_n", "height_mm"])
def test_samples_that_are_no_number_are_never_stored(db, points_sweep, counts, name):
    samples = converted()
    samples[name][3] = math.nan
    with pytest.raises(CoilbenchError, match="not a number"):
        store_sweep(db, points_sweep(samples=samples))
    assert counts()["sweeps"] == 0


def test_a_curve_that_fails_takes_its_sweep_with_it(db, points_sweep, counts):
    """The second row is the same point of the same branch."""
    double = [CurveRow("loading", 0, 38.0, 219.7), CurveRow("loading", 0, 27.1, 399.1)]
    before = counts()
    with pytest.raises(sqlite3.IntegrityError, match="UNIQUE"):
        store_sweep(db, points_sweep(rows=double))
    assert counts() == before


def test_sweeps_of_one_millisecond_keep_their_order(db, larch, points_sweep, monkeypatch):
    monkeypatch.setattr(
        "coilbench.capture.book.sweeps.utc_now", lambda: "2026-01-02T03:04:05.678+00:00"
    )
    ids = [store_sweep(db, points_sweep()) for _ in range(20)]
    assert [sweep.sweep_id for sweep in load_sweeps(db, larch)["larch-01"]] == ids


def test_times_are_utc_to_the_millisecond(db, points_sweep):
    before = datetime.now(UTC)
    store_sweep(db, points_sweep())
    text = next(db.query("SELECT stored_utc FROM sweeps"))["stored_utc"]
    assert text.endswith("+00:00")
    assert len(text) == len("2026-01-02T03:04:05.678+00:00")
    passed = (datetime.fromisoformat(text) - before).total_seconds()
    assert -0.001 <= passed < 60.0


def test_redo_takes_the_last_stored_out_of_the_count(db, larch, points_sweep, monkeypatch):
    """The clock was set back before the last one."""
    first = store_sweep(db, points_sweep(note="pressed twice"))
    monkeypatch.setattr(
        "coilbench.capture.book.sweeps.utc_now", lambda: "1970-01-01T00:00:00.000+00:00"
    )
    last = store_sweep(db, points_sweep(note="pressed twice"))
    store_sweep(db, points_sweep(purpose=Purpose.CONDITIONING))
    store_sweep(db, points_sweep(spring_id=larch.springs[1].spring_id))
    assert uncount(db, larch.springs[0].spring_id, last_only=True)
    rows = {row["id"]: row for row in db.query("SELECT * FROM sweeps")}
    assert (rows[last]["counted"], rows[last]["status"]) == (0, "aborted")
    assert json.loads(rows[last]["note"]) == ["pressed twice", {"kind": "redone"}]
    assert rows[first]["counted"] == 1
    assert turn_order(db, larch).done["larch-01"].measured == 1
    assert uncount(db, larch.springs[0].spring_id, last_only=True)
    assert not uncount(db, larch.springs[0].spring_id, last_only=True)


def test_what_was_keyed_stands_as_it_was_typed(db, points_sweep):
    typed = {"readings": [{"shown_load_n": 219.7, "depth_mm": 15.0}], "setup": {"tare_n": 3.9}}
    store_sweep(db, points_sweep(keyed=typed))
    row = next(db.query("SELECT keyed_json, samples, samples_blob FROM sweeps"))
    assert json.loads(row["keyed_json"]) == typed
    assert (row["samples"], row["samples_blob"]) == (0, None)


def test_damaged_samples_are_said(db, larch, calibration_id, points_sweep, stroke):
    store_sweep(db, points_sweep(samples=stroke, calibration_id=calibration_id))
    db.execute("UPDATE sweeps SET samples_blob = x'00ff'")
    with pytest.raises(CoilbenchError, match="stored samples are damaged"):
        load_sweeps(db, larch)


def test_an_empty_block_is_a_sweep_without_points(db, larch, calibration_id, points_sweep, stroke):
    empty = RawBlock(stroke[:0]).samples
    store_sweep(db, points_sweep(samples=empty, calibration_id=calibration_id, rows=()))
    (back,) = load_sweeps(db, larch)["larch-01"]
    assert (len(back.loading), len(back.unloading)) == (0, 0)


@pytest.mark.parametrize(
    ("with_stroke_n", "told_later_n", "expected_n"),
    [(None, None, None), (None, 1.4, 1.4), (1.2, 1.4, 1.2), (0.0, 1.4, 0.0)],
)
def test_what_rests_on_the_spring_is_the_strokes_own_or_told_later(
    db, larch, calibration_id, points_sweep, stroke, with_stroke_n, told_later_n, expected_n
):
    sweep = points_sweep(
        origin=Origin.RIG, samples=stroke, calibration_id=calibration_id, rests_n=with_stroke_n
    )
    store_sweep(db, sweep)
    assert untold_strokes(db) == (1 if with_stroke_n is None else 0)
    Ratings(rests_n=told_later_n).store(db)
    (back,) = load_sweeps(db, larch)["larch-01"]
    assert back.rig.rests_n == expected_n


def test_the_strokes_of_one_spring_are_read_without_a_look_at_all_others(
    db, larch, calibration_id, points_sweep, stroke
):
    """Else each press would take longer, the more the book holds."""
    store_sweep(db, points_sweep(origin=Origin.RIG, samples=stroke, calibration_id=calibration_id))
    asked: list[str] = []
    db.conn.set_trace_callback(asked.append)
    assert load_sweeps(db, larch, only="larch-01", worked=True)["larch-01"]
    db.conn.set_trace_callback(None)
    plans = [row[3] for sql in asked for row in db.execute(f"EXPLAIN QUERY PLAN {sql}")]
    assert any(step.startswith("SEARCH sweeps") for step in plans)
    assert [step for step in plans if step.startswith(("SCAN sweeps", "SCAN springs"))] == []
