"""A closing press that was of another spring: whatever is answered, the right one is asked for."""

import pytest
from msgspec.structs import replace

from coilbench.analysis.dashboard.keys import answer_help
from coilbench.analysis.inputs.measured import strokes_of
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.book.notes import counts_by_word
from coilbench.capture.book.opening import open_book
from coilbench.capture.running.commands import Action, EventKind
from coilbench.capture.virtual.bench import PressSpring, Rest
from coilbench.capture.virtual.spring import INNER, draw_set
from support.datum_desk import PRESS, SLIP, TO_MM, counted, tell, work
from support.recorder_desk import HELLO, RIG, SPRINGS, Desk

OTHER = [PressSpring(SPRINGS[1], TO_MM), Rest(1.0)]
# so alike that its loads say nothing, and so much longer that its heights do
NEAR = PressSpring(replace(SPRINGS[0], free_length_mm=SPRINGS[0].free_length_mm + 0.08), TO_MM)
FAR = PressSpring(draw_set(INNER, 1, 5)[0], 27.0)
ANSWERS = {"y": Action.ACCEPT, "r": Action.REDO}


@pytest.fixture
def desk(make_book):
    """Both springs were pressed, and the first one is wanted once more."""
    with open_book(make_book(RIG, device_id=RIG.device_id, boot_id=HELLO.boot_id)) as db:
        pressed = Desk(db, closes=True)
        work(pressed, *PRESS * 3, *OTHER * 3)
        pressed.recorder.closing.ask()
        yield pressed


def asked_again(desk):
    """As a session asks, once it is done."""
    desk.recorder.closing.ask()
    return desk.recorder.done and desk.recorder.closing.label == "larch-01"


def closes(desk):
    work(desk, *PRESS)
    return desk.kinds(EventKind.DONE)[-1:] == ["set_closed"]


@pytest.mark.parametrize("answer", ANSWERS)
def test_one_that_is_nearly_alike_is_asked_about(desk, answer):
    work(desk, NEAR, Rest(1.0))
    assert desk.recorder.question.kind == "strokes_in_doubt"
    assert desk.recorder.closing.verdict.kind == "closing_differs"
    tell(desk, ANSWERS[answer])
    assert asked_again(desk)
    assert closes(desk)
    assert desk.recorder.closing.verdict.kind == "set_closed"


def test_that_it_was_another_spring_is_an_answer_and_leaves_nothing_in_doubt(desk):
    work(desk, NEAR, Rest(1.0))
    assert "r another spring was pressed: larch-01 again" in answer_help(desk.recorder.question)
    assert counted(desk)[3:6] == [0, 0, 0]
    tell(desk, Action.REDO)
    assert counted(desk) == [1] * 6 + [0]
    assert not any(counts_by_word(row["note"]) for row in desk.rows())
    assert desk.recorder.datum is None
    assert desk.recorder.closing.verdict.kind == "sets_not_closed"  # till the right one is pressed
    assert desk.recorder.closing.label == "larch-01"


@pytest.mark.parametrize("pressed", [FAR, OTHER[0], SLIP[0]], ids=["far", "other", "slipped"])
@pytest.mark.parametrize("answer", [Action.ACCEPT, Action.REDO])
def test_one_that_is_none_is_asked_for_again(desk, pressed, answer):
    work(desk, pressed, Rest(1.0))
    if desk.recorder.question is not None:
        tell(desk, answer)
    assert counted(desk)[:6] == [1] * 6
    assert asked_again(desk)


def test_redo_after_one_that_closed_nothing_takes_no_other_press_back(desk):
    work(desk, FAR, Rest(1.0))
    tell(desk, Action.REDO)
    assert desk.kinds(EventKind.REDO) == ["redo_wanted"]
    assert counted(desk) == [1] * 6 + [0]
    assert asked_again(desk)


def test_a_second_one_that_differs_is_of_no_other_spring(desk):
    for _ in range(2):
        work(desk, NEAR, Rest(1.0))
        tell(desk, Action.ACCEPT)
        last = desk.recorder.closing.ask()
    assert not last
    assert desk.recorder.closing.verdict.kind == "closing_differs"


def test_it_is_passed_over_by_a_word_and_the_set_is_not_closed(desk):
    tell(desk, Action.SKIP)
    assert desk.kinds(EventKind.TURN)[-1] == "closing_skipped"
    assert not asked_again(desk)
    assert desk.recorder.done
    assert desk.recorder.closing.verdict.kind == "sets_not_closed"


def test_not_while_it_is_pressed(desk):
    work(desk, *PRESS, until_s=3.5)
    tell(desk, Action.SKIP)
    assert desk.kinds(EventKind.REFUSED) == ["spring_pressed"]
    assert desk.recorder.closing.label == "larch-01"


def test_nothing_to_redo_or_to_go_back_to_does_not_lose_it(desk):
    work(desk, FAR, Rest(1.0))
    tell(desk, Action.BACK)
    assert desk.recorder.closing.label is None
    tell(desk, Action.SKIP)  # its earlier strokes are kept
    assert asked_again(desk)


def test_each_closing_press_is_told_as_one(desk):
    work(desk, FAR, Rest(1.0))
    work(desk, NEAR, Rest(1.0))
    tell(desk, Action.REDO)
    work(desk, *PRESS)
    strokes = strokes_of(desk.db, desk.record)["larch-01"]
    assert [one.why for one in strokes[-3:]] == ["closing"] * 3
    told = [describe(one, Units()) for one in strokes[-3:]]
    assert told[0].startswith("closing press, which tells nothing: ")
    assert told[1].startswith("closing press: larch-01, pressed once more at the end, lies +0.")
    assert told[2].startswith("closing press: closed: larch-01, pressed once more, lies ")
    others = strokes_of(desk.db, desk.record)["larch-02"]
    assert {one.why for one in others} == {"nothing_against"}


def test_what_was_pressed_while_it_was_asked_is_not_the_next_springs(desk):
    """The right spring, while the screen still asks about the wrong one."""
    work(desk, NEAR, Rest(1.0), *PRESS)
    tell(desk, Action.REDO)
    tell(desk, Action.SKIP)
    tell(desk, Action.BACK)
    work(desk, Rest(2.0))
    assert counted(desk)[7:] == [0]
