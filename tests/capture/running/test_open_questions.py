"""Whatever question is open as a capture ends, however it ends, the next one knows it."""

import pytest

from bench_strokes import Reseated, turned_into
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.question_text import QUESTIONS
from coilbench.analysis.report.units import Units
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sessions import left_behind, recover
from coilbench.capture.book.sets import SetPlan, new_set, rename_set
from coilbench.capture.running.commands import Action, EventKind, Snapshot
from coilbench.capture.virtual.bench import PressSpring, Rest
from support.datum_desk import counted, on_gauge, said, tell, work
from support.open_questions import (
    BIND,
    OPENING,
    OTHER,
    SLIP_MM,
    SUNK,
    WRONG,
    closing_press_differs,
)
from support.recorder_desk import HELLO, RIG, SPRINGS, Desk

LOW = [PressSpring(turned_into(SPRINGS[0], Reseated, by_mm=-8.0), 22.0), Rest(1.0)]


@pytest.fixture
def desk(make_book):
    """Of two springs, each pressed once to work it, and read twice."""
    with open_book(make_book(RIG, device_id=RIG.device_id, boot_id=HELLO.boot_id)) as db:
        yield Desk(db, closes=True)


# What another capture then asks, and by which press where by one.
OPENED = {
    "datum_doubted": ("datum_doubted", ()),
    "datum_moved": ("datum_doubted", ()),
    "datum_differs": ("datum_doubted", ()),
    "strokes_in_doubt": ("strokes_in_doubt", ()),
    "strokes_in_doubt, closing": ("strokes_in_doubt", ()),
    "sits_otherwise": ("datum_moved", SUNK),
    "another_spring": ("another_spring", WRONG),
    "same_again": ("datum_doubted", ()),
    "solid_seen": ("solid_seen", BIND),
    "finish_unfinished": (None, ()),
}
# Of a press that touched low no capture without a free length asks: as another_spring.
LIKE_ANOTHER = {"touched_low"}


def test_each_question_is_among_them():
    assert set(OPENED) == set(OPENING)
    assert {one.partition(",")[0] for one in OPENED} | LIKE_ANOTHER == set(QUESTIONS)


def stored(desk):
    desk.recorder.flush()
    desk.run.update(Snapshot("larch", "x:").to_document())


def ends(desk, how, **options):
    """End the capture, and begin another one of the same start of the rig."""
    stored(desk)
    if how == "by f":
        while not desk.recorder.finished:
            tell(desk, Action.FINISH)
    if how == "killed":
        recover(desk.db)
    else:
        desk.recorder.end()
        desk.run.update(Snapshot("larch", "x:").to_document())
        desk.run.end("finished by hand")
    anew = Desk(desk.db, closes=True, **options)
    anew.run_on = desk.run_on
    return anew


HOW = pytest.mark.parametrize("how", ["killed", "told to stop", "by f"])


@HOW
@pytest.mark.parametrize("opened", OPENED)
def test_the_next_capture_knows_it(desk, opened, how):
    then, press = OPENED[opened]
    OPENING[opened](desk)
    question = desk.recorder.question
    assert question.kind == opened.partition(",")[0]
    before = counted(desk)
    again = ends(desk, how)
    assert counted(again) == before  # an end answers nothing
    work(again, Rest(1.0), *press)
    assert (again.recorder.question and again.recorder.question.kind) == then
    assert counted(again)[: len(before)] == before
    if then == question.kind == "strokes_in_doubt":
        assert describe(again.recorder.question, Units()) == describe(question, Units())


@HOW
def test_till_a_closing_press_is_answered_no_press_counts(desk, how):
    closing_press_differs(desk)
    work(desk, *OTHER, slip_mm=SLIP_MM)
    assert counted(desk) == [1, 1, 1, 0, 0, 0, 0, 0]
    assert desk.recorder.datum["why"]["kind"] == "closing_differs"
    again = ends(desk, how)
    if how != "killed":
        assert "larch-02 (3): nobody said" in said(desk, EventKind.TURN)
    work(again, *OTHER, slip_mm=SLIP_MM)
    assert counted(again) == [1, 1, 1, 0, 0, 0, 0, 0, 0]
    assert again.recorder.question.kind == "strokes_in_doubt"


@HOW
@pytest.mark.parametrize("answer", [Action.ACCEPT, Action.TAKE_OUT])
def test_an_answer_in_a_later_capture_does_what_it_did(desk, how, answer):
    closing_press_differs(desk)
    again = ends(desk, how)
    work(again, Rest(1.0), slip_mm=SLIP_MM)
    tell(again, answer)
    yes = answer is Action.ACCEPT
    assert counted(again) == [1, 1, 1, *[int(yes)] * 3, 0]
    assert (again.recorder.datum is None) is yes
    last = ends(again, how)
    work(last, Rest(1.0), slip_mm=SLIP_MM)
    asked = last.recorder.question
    assert (asked and asked.kind) == (None if yes else "datum_doubted")


@pytest.mark.parametrize("more", [0, 1])
def test_what_the_next_capture_says_first_names_how_many(desk, more):
    closing_press_differs(desk)
    stored(desk)
    recover(desk.db)
    for _ in range(more):  # and so after another that is killed
        desk = Desk(desk.db)
        stored(desk)
        work(desk, Rest(1.0), slip_mm=SLIP_MM)
        recover(desk.db)
    told = describe(left_behind(desk.db), Units())
    assert "3 strokes left out till you say whether they count" in told


def test_a_gauge_that_agrees_settles_the_scale_and_not_the_presses(desk):
    closing_press_differs(desk)
    again = ends(desk, "killed")
    on_gauge(again, 30.0)
    assert again.recorder.datum is None
    assert again.recorder.question.kind == "strokes_in_doubt"
    tell(again, Action.TAKE_OUT)
    assert again.recorder.datum is None
    work(again, *OTHER)
    assert counted(again)[-1] == 1


def test_what_counts_by_a_datum_that_was_said_to_be_right_says_what_stood_against_it(desk):
    closing_press_differs(desk)
    tell(desk, Action.ACCEPT)
    tell(desk, Action.BACK)
    work(desk, *OTHER, slip_mm=SLIP_MM)
    assert counted(desk)[-1] == 1
    assert "closing_differs" in desk.rows()[-1]["note"]


def test_while_another_set_is_pressed_it_waits_for_its_own(desk):
    closing_press_differs(desk)
    elm = rename_set(desk.db, desk.record, "elm")
    new_set(desk.db, SetPlan("larch", "outer", ("ash-1", "ash-2")))
    other = ends(desk, "killed")
    work(other, Rest(1.0), slip_mm=SLIP_MM)
    assert other.recorder.question.kind == "datum_doubted"  # by the same datum
    on_gauge(other, 30.0, slip_mm=SLIP_MM)
    tell(other, Action.ACCEPT)
    assert other.recorder.question is None
    rename_set(desk.db, other.record, "ash")
    rename_set(desk.db, elm, "larch")
    own = ends(other, "killed")
    work(own, Rest(1.0), slip_mm=SLIP_MM)
    assert own.recorder.question.kind == "strokes_in_doubt"
