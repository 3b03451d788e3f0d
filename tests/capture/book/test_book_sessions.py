"""Sessions: a run's health, its live picture, and the running stroke in safety."""

import math
import sqlite3

import numpy as np
import pytest

from coilbench.capture.book.sessions import CaptureRun
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import Snapshot
from coilbench.capture.strokes import stored as sample_blob
from coilbench.capture.strokes.judging import Purpose
from support.sqlite_utils_book import utils

URL = "serial:///dev/ttyUSB0?baud=250000"


@pytest.fixture
def running(db, larch):
    return CaptureRun.begin(db, larch.set_id, URL, "rig-7", "test 1.0")


def owner(larch, calibration_id, **changes) -> dict[str, object]:
    plain = {
        "spring_id": larch.springs[0].spring_id,
        "purpose": Purpose.MEASURED,
        "calibration_id": calibration_id,
        "boot_id": 41,
        "zero_counts": 100.0,
        "load_u_n": 0.5,
        "load_u_relative": 0.0005,
        "height_u_mm": 0.02,
    }
    return plain | changes


def test_a_new_session_runs_and_has_counted_nothing(db, running):
    row = utils(db).table("sessions").get(running.session_id)
    assert (row["source_url"], row["device_id"], row["firmware"]) == (URL, "rig-7", "test 1.0")
    assert (row["samples"], row["samples_lost"], row["lines_bad"], row["restarts"]) == (0,) * 4
    assert row["started_utc"] == row["seen_utc"]
    assert row["ended_utc"] is None
    assert CaptureRun.live(db) is None  # nothing to show yet


def test_the_live_picture_comes_back_as_it_was(db, running):
    snapshot = Snapshot(
        "larch",
        URL,
        link="up",
        samples=812,
        samples_lost=3,
        lines_bad=2,
        restarts=1,
        load_n=404.02,
        height_mm=38.5,
        curve=((53.0, 0.0), (38.5, 404.02)),
    )
    running.update(snapshot.to_document())
    seen_utc, document = CaptureRun.live(db)
    back = Snapshot.from_document(document)
    assert back == snapshot
    row = utils(db).table("sessions").get(running.session_id)
    assert row["seen_utc"] == seen_utc
    assert (row["samples"], row["samples_lost"], row["lines_bad"], row["restarts"]) == (
        812,
        3,
        2,
        1,
    )


def test_an_ended_session_is_live_no_more(db, running):
    running.update(Snapshot("larch", URL).to_document())
    running.end("set done")
    assert CaptureRun.live(db) is None
    row = utils(db).table("sessions").get(running.session_id)
    assert row["ended_reason"] == "set done"
    assert row["ended_utc"] >= row["started_utc"]


def test_a_picture_that_is_no_number_is_refused(db, running):
    with pytest.raises(ValueError, match="not JSON compliant"):
        running.update(Snapshot("larch", URL, load_n=math.nan).to_document())
    assert CaptureRun.live(db) is None


def test_chunks_hold_the_running_stroke(db, larch, calibration_id, running, stroke):
    mine = owner(larch, calibration_id)
    for number, piece in enumerate(np.array_split(stroke, 3)):
        running.store_chunk(number, piece, mine)
    rows = list(db.query("SELECT * FROM stroke_chunks ORDER BY chunk"))
    back = [sample_blob.unpack(row["samples_format"], row["samples_blob"]) for row in rows]
    assert np.array_equal(np.concatenate(back), stroke)
    assert {row["zero_counts"] for row in rows} == {100.0}
    running.drop_chunks()
    assert utils(db).table("stroke_chunks").count == 0


def test_only_the_own_chunks_are_dropped(db, larch, calibration_id, running, stroke):
    other = CaptureRun.begin(db, larch.set_id, URL, None, None)
    for session in (running, other):
        session.store_chunk(0, stroke, owner(larch, calibration_id))
    running.drop_chunks()
    assert [row["session_id"] for row in utils(db).table("stroke_chunks").rows] == [
        other.session_id
    ]


def test_a_chunk_that_is_no_number_or_twice_is_refused(db, larch, calibration_id, running, stroke):
    with pytest.raises(CoilbenchError, match="zero_counts is nan"):
        running.store_chunk(0, stroke, owner(larch, calibration_id, zero_counts=math.nan))
    running.store_chunk(0, stroke, owner(larch, calibration_id))
    with pytest.raises(sqlite3.IntegrityError, match="UNIQUE"):
        running.store_chunk(0, stroke, owner(larch, calibration_id))
    assert utils(db).table("stroke_chunks").count == 1
