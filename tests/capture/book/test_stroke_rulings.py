"""The user's word on a stroke: kept in the book, taken back, refused where heights may be wrong."""

import pytest

from coilbench.capture.book.sweeps import StrokeRow, load_sweeps, store_sweep
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.judging import Purpose
from coilbench.capture.strokes.stored import CurveRow
from coilbench.capture.strokes.sweep import SweepStatus

ABORTED = {"status": SweepStatus.ABORTED, "counted": False}


def rulings(db, larch, label="larch-01"):
    return [row.ruling for row in StrokeRow.of_set(db, larch)[label]]


def read(db, larch, label="larch-01"):
    return [sweep.sweep_id for sweep in load_sweeps(db, larch)[label]]


def test_every_measured_stroke_is_numbered_those_that_did_not_count_too(db, larch, points_sweep):
    first = store_sweep(db, points_sweep(**ABORTED, note="stopped at 30.1 mm"))
    store_sweep(db, points_sweep(purpose=Purpose.CONDITIONING))
    second = store_sweep(db, points_sweep())
    rows = StrokeRow.of_set(db, larch)["larch-01"]
    assert [(row.number, row.sweep_id, row.counted) for row in rows] == [
        (1, first, False),
        (2, second, True),
    ]
    assert rows[0].note == "stopped at 30.1 mm"
    assert StrokeRow.of_set(db, larch)["larch-02"] == []


def test_a_word_is_kept_changed_and_taken_back(db, larch, points_sweep):
    for _ in range(3):
        store_sweep(db, points_sweep())
    StrokeRow.keep_rulings(db, larch, [("larch-01", 2, "leave"), ("larch-01", 3, "use")])
    assert rulings(db, larch) == [None, "leave", "use"]
    StrokeRow.keep_rulings(db, larch, [("larch-01", 2, "use"), ("larch-01", 3, None)])
    assert rulings(db, larch) == [None, "use", None]
    assert len(read(db, larch)) == 3  # whether one left out is read is the analysis's to say


def test_a_stroke_that_did_not_count_can_be_ruled_in(db, larch, points_sweep):
    short = store_sweep(db, points_sweep(**ABORTED))
    counted = store_sweep(db, points_sweep())
    assert read(db, larch) == [counted]
    StrokeRow.keep_rulings(db, larch, [("larch-01", 1, "use")])
    assert read(db, larch) == [short, counted]
    StrokeRow.keep_rulings(db, larch, [("larch-01", 1, None)])
    assert read(db, larch) == [counted]


@pytest.mark.parametrize(
    "changes",
    [
        {"status": SweepStatus.INTERRUPTED, "counted": False},
        {"status": SweepStatus.COMPLETE, "counted": False, "note": "the datum is lost"},
        {**ABORTED, "boot_id": 77},  # another start than the stroke that counted
    ],
)
def test_one_whose_heights_may_be_wrong_is_not_ruled_in(db, larch, points_sweep, changes):
    store_sweep(db, points_sweep(boot_id=5))
    store_sweep(db, points_sweep(**({"boot_id": 5} | changes)))
    assert not StrokeRow.of_set(db, larch)["larch-01"][1].may_be_used
    with pytest.raises(CoilbenchError, match="heights may be wrong"):
        StrokeRow.keep_rulings(db, larch, [("larch-01", 1, "leave"), ("larch-01", 2, "use")])
    assert rulings(db, larch) == [None, None]  # all or none
    StrokeRow.keep_rulings(db, larch, [("larch-01", 2, "leave")])


@pytest.mark.parametrize(
    ("named", "words"),
    [
        ([("larch-01", 2, "use")], "has no stroke 2"),
        ([("larch-01", 0, "use")], "has no stroke 0"),
        ([("larch-02", 1, "use")], "It has none yet"),
        ([("oak", 1, "use")], "no spring 'oak'"),
        ([("larch-01", 1, "use"), ("larch-01", 1, "leave")], "duplicate stroke"),
    ],
)
def test_what_is_not_there_is_refused_and_nothing_changes(db, larch, points_sweep, named, words):
    store_sweep(db, points_sweep())
    with pytest.raises(CoilbenchError, match=words):
        StrokeRow.keep_rulings(db, larch, [*named])
    assert rulings(db, larch) == [None]


def test_only_the_known_words_go_in(db, larch, points_sweep):
    store_sweep(db, points_sweep(rows=[CurveRow("loading", 0, 38.0, 219.7)]))
    with pytest.raises(Exception, match="CHECK"):
        db.execute("UPDATE sweeps SET ruling = 'maybe'")
