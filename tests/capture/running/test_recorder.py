"""The recorder: what the rig says into the book, without threads, links or clocks."""

import json
from dataclasses import replace

import numpy as np
import pytest

from coilbench.capture.blocks import Fault, Finding, Hello, RawBlock, Restarted, SampleFlag, Tally
from coilbench.capture.book.calibrations import current_calibration
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sessions import CaptureRun, recover
from coilbench.capture.book.sets import find_set, turn_order
from coilbench.capture.book.sweeps import load_sweeps
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.running.commands import Action, Command, EventKind
from coilbench.capture.running.recorder import Recorder
from coilbench.capture.strokes.judging import Purpose, Turn
from coilbench.capture.strokes.stored import unpack
from coilbench.capture.virtual.bench import Bench, PressSpring, Rest, capture_steps
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.setup import StrokeKind
from coilbench.capture.virtual.spring import OUTER, draw_set
from support.virtual_truth import lag_s, rate_at

RIG = RigModel.draw(4)
SPRINGS = draw_set(OUTER, 2, 4)
BOOT = 0xB007
HELLO = Hello(1, "own-1", RIG.device_id, BOOT, 80.0, "quadrature", 5.0)


class Desk:
    """A recorder on a book, and what it said."""

    def __init__(self, db, **options):
        self.db = db
        self.record = find_set(db, "larch")
        self.run = CaptureRun.begin(db, self.record.set_id, "x:", RIG.device_id, "own-1")
        self.events = []
        self.recorder = Recorder(
            db, self.run, self.record, current_calibration(db), self.events.append, **options
        )
        self.recorder.process_hello(HELLO)

    def take(self, samples, boot_id=BOOT):
        self.recorder.process(RawBlock(samples, boot_id))

    def found(self, kind):
        return [event.what for event in self.events if event.kind is kind]

    def kinds(self, kind):
        return [found.kind for found in self.found(kind)]

    def rows(self, columns="*"):
        return list(self.db.query(f"SELECT {columns} FROM sweeps ORDER BY rowid"))

    def chunks(self):
        return [
            unpack(row["samples_format"], row["samples_blob"])
            for row in self.db.query("SELECT * FROM stroke_chunks ORDER BY chunk")
        ]


@pytest.fixture
def book(make_book):
    return make_book(RIG)


@pytest.fixture
def desk(book):
    with open_book(book) as db:
        yield Desk(db)


def bench_samples(steps=None, seed=4):
    steps = capture_steps(SPRINGS, presses=3) if steps is None else steps
    return np.concatenate([block.samples for block in Bench(RIG, steps, seed).blocks()])


def press(kind=StrokeKind.STEADY, *, presses=1, spring=SPRINGS[0]):
    return bench_samples([Rest(2.0), *[PressSpring(spring, 26.0, kind), Rest(1.0)] * presses])


def lowest(samples):
    return int(np.argmax(samples["travel_counts"]))


def later(samples, after):
    """The samples as they would come after others of the same start."""
    moved = samples.copy()
    moved["seq"] += after["seq"][-1] + 1
    moved["t_us"] += after["t_us"][-1] + 11_000
    return moved


# --- strokes into the book ------------------------------------------------------------------------


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
    load_n, height_mm = desk.recorder.newest
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


# --- the redo button ------------------------------------------------------------------------------


def pressed_redo(samples, *indices):
    marked = samples.copy()
    marked["flags"][list(indices)] = SampleFlag.REDO_PRESSED
    return marked


def test_redo_takes_the_last_stroke_out_and_wants_it_again(desk):
    two = press(presses=2)
    desk.take(pressed_redo(two, -5))
    assert desk.found(EventKind.REDO) == [Finding.of("redo", label="larch-01")]
    assert [(row["counted"], row["status"]) for row in desk.rows()] == [
        (1, "complete"),
        (0, "aborted"),
    ]
    assert (desk.recorder.turn.label, desk.recorder.turn.number) == ("larch-01", 1)
    assert turn_order(desk.db, desk.record).next_turn() == desk.recorder.turn


