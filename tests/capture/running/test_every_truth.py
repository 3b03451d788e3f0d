"""Whatever is true of a press that is asked about has an answer, and no question goes unsaid."""

import pytest
from msgspec.structs import replace

from coilbench.analysis.dashboard.keys import KeyMap, answer_help
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.book.opening import open_book
from coilbench.capture.running.checking import ASK_AT
from coilbench.capture.running.commands import Action, Command, EventKind, Snapshot
from coilbench.capture.running.kinds import OF_A_PRESS
from coilbench.capture.virtual.bench import PressSpring, Rest
from support.datum_desk import PRESS, SLIGHT, SLIP, TO_MM, counted, on_gauge, said, tell, work
from support.open_questions import OPENING
from support.recorder_desk import HELLO, RIG, SPRINGS, Desk

RIGHT = SPRINGS[0]


@pytest.fixture
def closing_desk(make_book):
    """Of two springs, each pressed once to work it, and read twice."""
    with open_book(make_book(RIG, device_id=RIG.device_id, boot_id=HELLO.boot_id)) as db:
        yield Desk(db, closes=True)


def of(spring):
    return [PressSpring(spring, TO_MM), Rest(1.0)]


def longer(by_mm):
    return of(replace(RIGHT, free_length_mm=RIGHT.free_length_mm + by_mm))


def stiffer(share):
    return of(replace(RIGHT, rate_n_per_mm=RIGHT.rate_n_per_mm * (1.0 + share)))


def gauge_agrees(desk):
    tell(desk, Action.GAUGE)
    on_gauge(desk, 30.0)


def press_key(desk, key):
    """Press a key of a screen that shows the question."""
    shown = replace(
        Snapshot("larch", "x:"), question=desk.recorder.question, turn=desk.recorder.turn
    )
    keys = KeyMap()
    for command in keys.press(key, shown):
        desk.recorder.execute(command)
    assert not keys.said


# What was pressed as the spring first, the gauge that follows the right one, the question, its key.
WRONG_FIRST = {
    "shorter": (longer(-1.6), False, "datum_moved", "b"),
    "a little longer": (longer(0.25), False, "datum_moved", "b"),
    "shorter, a gauge agrees": (longer(-1.6), True, "sits_otherwise", "r"),
    "softer": (stiffer(-0.1), False, "another_spring", "r"),
}


@pytest.mark.parametrize("times", [1, 2])
@pytest.mark.parametrize("case", WRONG_FIRST)
def test_that_the_one_before_was_wrong_is_an_answer(unworked, case, times):
    wrong, gauge, kind, key = WRONG_FIRST[case]
    work(unworked, *wrong * times, *PRESS)
    if gauge:
        gauge_agrees(unworked)
    assert unworked.recorder.question.kind == kind
    assert f"  {key} " in answer_help(unworked.recorder.question)
    for _ in range(1 if key == "b" else times):
        press_key(unworked, key)
        assert "no longer count" in said(unworked, EventKind.REDO)
        assert unworked.recorder.datum is None
        assert unworked.recorder.question is None
        work(unworked, *PRESS)
        if unworked.recorder.question is None:
            break
    work(unworked, *PRESS * 2)
    assert unworked.recorder.question is None
    assert counted(unworked)[:times] == [0] * times
    assert counted(unworked)[-3:] == [1] * 3
    assert unworked.recorder.order.measured_of("larch-01") == 3


@pytest.mark.parametrize("key", ["x", "r"])
def test_that_this_one_was_wrong_is_an_answer_where_a_gauge_agrees(unworked, key):
    """Then the press before does not stay taken back, or is the only one that is."""
    work(unworked, *PRESS * 2, *longer(-1.6))
    gauge_agrees(unworked)
    press_key(unworked, key)
    assert counted(unworked) == [1, int(key == "x"), 0]


def test_one_before_that_was_wrong_is_an_answer_also_to_what_looks_like_a_slip(unworked):
    work(unworked, *SLIGHT, *PRESS)
    question = unworked.recorder.question
    assert question.kind == "datum_doubted"
    assert "  b those before" in answer_help(question)
    press_key(unworked, "b")
    assert (unworked.recorder.datum, unworked.recorder.question) == (None, None)
    work(unworked, *PRESS * 3)
    assert counted(unworked) == [0, 0, 1, 1, 1]


