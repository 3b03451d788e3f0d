"""Questions of a capture: asked once, answered or let go; what each answer does to the count."""

import re

import numpy as np
import pytest

from bench_strokes import Slipping, turned_into
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import find_set
from coilbench.capture.running.checking import ASK_AT
from coilbench.capture.running.commands import Action, Command, EventKind
from coilbench.capture.running.questions import READ_S
from coilbench.capture.virtual.bench import PressSpring, Rest
from coilbench.capture.virtual.spring import INNER, draw_set
from support.recorder_desk import RIG, SPRINGS, Desk, bench_samples

TO_MM = 28.0
WRONG = draw_set(INNER, 1, 4)[0]
SLIPPING = turned_into(SPRINGS[1], Slipping)
FIRST = [Rest(2.0), *[PressSpring(SPRINGS[0], TO_MM), Rest(1.0)] * 3]  # a whole spring


@pytest.fixture
def desk(make_book):
    with open_book(make_book(RIG)) as db:
        yield Desk(db)


def take(desk, steps):
    for piece in np.array_split(bench_samples([*steps, Rest(1.0)]), 40):
        desk.take(piece)


def tell(desk, action):
    desk.recorder.execute(Command(action))


def counted(desk):
    return [(row["purpose"], row["counted"]) for row in desk.rows()]


def test_yes_counts_the_press_of_another_spring_and_no_does_not(desk):
    take(desk, [*FIRST, PressSpring(WRONG, TO_MM)])
    assert desk.recorder.question.kind == "another_spring"
    assert counted(desk)[-1] == ("conditioning", 0)
    tell(desk, Action.ACCEPT)
    assert desk.recorder.question is None
    assert counted(desk)[-1] == ("conditioning", 1)
    assert desk.recorder.turn.number == 1
    assert desk.recorder.turn.purpose == "measured"
    assert desk.kinds(EventKind.TURN)[-1] == "accepted"


def test_after_a_yes_the_spring_is_compared_with_its_own_press_and_that_is_said(desk):
    take(desk, [*FIRST, PressSpring(WRONG, TO_MM)])
    tell(desk, Action.ACCEPT)
    take(desk, [Rest(2.0), PressSpring(SPRINGS[1], TO_MM)])
    asked, own = desk.found(EventKind.QUESTION)
    assert (asked["own"], own["own"]) == (False, True)
    assert "either may be the wrong one" in describe(asked, Units())
    assert re.search(r"where it had \d+\.\d+ kg before", describe(own, Units()))
    assert "other" not in describe(own, Units())


@pytest.mark.parametrize("action", [Action.TAKE_OUT, Action.REDO])
def test_anything_but_yes_leaves_it_out_and_the_spring_is_asked_for_again(desk, action):
    take(desk, [*FIRST, PressSpring(WRONG, TO_MM)])
    tell(desk, action)
    assert desk.recorder.question is None
    assert counted(desk)[-1] == ("conditioning", 0)
    assert desk.recorder.turn.purpose == "conditioning"


def test_pressing_again_lets_the_question_go_and_asks_anew(desk):
    take(desk, [*FIRST, *[PressSpring(WRONG, TO_MM), Rest(1.0)] * 2])
    assert desk.kinds(EventKind.QUESTION) == ["another_spring"] * 2
    tell(desk, Action.ACCEPT)
    assert [number for _, number in counted(desk)] == [1, 1, 1, 0, 1]


def test_refused_for_the_same_reason_again_and_again_it_may_be_the_spring(desk):
    good = PressSpring(SPRINGS[1], TO_MM)
    slips = [PressSpring(SLIPPING, TO_MM), Rest(1.0)]
    take(desk, [*FIRST, good, Rest(1.0), *slips * (ASK_AT - 1)])
    assert desk.recorder.question.kind == "datum_doubted"  # the scale may have slipped
    assert desk.kinds(EventKind.REFUSED) == ["stroke_refused"] * (ASK_AT - 1)


def test_and_then_it_is_asked(desk):
    slips = [PressSpring(SLIPPING, TO_MM), Rest(1.0)]
    take(desk, [*FIRST, PressSpring(SPRINGS[1], TO_MM), Rest(1.0), *slips * ASK_AT])
    question = desk.recorder.question
    assert (question.kind, question.facts["times"]) == ("same_again", ASK_AT)
    tell(desk, Action.ACCEPT)
    assert counted(desk)[-1] == ("measured", 1)