def test_a_stroke_taken_back_is_no_measure_for_the_next_ones_depth(desk):
    shallow = bench_samples([Rest(2.0), PressSpring(SPRINGS[0], 36.0), Rest(1.0)])
    deep = later(press(), shallow)
    desk.take(shallow)
    desk.take(deep)
    desk.recorder.execute(Command(Action.REDO))
    desk.take(later(shallow, deep))
    assert [row["counted"] for row in desk.rows()] == [1, 0, 1]


def test_redo_goes_back_to_the_spring_before(desk):
    desk.take(press(presses=3))
    assert desk.recorder.turn.label == "larch-02"
    desk.recorder.execute(Command(Action.REDO))
    assert (desk.recorder.turn.label, desk.recorder.turn.number) == ("larch-01", 2)


def test_redo_in_the_middle_of_a_block_concerns_the_stroke_before_it(desk):
    samples = press(presses=4)
    peaks = np.flatnonzero(samples["travel_counts"] >= samples["travel_counts"].max() - 40)
    third = peaks[np.flatnonzero(np.diff(peaks) > 100)[2] + 1]
    desk.take(pressed_redo(samples, third - 170))
    assert [row["counted"] for row in desk.rows()] == [1, 1, 0, 1]
    assert desk.recorder.turn.label == "larch-02"


@pytest.mark.parametrize("what", ["nothing", "conditioning", "refused", "twice"])
def test_redo_with_nothing_to_take_back_says_so(desk, what):
    first = press()
    if what != "nothing":
        desk.take(first)
    if what == "refused":
        second = later(press(), first)
        desk.take(second)
        desk.take(later(press(StrokeKind.SHORT), second))
    if what == "twice":
        desk.take(later(press(presses=2), first))
        desk.recorder.execute(Command(Action.REDO))
    counted = [row["counted"] for row in desk.rows()]
    desk.recorder.execute(Command(Action.REDO))
    assert [row["counted"] for row in desk.rows()] == counted
    assert desk.kinds(EventKind.REDO)[-1] == "nothing_to_redo"


def test_buttons_walk_back_and_never_lose_the_order_by_habit(desk):
    """Accept alone changes nothing; redo twice is back: nothing is uncounted by it at once."""
    first = press(presses=2)
    marked = first.copy()
    marked["flags"][[-8, -4]] = SampleFlag.ACCEPT_PRESSED
    desk.take(marked[:-5])
    assert desk.recorder.turn == Turn("larch-01", Purpose.MEASURED, 2, 2)
    desk.take(marked[-5:])  # the second press of accept within 2 s
    assert desk.recorder.turn == Turn("larch-02", Purpose.CONDITIONING, 1, 1)
    desk.take(pressed_redo(later(press(), first), 0, 3))
    assert desk.kinds(EventKind.REDO)[-1] == "nothing_to_redo"  # skipped since
    assert desk.found(EventKind.TURN)[-1] == Finding.of("back", label="larch-01")
    assert [row["counted"] for row in desk.rows()] == [1, 1, 1]


def test_accept_finishes_a_set_that_is_done(desk):
    samples = bench_samples()
    marked = samples.copy()
    marked["flags"][[10, -1]] = SampleFlag.ACCEPT_PRESSED
    desk.take(marked[:-1])
    assert desk.recorder.turn is None
    assert not desk.recorder.finished
    desk.take(marked[-1:])
    assert desk.recorder.finished


def test_the_turn_cannot_be_changed_while_a_spring_is_pressed(desk):
    samples = press()
    desk.take(samples[: lowest(samples)])
    for action in (Action.SKIP, Action.BACK):
        desk.recorder.execute(Command(action))
    assert desk.found(EventKind.REFUSED) == [
        Finding.of("spring_pressed", action=action) for action in ("skip", "back")
    ]
    desk.recorder.execute(Command(Action.RENAME, "birch", new_label="A"))
    assert desk.found(EventKind.REFUSED)[-1] == Finding.of("no_such_spring", label="birch")
    desk.recorder.execute(Command(Action.RENAME, new_label="A"))
    desk.take(samples[lowest(samples) :])
    (kept,) = desk.found(EventKind.KEPT)
    assert (kept["label"], kept["purpose"], kept["stroke"]) == ("A", "conditioning", 1)


