"""The recorder: what the rig says into the book, and what is safe when."""

import json

import numpy as np
import pytest

from coilbench.capture.blocks import Finding
from coilbench.capture.book.calibrations import current_calibration
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.ratings import Ratings, tell_set_rests
from coilbench.capture.book.sessions import CaptureRun, recover
from coilbench.capture.book.sets import find_set
from coilbench.capture.book.sweeps import load_sweeps
from coilbench.capture.calibration.lag import Press
from coilbench.capture.running.commands import EventKind
from coilbench.capture.strokes.judging import Purpose
from coilbench.capture.strokes.stored import unpack
from coilbench.capture.strokes.watching import PressWatch
from coilbench.capture.virtual.bench import Bench, StrokeKind, capture_steps
from coilbench.capture.virtual.spring import OUTER, draw_set
from support.recorder_desk import BOOT, RIG, SPRINGS, Desk, bench_samples, later, lowest, press
from support.virtual_truth import lag_s, rate_at


@pytest.fixture
def book(make_book):
    return make_book(RIG)


@pytest.fixture
def desk(book):
    with open_book(book) as db:
        yield Desk(db)


def test_a_set_is_pressed_through_hands_free(desk):
    samples = bench_samples()
    for piece in np.array_split(samples, 80):
        desk.take(piece)
    assert desk.recorder.turn is None
    assert len(desk.found(EventKind.KEPT)) == 6
    assert desk.found(EventKind.KEPT)[2]["next_label"] == "larch-02"
    assert desk.kinds(EventKind.DONE) == ["set_done"]
    assert [(row["purpose"], row["status"], row["counted"]) for row in desk.rows()] == [
        ("conditioning", "complete", 1),
        ("measured", "complete", 1),
        ("measured", "complete", 1),
    ] * 2
    sweeps = load_sweeps(desk.db, desk.record)
    assert {label: len(found) for label, found in sweeps.items()} == {"larch-01": 2, "larch-02": 2}


def test_presses_are_compared_with_what_the_book_would_read(desk):
    """Those of the spring in the press are kept as they were judged, and are not read again."""
    desk.take(bench_samples())
    kept = desk.recorder._checks._own._known
    read = load_sweeps(desk.db, desk.record, only="larch-02", worked=True)["larch-02"]
    assert [one.works for one in read] == [True, False, False]
    for one in read:
        own = kept[one.sweep_id]
        assert (own.label, own.works, own.origin) == (one.label, one.works, one.origin)
        assert own.rig.calibration == one.rig.calibration
        assert own.rig.calibration_id == one.rig.calibration_id
        for name in Press.__struct_fields__:
            ours, books = (getattr(press, name) for press in (own.press, one.press))
            np.testing.assert_array_equal(ours, books)


def test_the_raw_samples_in_the_book_are_the_rigs(desk):
    samples = bench_samples()
    desk.take(samples)
    rows = desk.rows()
    assert len(rows) == 6
    for row in rows:
        stored = unpack(row["samples_format"], row["samples_blob"])
        assert row["samples"] == len(stored)
        np.testing.assert_array_equal(stored, samples[stored["seq"][0] : stored["seq"][-1] + 1])
        assert row["boot_id"] == BOOT
        assert row["calibration_id"] == current_calibration(desk.db).calibration_id
        assert row["zero_counts"] == pytest.approx(RIG.zero_counts, abs=0.3 * RIG.counts_per_n)


LAG_UNDONE_N = 0.5  # 0.2 % of the load at 38.5 mm: noise, hum, creep and the encoder's step
HEIGHTS_MM = (38.5, 27.6)


