"""After kill -9: every acknowledged sweep is there, and the running stroke says what it is."""

import re
import signal
import subprocess
import sys
import threading

import numpy as np
import pytest

from coilbench.capture.blocks import Finding
from coilbench.capture.book.locks import hold_book
from coilbench.capture.book.notes import remarks_of
from coilbench.capture.book.opening import left_over, open_book
from coilbench.capture.book.sessions import UNCLOSED, CaptureRun, recover
from coilbench.capture.book.sweeps import store_sweep, turn_order
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes import stored as sample_blob
from coilbench.capture.strokes.judging import Purpose
from support.edits import harm
from support.sqlite_utils_book import utils

WHO_DIES = """
import os, signal, sys
from pathlib import Path
import numpy as np
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sessions import CaptureRun
from coilbench.capture.book.sets import find_set
from coilbench.capture.book.sweeps import NewSweep, store_sweep
from coilbench.capture.book.rows import insert, writing
from coilbench.capture.book.opening import hold_book
from coilbench.capture.strokes.stored import CurveRow
from coilbench.capture.strokes.sweep import Origin, SweepStatus
from coilbench.capture.strokes.judging import Purpose

path, calibration_id, samples = Path(sys.argv[1]), sys.argv[2], np.load(sys.argv[3])
with hold_book(path), open_book(path) as db:
    record = find_set(db, "larch")
    spring_id = record.springs[0].spring_id
    running = CaptureRun.begin(db, record.set_id, "virtual:", "rig-7", "test 1.0")
    for _ in range(2):
        store_sweep(db, NewSweep(spring_id, Origin.RIG, (), 0.5, 0.0005, 0.02,
            samples=samples, session_id=running.session_id,
            calibration_id=calibration_id))
        print("acknowledged", flush=True)
    owner = {"spring_id": spring_id, "purpose": Purpose.MEASURED, "calibration_id": calibration_id,
        "boot_id": 41, "zero_counts": 100.0, "load_u_n": 0.5, "load_u_relative": 0.0005,
        "height_u_mm": 0.02}
    running.store_chunk(0, samples[:80], owner)
    running.store_chunk(1, samples[80:120], owner)
    with writing(db):
        db.execute("DELETE FROM stroke_chunks")
        os.kill(os.getpid(), signal.SIGKILL)
"""


@pytest.fixture
def running(db, larch):
    return CaptureRun.begin(db, larch.set_id, "virtual:", "rig-7", "test 1.0")


@pytest.fixture
def owner(larch, calibration_id):
    return {
        "spring_id": larch.springs[0].spring_id,
        "purpose": Purpose.MEASURED,
        "calibration_id": calibration_id,
        "boot_id": 41,
        "zero_counts": 100.0,
        "load_u_n": 0.5,
        "load_u_relative": 0.0005,
        "height_u_mm": 0.02,
    }


def sweeps(db):
    return list(db.query("SELECT * FROM sweeps ORDER BY rowid"))


def samples_of(row):
    return sample_blob.unpack(row["samples_format"], row["samples_blob"])