# --- restarts, hellos and faults ------------------------------------------------------------------


@pytest.mark.parametrize("boot_id", [0xB008, None])
def test_a_restart_in_mid_sweep_interrupts_it_and_loses_the_datum(desk, boot_id):
    desk.take(press())
    samples = later(press(), press())
    desk.take(samples[: lowest(samples)])
    desk.recorder.flush()
    desk.recorder.process(Restarted(boot_id))
    row = desk.rows()[-1]
    assert (row["status"], row["counted"]) == ("interrupted", 0)
    stored = unpack(row["samples_format"], row["samples_blob"])
    assert stored["seq"][-1] == samples["seq"][lowest(samples) - 1]
    assert desk.chunks() == []
    assert desk.kinds(EventKind.FAULT) == ["datum_lost"]
    desk.recorder.process(replace(HELLO, boot_id=0xB008))
    assert desk.kinds(EventKind.FAULT) == ["datum_lost"]  # once
    desk.take(press(), boot_id=0xB008)
    row = desk.rows()[-1]
    assert (row["status"], row["counted"]) == ("complete", 0)
    assert json.loads(row["note"]) == [{"kind": "datum_lost"}]
    assert desk.recorder.turn.number == 1


def test_a_calibration_of_another_start_is_a_datum_that_is_lost(make_book):
    with open_book(make_book(RIG, boot_id=0xB006)) as db:
        desk = Desk(db)
        assert desk.kinds(EventKind.FAULT) == ["datum_lost"]
        desk.take(press(presses=2))
        # working a spring needs no heights, reading it does
        assert [(row["purpose"], row["counted"]) for row in desk.rows()] == [
            ("conditioning", 1),
            ("measured", 0),
        ]


def test_a_hello_of_the_same_start_changes_nothing(make_book):
    with open_book(make_book(RIG, boot_id=BOOT)) as db:
        desk = Desk(db)
        samples = press()
        desk.take(samples[: lowest(samples)])
        desk.recorder.process(HELLO)
        desk.take(samples[lowest(samples) :])
        assert [(row["status"], row["counted"]) for row in desk.rows()] == [("complete", 1)]
        assert desk.found(EventKind.FAULT) == []


def test_an_absolute_scale_keeps_its_datum_over_a_restart(desk):
    desk.recorder.process_hello(replace(HELLO, travel="caliper"))
    desk.recorder.process(Restarted(0xB008))
    desk.recorder.process(replace(HELLO, travel="caliper", boot_id=0xB008))
    desk.take(press(presses=2), boot_id=0xB008)
    assert [row["counted"] for row in desk.rows()] == [1, 1]
    assert desk.found(EventKind.FAULT) == []


def test_another_rig_than_the_calibrations_is_refused_in_words(make_book):
    with (
        open_book(make_book(RIG, device_id="C011BE4C99999999")) as db,
        pytest.raises(CoilbenchError, match=r"C011BE4C99999999\."),
    ):
        Desk(db)


def test_a_fault_is_said_when_it_comes_and_when_it_goes(desk):
    fault = Fault(BOOT, 0, 0x01, True, 1)
    for _ in range(3):
        desk.recorder.process(fault)
    desk.recorder.process(replace(fault, standing=False))
    desk.recorder.process(replace(fault, standing=False))
    desk.recorder.process(replace(fault, code=0x1F))
    assert desk.found(EventKind.FAULT) == [
        Finding.of("rig_fault", code=0x01),
        Finding.of("rig_fault_over", code=0x01),
        Finding.of("rig_fault", code=0x1F),
    ]


def test_what_needs_no_act_is_taken_without_a_word(desk):
    desk.recorder.process(Tally(BOOT, 0, 1, 0, 0, 0))
    desk.recorder.process(RawBlock(press()[:0], BOOT))
    desk.recorder.interrupt()
    assert desk.events == []
    assert desk.rows() == []
