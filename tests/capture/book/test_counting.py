"""What a stroke is compared with while its set is captured."""

import numpy as np
import pytest

from coilbench.capture.blocks import Finding
from coilbench.capture.book.counting import PressedCurves, leave_out, let_count
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sweeps import store_sweep
from coilbench.capture.strokes.stored import CurveRow
from coilbench.capture.strokes.sweep import Origin


@pytest.fixture
def press(db, larch, calibration_id, points_sweep, stroke):
    """Return what stores a sampled press of a spring, pushing so much at each height."""

    def store(spring, load_n, **changes):
        rows = [
            type(row)(way, at, height_mm, load_n)
            for way in ("loading", "unloading")
            for at, height_mm in enumerate((50.0, 40.0, 30.0))
            for row in points_sweep().rows[:1]
        ]
        made = points_sweep(
            spring_id=larch.springs[spring].spring_id,
            origin=Origin.RIG,
            **{"rows": rows, **changes},
            samples=stroke,
            calibration_id=calibration_id,
        )
        return store_sweep(db, made)

    return store


def loads(curves):
    return {label: float(np.median(curve.load_n)) for label, curve in curves.items()}


def test_each_springs_newest_press_that_counts_whatever_was_read_before(db, larch, press):
    curves = PressedCurves(db)
    assert curves.of(larch) == {}
    press(0, 100.0)
    press(1, 200.0)
    assert loads(curves.of(larch)) == {"larch-01": 100.0, "larch-02": 200.0}
    newer = press(0, 110.0)
    press(1, 999.0, counted=False)
    assert loads(curves.of(larch)) == {"larch-01": 110.0, "larch-02": 200.0}
    leave_out(db, newer, Finding("left_out"))
    assert loads(curves.of(larch)) == {"larch-01": 100.0, "larch-02": 200.0}
    let_count(db, newer, Finding("accepted"))
    assert loads(curves.of(larch)) == loads(PressedCurves(db).of(larch))
    assert loads(curves.of(larch))["larch-01"] == 110.0


def test_what_another_program_or_an_undone_change_makes_of_it_is_seen(db, path, larch, press):
    curves = PressedCurves(db)
    older, newer = press(0, 100.0), press(0, 110.0)
    assert loads(curves.of(larch)) == {"larch-01": 110.0}
    with open_book(path) as other:
        leave_out(other, newer, Finding("left_out"))
    assert loads(curves.of(larch)) == {"larch-01": 100.0}
    db.conn.execute("BEGIN")
    leave_out(db, older, Finding("left_out"))
    assert curves.of(larch) == {}
    db.conn.rollback()
    assert loads(curves.of(larch)) == {"larch-01": 100.0}


def test_a_press_is_read_once(db, larch, press, monkeypatch):
    curves = PressedCurves(db)
    read = []
    real = curves._read
    monkeypatch.setattr(curves, "_read", lambda one: read.append(one) or real(one))
    press(0, 100.0)
    for _ in range(3):
        curves.of(larch)
    press(1, 200.0)
    curves.of(larch)
    assert len(read) == 2


def test_a_curve_that_is_kept_as_it_is_stored_is_the_one_that_the_book_has(
    db, larch, press, monkeypatch
):
    rows = [
        *(CurveRow("loading", at, 50.0 - at, 7.0 / 3.0 * at) for at in range(9)),
        *(CurveRow("unloading", at, 42.0 + at, 18.1 - 2.2 * at) for at in range(9)),
    ]
    curves = PressedCurves(db)
    curves.keep(press(0, 0.0, rows=rows), rows)
    read = PressedCurves(db).of(larch)["larch-01"]
    monkeypatch.setattr(curves, "_read", pytest.fail)
    kept = curves.of(larch)["larch-01"]
    assert kept.height_mm.tolist() == read.height_mm.tolist()
    assert kept.load_n.tolist() == read.load_n.tolist()