def test_kill_9_in_mid_stroke_loses_nothing_that_was_acknowledged(
    path, tmp_path, db, larch, calibration_id, stroke
):
    np.save(tmp_path / "stroke.npy", stroke)
    died = subprocess.run(
        [sys.executable, "-c", WHO_DIES, str(path), calibration_id, str(tmp_path / "stroke.npy")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert died.returncode == -signal.SIGKILL, died.stderr
    acknowledged = died.stdout.splitlines().count("acknowledged")
    assert acknowledged == 2

    with open_book(path) as after:
        *whole, rescued = sweeps(after)
        assert [row["status"] for row in whole] == ["complete"] * acknowledged
        assert all(np.array_equal(samples_of(row), stroke) for row in whole)
        assert (rescued["status"], rescued["counted"]) == ("interrupted", 0)
        assert remarks_of(rescued["note"]) == [Finding("capture_unclosed")]
        assert np.array_equal(samples_of(rescued), stroke[:120])
        assert turn_order(after, larch).done["larch-01"].measured == 2
        assert not left_over(after)
        assert utils(after).table("stroke_chunks").count == 0
        (ended,) = after.query("SELECT ended_utc, ended_reason FROM sessions")
        assert ended["ended_utc"] is not None
        assert ended["ended_reason"] == UNCLOSED
        assert after.execute("PRAGMA integrity_check").fetchone()[0] == "ok"


def test_the_rescued_stroke_has_its_curve(db, running, owner, stroke):
    running.store_chunk(0, stroke[:60], owner)
    running.store_chunk(1, stroke[60:101], owner)
    assert recover(db) == 1
    rows = list(db.query("SELECT * FROM curve_points WHERE branch = 'loading' ORDER BY point"))
    heights = np.array([row["height_mm"] for row in rows])
    loads = np.array([row["load_n"] for row in rows])
    assert heights.max() > 52.0
    assert heights.min() < 34.0
    assert loads == pytest.approx(16.475 * (53.0 - heights) + 5.0, abs=0.01)


def test_samples_lost_in_a_rescued_stroke_are_counted(db, running, owner, stroke):
    running.store_chunk(0, stroke[:50], owner)
    running.store_chunk(1, stroke[53:100], owner)
    recover(db)
    assert sweeps(db)[0]["samples_lost"] == 3


def test_every_session_left_open_is_closed(db, larch, owner, stroke, running):
    done = CaptureRun.begin(db, larch.set_id, "virtual:", None, None)
    done.end("set done")
    idle = CaptureRun.begin(db, larch.set_id, "virtual:", None, None)
    running.store_chunk(0, stroke, owner)
    assert recover(db) == 1
    reasons = {row["id"]: row["ended_reason"] for row in utils(db).table("sessions").rows}
    assert reasons == {
        done.session_id: "set done",
        idle.session_id: UNCLOSED,
        running.session_id: UNCLOSED,
    }
    assert recover(db) == 0
    assert len(sweeps(db)) == 1


def test_a_running_capture_is_left_alone(path, db, running, owner, stroke):
    """It holds the lock, here from another thread of this process, as the dashboard does."""
    running.store_chunk(0, stroke, owner)
    held, done = threading.Event(), threading.Event()

    def capture():
        with hold_book(path):
            held.set()
            done.wait(10.0)

    thread = threading.Thread(target=capture)
    thread.start()
    try:
        assert held.wait(10.0)
        with open_book(path) as looking:
            assert left_over(looking)
            assert sweeps(looking) == []
    finally:
        done.set()
        thread.join()
    with open_book(path) as looking:
        assert not left_over(looking)
        assert len(sweeps(looking)) == 1


def test_who_holds_the_lock_puts_the_book_in_order(path, db, running, owner, stroke):
    running.store_chunk(0, stroke, owner)
    with hold_book(path):
        with open_book(path) as bystander:
            assert left_over(bystander)
        with open_book(path) as mine:
            assert recover(mine) == 1
            assert not left_over(mine)
            assert len(sweeps(mine)) == 1


def test_the_lock_is_free_again_afterwards(path, db, running):
    with open_book(path) as looking:
        assert not left_over(looking)
        with hold_book(path):
            pass


def test_a_book_in_order_takes_no_lock(path, db, tmp_path):
    with open_book(path):
        pass
    assert not list(tmp_path.glob("*.lock"))


def test_chunks_that_cannot_be_read_stay_and_keep_nobody_out(path, db, running, owner, stroke):
    running.store_chunk(0, stroke, owner)
    db.execute("UPDATE stroke_chunks SET samples_blob = x'00ff'")
    with open_book(path) as after:
        assert not left_over(after)
        assert sweeps(after) == []
        assert utils(after).table("stroke_chunks").count == 1
        (row,) = after.query("SELECT ended_reason FROM sessions")
        assert re.search("damaged", row["ended_reason"])


@pytest.mark.parametrize("gone", [0, 1])
def test_a_stroke_of_which_a_piece_is_gone_is_not_rescued_as_a_shorter_one(
    path, db, running, owner, stroke, gone
):
    """Of the last piece nothing tells: it is as if the program had been killed before it."""
    for chunk in range(3):
        running.store_chunk(chunk, stroke[50 * chunk : 50 * (chunk + 1)], owner)
    assert harm(path, "DELETE FROM stroke_chunks WHERE chunk = ?", gone)
    with open_book(path) as after:
        assert sweeps(after) == []
        assert utils(after).table("stroke_chunks").count == 2
        (row,) = after.query("SELECT ended_reason FROM sessions")
        assert row["ended_reason"].endswith("a piece of it is gone")


def test_a_rescue_that_fails_half_way_changes_nothing(db, running, owner, stroke, monkeypatch):
    running.store_chunk(0, stroke, owner)

    def full(*_):
        raise CoilbenchError("the disk is full")

    monkeypatch.setattr(CaptureRun, "drop_chunks", full)
    with pytest.raises(CoilbenchError, match="disk is full"):
        recover(db)
    assert left_over(db)
    assert sweeps(db) == []
    monkeypatch.undo()
    assert recover(db) == 1


def test_an_acknowledged_sweep_stands_beside_the_rescued_one(
    db, running, owner, stroke, calibration_id, points_sweep
):
    kept = store_sweep(
        db,
        points_sweep(samples=stroke, calibration_id=calibration_id, session_id=running.session_id),
    )
    running.store_chunk(0, stroke[:30], owner)
    recover(db)
    assert [row["status"] for row in sweeps(db)] == ["complete", "interrupted"]
    assert sweeps(db)[0]["id"] == kept