@pytest.mark.parametrize("kind", [StrokeKind.STEADY, StrokeKind.SLOW])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_load_at_a_height_is_the_springs_but_for_the_amplifiers_lag(make_book, kind, seed):
    """Both branches' mean against the simulated spring's own load.

    The load comes lag_s (half the ADC's filter) after the travel. With it undone the mean is the
    truth to 0.5 N. As it comes it is out by rate x lag x (speed up - speed down) / 2 and no more.
    """
    springs = draw_set(OUTER, 2, seed)
    samples = np.concatenate(
        [b.samples for b in Bench(RIG, capture_steps(springs, presses=3, stroke=kind), 1).blocks()]
    )
    with open_book(make_book(RIG)) as db:
        desk = Desk(db)
        desk.take(samples)
        assert desk.recorder.turn is None
        found = load_sweeps(db, desk.record)
    for spring, sweeps in zip(springs, found.values(), strict=True):
        for sweep in sweeps:
            height = np.concatenate([sweep.loading.height_mm, sweep.unloading.height_mm])
            load = np.concatenate([sweep.loading.load_n, sweep.unloading.load_n])
            number = np.arange(len(load))
            undone = np.interp(number + lag_s(RIG) * RIG.rate_hz, number, load)
            speed = -np.gradient(height) * RIG.rate_hz
            for at_mm in HEIGHTS_MM:
                true_n = float(spring.load_n(at_mm))
                assert at(at_mm, height, undone) == pytest.approx(true_n, abs=LAG_UNDONE_N)
                late_n = rate_at(spring, at_mm) * lag_s(RIG) * at(at_mm, height, speed)
                assert at(at_mm, height, load) == pytest.approx(true_n - late_n, abs=1.0)


def at(height_mm, heights, values):
    """The mean of both branches' values at a height."""
    turn = int(np.argmin(heights))
    branches = (slice(0, turn + 1), slice(turn, None))
    found = []
    for branch in branches:
        order = np.argsort(heights[branch], kind="stable")
        found.append(np.interp(height_mm, heights[branch][order], values[branch][order]))
    return float(np.mean(found))


def test_a_short_stroke_is_kept_and_asked_again(desk):
    good = press()
    desk.take(good)
    desk.take(later(press(StrokeKind.SHORT), good))
    last = desk.rows()[-1]
    assert (last["status"], last["counted"], last["purpose"]) == ("aborted", 0, "measured")
    (refused,) = desk.found(EventKind.REFUSED)
    assert refused.kind == "stroke_refused"
    assert [refused[name] for name in ("label", "purpose", "stroke", "strokes", "status")] == [
        "larch-01", "measured", 1, 2, "aborted"
    ]  # fmt: skip
    (why,) = refused["findings"]
    assert why["kind"] == "pressed_short"
    assert 0.0 < why["depth_mm"] < 0.8 * why["usual_depth_mm"]
    assert json.loads(last["note"]) == [why]
    assert desk.recorder.turn.number == 1


def test_a_height_that_was_asked_for_must_be_reached(book):
    with open_book(book) as db:
        desk = Desk(db, reach_height_mm=25.0)
        desk.take(press())
        (why,) = json.loads(desk.rows()[0]["note"])
        assert (why["kind"], why["reach_height_mm"]) == ("stopped_early", 25.0)
        assert why["lowest_mm"] > 25.05
        assert desk.recorder.turn.purpose is Purpose.CONDITIONING


def test_the_live_values_are_of_the_newest_sample_above_the_zero(desk):
    samples = press()
    desk.take(samples[: lowest(samples)])
    load_n, height_mm, at_limit = desk.recorder.newest
    assert not at_limit
    assert height_mm == pytest.approx(26.0, abs=0.3)
    assert load_n == pytest.approx(float(SPRINGS[0].load_n(height_mm)), rel=0.03)
    assert desk.recorder.phase == "press"
    curve = desk.recorder.running_curve(50)
    assert 10 < len(curve) <= 51
    json.dumps(curve, allow_nan=False)
    desk.take(samples[lowest(samples) :])
    assert desk.recorder.running_curve() == ()


# --- what is safe, and when -----------------------------------------------------------------------


def test_each_flush_puts_all_of_the_running_stroke_in_safety(desk):
    samples = press()
    at_flush = range(200, lowest(samples), 30)
    done = 0
    for end in at_flush:
        desk.take(samples[done:end])
        desk.recorder.flush()
        done = end
        if chunks := desk.chunks():
            safe = np.concatenate(chunks)
            np.testing.assert_array_equal(safe, samples[safe["seq"][0] : end])
    assert len(desk.chunks()) >= 3
    desk.take(samples[done:])
    assert desk.chunks() == []
    assert [row["status"] for row in desk.rows()] == ["complete"]