def test_finishing_asks_once_where_springs_are_unfinished(desk):
    take(desk, FIRST)
    tell(desk, Action.FINISH)
    assert desk.recorder.question.facts == {"left": 1, "labels": ["larch-02"], "springs": 2}
    assert not desk.recorder.finished
    tell(desk, Action.TAKE_OUT)
    assert (desk.recorder.question, desk.recorder.finished) == (None, False)
    tell(desk, Action.FINISH)
    tell(desk, Action.FINISH)
    assert desk.recorder.finished


@pytest.mark.parametrize("action", [Action.ACCEPT, Action.TAKE_OUT])
def test_an_answer_to_nothing_is_refused(desk, action):
    tell(desk, action)
    assert desk.kinds(EventKind.REFUSED) == ["no_question"]


@pytest.mark.parametrize("answer", [Action.FINISH, Action.ACCEPT])
@pytest.mark.parametrize(("after_s", "ends"), [(READ_S - 0.01, False), (READ_S + 0.01, True)])
def test_a_yes_counts_once_the_question_could_be_read(make_book, answer, after_s, ends):
    now = [0.0]
    with open_book(make_book(RIG)) as db:
        desk = Desk(db, clock=lambda: now[0])
        tell(desk, Action.FINISH)
        now[0] = after_s
        tell(desk, answer)
        assert desk.recorder.finished is ends
        assert (desk.recorder.question is None) is ends
        assert ("too_soon" in desk.kinds(EventKind.REFUSED)) is not ends


def test_an_answer_to_another_question_than_the_one_that_stands_is_none(desk):
    take(desk, [*FIRST, PressSpring(WRONG, TO_MM)])
    for action in (Action.ACCEPT, Action.TAKE_OUT):
        desk.recorder.execute(Command(action, question="datum_doubted"))
        assert desk.kinds(EventKind.REFUSED)[-1] == "too_soon"
        assert desk.recorder.question.kind == "another_spring"
    desk.recorder.execute(Command(Action.TAKE_OUT, question="another_spring"))
    assert desk.recorder.question is None


def test_a_press_that_waits_is_not_accepted_by_a_trembling_finger(make_book):
    now = [0.0]
    with open_book(make_book(RIG)) as db:
        desk = Desk(db, clock=lambda: now[0])
        take(desk, [*FIRST, PressSpring(WRONG, TO_MM)])
        tell(desk, Action.ACCEPT)
        assert counted(desk)[-1] == ("conditioning", 0)
        assert desk.recorder.question is not None
        tell(desk, Action.TAKE_OUT)  # no needs no time
        assert desk.recorder.question is None


def test_a_press_into_bind_teaches_the_solid_height_by_one_key(make_book):
    solid_mm = SPRINGS[0].solid_height_mm
    with open_book(make_book(RIG)) as db:
        desk = Desk(db)
        take(desk, [Rest(2.0), PressSpring(SPRINGS[0], solid_mm - 0.2)])
        question = desk.recorder.question
        assert question.kind == "solid_seen"
        assert question["solid_mm"] == pytest.approx(solid_mm, abs=question["u_mm"])
        assert counted(desk) == [("conditioning", 0)]
        tell(desk, Action.ACCEPT)
        spring = find_set(db, "larch").spring("larch-01")
        assert spring.solid_height_mm == question["solid_mm"]
        assert spring.solid_by_hand_u_mm == pytest.approx(question["u_mm"] / 2.0)
        assert counted(desk) == [("conditioning", 0)]
        take(desk, [Rest(2.0), PressSpring(SPRINGS[0], solid_mm - 0.2)])
        assert desk.recorder.question is None  # it is known


@pytest.mark.parametrize("action", [Action.TAKE_OUT, None])
def test_unasked_no_solid_height_is_kept(make_book, action):
    with open_book(make_book(RIG)) as db:
        desk = Desk(db)
        take(desk, [Rest(2.0), PressSpring(SPRINGS[0], SPRINGS[0].solid_height_mm - 0.2)])
        if action is not None:
            tell(desk, action)
        assert find_set(db, "larch").spring("larch-01").solid_height_mm is None


def test_without_the_presss_give_no_height_under_such_a_load_is_known(make_book):
    with open_book(make_book(RIG, flex=False)) as db:
        desk = Desk(db)
        take(desk, [Rest(2.0), PressSpring(SPRINGS[0], SPRINGS[0].solid_height_mm - 0.2)])
        assert desk.recorder.question is None