def test_and_to_what_is_so_again_and_again_beside_it(unworked):
    work(unworked, *SLIGHT, *PRESS * ASK_AT)
    assert unworked.recorder.question.kind == "same_again"
    assert "r the one before was wrong" in answer_help(unworked.recorder.question)
    press_key(unworked, "r")
    assert unworked.recorder.datum is None
    work(unworked, *PRESS * 3)
    assert counted(unworked)[-3:] == [1] * 3
    assert counted(unworked)[0] == 0


def test_a_press_that_slips_by_itself_says_nothing_of_those_before(unworked):
    work(unworked, *PRESS, *SLIP * ASK_AT)
    assert unworked.recorder.question.kind == "same_again"
    assert " r " not in answer_help(unworked.recorder.question)


def test_back_that_answers_no_question_leaves_the_datum_in_doubt(unworked):
    """From a window that did not show it."""
    work(unworked, *PRESS * 2, *longer(0.35))
    tell(unworked, Action.BACK)
    work(unworked, Rest(1.0))
    assert unworked.recorder.datum.kind == "datum_doubted"
    assert counted(unworked) == [1, 1, 0]


PASSING = {
    "skip": Command(Action.SKIP),
    "back": Command(Action.BACK),
    "rename": Command(Action.RENAME, "larch-02", "larch-2"),
    "redo": Command(Action.REDO),
    "gauge": Command(Action.GAUGE),
    "finish": Command(Action.FINISH),
}
TELLS = {"not_counted", "solid_left", "goes_on", "taken_out", "redo_wanted", "other_taken_out"}
TELLS |= {"redo", "redo_before", "closing_taken_back", "gauge_awaited"}


@pytest.mark.parametrize("command", PASSING.values(), ids=PASSING)
@pytest.mark.parametrize("opened", OPENING)
def test_no_question_goes_unsaid_as_something_else_is_done(closing_desk, opened, command):
    desk = closing_desk
    OPENING[opened](desk)
    question, before = desk.recorder.question, len(desk.events)
    desk.recorder.execute(command)
    events = desk.events[before:]
    refused = any(event.kind is EventKind.REFUSED for event in events)
    if refused:  # nothing was done, so it stands
        assert desk.recorder.question == question
        return
    if desk.recorder.finished:
        assert "goes_on" not in {event.what.kind for event in events}
        return
    if question.kind in OF_A_PRESS and command.action is not Action.GAUGE:
        assert {event.what.kind for event in events} & TELLS
    if command.action is Action.FINISH and desk.recorder.question.kind == "finish_unfinished":
        tell(desk, Action.TAKE_OUT)
    heights = {"datum_moved", "datum_doubted", "datum_differs", "strokes_in_doubt"}
    offered = command.action is Action.REDO and "  r " in answer_help(question)
    answers = offered or command.action is Action.GAUGE
    if question.kind in heights and not answers:  # only an answer settles them
        work(desk, Rest(1.0))
        assert desk.recorder.question.kind in heights
    else:
        assert {event.what.kind for event in events} & TELLS or desk.recorder.question


def test_the_only_spring_left_cannot_be_skipped_and_the_question_stands(closing_desk):
    desk = closing_desk
    OPENING["another_spring"](desk)
    asked = desk.recorder.question
    tell(desk, Action.SKIP)
    assert "only_spring_left" in desk.kinds(EventKind.REFUSED)
    assert desk.recorder.question == asked
    tell(desk, Action.ACCEPT)
    assert counted(desk)[-1] == 1


@pytest.mark.parametrize("opened", OPENING)
def test_at_the_end_it_is_said_of_a_press_that_nobody_answered_for_it(closing_desk, opened):
    desk = closing_desk
    OPENING[opened](desk)
    kind = desk.recorder.question.kind
    desk.recorder.end()
    assert ("press_open" in desk.kinds(EventKind.TURN)) == (kind in OF_A_PRESS)
    if kind in OF_A_PRESS:
        assert counted(desk)[-1] == 0
        told = said(desk, EventKind.TURN)
        assert "nobody said whether the last press counts" in told
        assert ("the next capture asks" in told) == (kind == "datum_moved")


@pytest.mark.parametrize("pressed", [stiffer(-0.0125), stiffer(0.0125), longer(0.14)])
def test_a_press_that_may_be_another_springs_does_not_show_that_the_datum_holds(unworked, pressed):
    """It departs by less than surely is no repeat: that shows nothing."""
    work(unworked, *PRESS, *SLIP, *pressed)
    assert "datum_holds" not in unworked.kinds(EventKind.TURN)
    assert unworked.recorder.datum.kind == "datum_doubted"
    assert counted(unworked) == [1, 0, 0]
    assert "has not moved" not in describe(unworked.recorder.datum, Units())