def test_after_a_crash_the_running_stroke_is_there_as_interrupted_up_to_the_last_flush(book):
    samples = press()
    with open_book(book) as db:
        desk = Desk(db)
        desk.take(samples[: lowest(samples)])
        desk.recorder.flush()
        desk.take(samples[lowest(samples) : lowest(samples) + 40])
    with open_book(book) as db:
        recover(db)
        desk = Desk(db)
        (row,) = desk.rows()
        stored = unpack(row["samples_format"], row["samples_blob"])
        assert (row["status"], row["counted"]) == ("interrupted", 0)
        assert stored["seq"][-1] == lowest(samples) - 1
        assert row["zero_counts"] == pytest.approx(RIG.zero_counts, abs=0.3 * RIG.counts_per_n)
        assert row["boot_id"] == BOOT
        assert desk.chunks() == []
        assert desk.recorder.turn.purpose is Purpose.CONDITIONING


def test_a_mere_touch_is_put_nowhere(desk):
    samples = press()
    touch = int(np.argmax(samples["load_counts"] > RIG.zero_counts + 12 * RIG.counts_per_n))
    desk.take(samples[: touch + 6])
    assert desk.recorder.phase == "touch"
    desk.recorder.flush()
    assert desk.chunks() == []


def test_a_sweep_comes_and_its_chunks_go_in_one_transaction(desk, monkeypatch):
    samples = press()
    desk.take(samples[: lowest(samples)])
    desk.recorder.flush()
    before = len(desk.chunks())

    def fail(*_):
        raise OSError("no more")

    monkeypatch.setattr(CaptureRun, "drop_chunks", fail)
    with pytest.raises(OSError, match="no more"):
        desk.take(samples[lowest(samples) :])
    assert desk.rows() == []
    assert len(desk.chunks()) == before > 0
    assert desk.found(EventKind.KEPT) == []


def test_an_event_is_told_after_the_book_has_it(book):
    with open_book(book) as db, open_book(book) as other:
        desk = Desk(db)
        counts = []

        def say(event):
            (count,) = other.execute("SELECT count(*) FROM sweeps").fetchone()
            counts.append((event.kind, count))

        desk.recorder._report = say
        desk.take(press(presses=2))
        assert counts == [(EventKind.KEPT, 1), (EventKind.KEPT, 2)]


@pytest.mark.parametrize("of_set_n", [None, 0.9])
def test_what_rests_on_the_spring_is_in_every_load_that_is_shown_and_in_no_push(book, of_set_n):
    """Live screen, running curve, what is said of a stroke; the press pushes without it.

    What is told of the set comes before what is told of the rig.
    """
    samples, at, rests_n = press(), [], 1.4 if of_set_n is None else of_set_n
    for rig_n in (None, 1.4):
        with open_book(book) as db:
            Ratings(rests_n=rig_n, press_n=1e4).store(db)
            if rig_n is not None:
                tell_set_rests(db, find_set(db, "larch").set_id, of_set_n)
            desk = Desk(db)
            now = lowest(samples)
            free = desk.take(samples[:100]) or desk.recorder.newest.load_n
            desk.take(samples[100:now])
            pressed, curve = desk.recorder.newest.load_n, desk.recorder.running_curve()
            desk.take(samples[now:])
            (kept,) = desk.found(EventKind.KEPT)
            at.append((free, pressed, curve[-1][1], kept["peak_n"]))
            stored_n = desk.rows()[-1]["rests_n"]
    bare, told = np.array(at)
    np.testing.assert_allclose(told - bare, [0.0, rests_n, rests_n, rests_n], atol=0.011)
    assert stored_n == rests_n


@pytest.mark.parametrize(("kind", "counts"), [("travel_dead", 0), ("overload_near", 1)])
def test_no_stroke_counts_while_an_alarm_says_stop(desk, monkeypatch, kind, counts):
    monkeypatch.setattr(PressWatch, "alarm", Finding.of(kind, load_n=300.0))
    desk.take(press())
    assert [row["counted"] for row in desk.rows()] == [counts]
