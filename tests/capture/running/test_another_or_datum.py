"""A press at other heights: another spring, or a datum that is wrong, asked in one question."""

import pytest
from msgspec.structs import replace

from coilbench.analysis.dashboard.keys import answer_help
from coilbench.capture.running.commands import Action, EventKind
from coilbench.capture.virtual.bench import PressSpring, Rest
from support.datum_desk import PRESS, SLIGHT, SLIP, TO_MM, counted, tell, work
from support.recorder_desk import SPRINGS, Desk


def off(by_mm):
    spring = replace(SPRINGS[0], free_length_mm=SPRINGS[0].free_length_mm + by_mm)
    return [PressSpring(spring, TO_MM), Rest(1.5)]


@pytest.fixture(params=[-0.35, -0.15, 0.15, 0.35])
def asked(request, unworked):
    """The first spring is pressed twice, then another one, so much longer."""
    work(unworked, *PRESS * 2)
    work(unworked, *off(request.param))
    return unworked


def test_both_answers_are_offered(asked):
    assert asked.recorder.question.kind == "datum_moved"
    assert "r wrong spring, take it out" in answer_help(asked.recorder.question)


def test_a_wrong_spring_is_taken_out_and_the_datum_is_right(asked):
    tell(asked, Action.REDO)
    assert asked.kinds(EventKind.TURN)[-1] == "taken_out"
    assert asked.recorder.question is None
    assert asked.recorder.datum is None
    work(asked, *PRESS)
    assert counted(asked) == [1, 1, 0, 1]


def test_that_the_scale_slipped_is_not_asked_twice(asked):
    tell(asked, Action.TAKE_OUT)
    assert asked.kinds(EventKind.QUESTION) == ["datum_moved"]
    assert asked.kinds(EventKind.TURN)[-1] == "datum_to_set"
    assert asked.recorder.datum.kind == "datum_doubted"
    work(asked, Rest(2.0))
    assert asked.kinds(EventKind.QUESTION) == ["datum_moved"]


def test_a_press_that_slipped_by_itself_is_of_no_other_spring(unworked):
    work(unworked, *PRESS * 2)
    work(unworked, *SLIP)
    question = unworked.recorder.question
    assert question.kind == "datum_doubted"
    assert "wrong spring" not in answer_help(question)


@pytest.fixture
def beside(unworked):
    """Its last press slipped beside those before, not by itself: another spring may do that."""
    work(unworked, *PRESS * 2, *SLIGHT)
    return unworked


def test_one_that_slips_beside_its_own_presses_may_be_of_another_spring(beside):
    assert "r wrong spring, take it out" in answer_help(beside.recorder.question)
    tell(beside, Action.REDO)
    assert beside.kinds(EventKind.TURN)[-1] == "press_was_another"
    assert beside.recorder.question is None
    assert beside.recorder.datum is None
    work(beside, *PRESS)
    assert counted(beside) == [1, 1, 0, 1]
    assert not any("heights_said" in (row["note"] or "") for row in beside.rows())


def test_it_is_no_answer_where_the_datum_was_in_doubt_before(unworked):
    work(unworked, *PRESS * 2, *SLIP, *SLIGHT)
    assert "wrong spring" not in answer_help(unworked.recorder.question)
    tell(unworked, Action.REDO)
    assert unworked.recorder.datum is not None


@pytest.mark.parametrize("how", ["passed over", "begun anew"])
def test_it_is_an_answer_also_where_it_was_not_given_at_once(asked, how):
    if how == "passed over":
        tell(asked, Action.SKIP)
    else:
        asked.recorder.flush()
        asked.recorder.end()
        later = Desk(asked.db)
        later.run_on = asked.run_on
        asked = later
    work(asked, Rest(1.0))
    assert asked.recorder.question.kind == "datum_doubted"
    assert "r wrong spring, take it out" in answer_help(asked.recorder.question)
    tell(asked, Action.REDO)
    assert asked.recorder.datum is None
    assert asked.recorder.question is None
