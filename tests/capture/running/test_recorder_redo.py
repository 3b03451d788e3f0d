"""The recorder: a stroke taken back, and the turn changed."""

import numpy as np
import pytest

from coilbench.capture.blocks import Finding, SampleFlag
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sweeps import turn_order
from coilbench.capture.running.commands import Action, Command, EventKind
from coilbench.capture.strokes.judging import Purpose, Turn
from coilbench.capture.virtual.bench import PressSpring, Rest, StrokeKind
from coilbench.capture.virtual.spring import INNER, draw_set
from support.recorder_desk import RIG, SPRINGS, Desk, bench_samples, later, lowest, press


@pytest.fixture
def book(make_book):
    return make_book(RIG)


@pytest.fixture
def desk(book):
    with open_book(book) as db:
        yield Desk(db)


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


@pytest.mark.parametrize("what", ["nothing", "refused", "twice"])
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
    said = "redo_wanted" if what == "refused" else "nothing_to_redo"  # that one is still wanted
    assert desk.kinds(EventKind.REDO)[-1] == said


def test_a_first_press_that_went_half_way_has_not_worked_the_spring(desk):
    """Nobody knows how deep this set is pressed until one goes deeper."""
    half = press(StrokeKind.SHORT)
    desk.take(half)
    assert desk.recorder.turn == Turn("larch-01", Purpose.MEASURED, 1, 2)
    desk.take(later(press(), half))
    assert desk.recorder.turn == Turn("larch-01", Purpose.MEASURED, 1, 2)
    assert desk.found(EventKind.KEPT)[-1]["purpose"] == Purpose.CONDITIONING
    assert desk.found(EventKind.KEPT)[-1]["findings"][0]["kind"] == "worked_short"
    desk.take(later(press(), later(press(), half)))
    assert desk.recorder.turn == Turn("larch-01", Purpose.MEASURED, 2, 2)


def test_a_press_that_works_the_spring_is_taken_back_as_well(desk):
    """It may have been of the wrong spring."""
    desk.take(press())
    desk.recorder.execute(Command(Action.REDO))
    assert [row["counted"] for row in desk.rows()] == [0]
    assert desk.recorder.turn == Turn("larch-01", Purpose.CONDITIONING, 1, 1)
    assert turn_order(desk.db, desk.record).next_turn() == desk.recorder.turn


def test_a_wrong_first_spring_is_taken_back_by_r_at_the_question_that_names_it(desk):
    wrong = press(spring=draw_set(INNER, 1, 4)[0])
    desk.take(wrong)
    desk.take(later(press(), wrong))
    assert desk.recorder.question.facts["own"]
    desk.recorder.execute(Command(Action.REDO))
    assert desk.kinds(EventKind.REDO) == ["redo_before"]
    again = later(press(presses=3), later(press(), wrong))
    desk.take(again)
    assert [row["counted"] for row in desk.rows()] == [0, 0, 1, 1, 1]


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
