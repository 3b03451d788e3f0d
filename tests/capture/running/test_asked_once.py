"""A question that a measurement answered is not asked again, unless something new was seen."""

import pytest

from bench_strokes import Reseated, turned_into
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.running.commands import Action, EventKind
from coilbench.capture.running.heights import AWAIT_S
from coilbench.capture.virtual.bench import PressSpring, Rest
from support.datum_desk import PRESS, SLIP, TO_MM, counted, on_gauge, tell, work
from support.recorder_desk import RIG, SPRINGS

HIGHER_MM = 0.6
SUNK = [PressSpring(turned_into(SPRINGS[0], Reseated, by_mm=-0.35), TO_MM), Rest(1.0)]


def held_low(desk, *steps, below_mm=HIGHER_MM):
    """Press, a hand holding the quill as far below its stop each time."""
    work(desk, *steps, least_counts=round(below_mm * RIG.travel_counts_per_mm))


def stop_was_a_hand(desk):
    """The quill is let up fully only after it rested lower again and again."""
    held_low(desk, *PRESS * 3)
    work(desk, Rest(1.0))


def spring_slipped(desk):
    work(desk, *PRESS, *SLIP)


def scale_jumped(desk):
    work(desk, *PRESS)
    work(desk, Rest(1.0), jump_mm=2.0)
    desk.recorder.interrupt()  # what it leaps back by is not seen


@pytest.mark.parametrize("arises", [stop_was_a_hand, spring_slipped, scale_jumped])
@pytest.mark.parametrize("gauges", [1, 3])
def test_gauges_that_agree_answer_whether_the_datum_is_right(desk, arises, gauges):
    arises(desk)
    assert desk.recorder.question.kind == "datum_doubted"
    before = len(desk.kinds(EventKind.QUESTION))
    for _ in range(gauges):
        on_gauge(desk, 30.0)
        assert desk.recorder.datum is None
        work(desk, Rest(2.0))
    work(desk, *PRESS * 2)
    assert desk.kinds(EventKind.QUESTION)[before:] == []
    assert desk.recorder.datum is None
    assert counted(desk)[-2:] == [1, 1]


@pytest.mark.parametrize("answer", [Action.ACCEPT, Action.TAKE_OUT])
def test_where_a_gauge_agrees_a_press_at_other_heights_is_asked_of_the_spring(desk, answer):
    work(desk, *PRESS * 2, *SUNK)
    assert desk.recorder.question.kind == "datum_moved"
    tell(desk, Action.GAUGE)
    on_gauge(desk, 30.0)
    question = desk.recorder.question
    assert question.kind == "sits_otherwise"
    assert "a gauge agrees" in describe(question, Units())
    assert desk.recorder.heights_known
    work(desk, *SUNK)  # and so with each press that agrees with that one
    assert desk.recorder.question.kind == "sits_otherwise"
    tell(desk, answer)
    work(desk, Rest(1.0))
    assert desk.recorder.question is None
    assert desk.recorder.datum is None
    assert counted(desk) == [1, 1, 0, answer is Action.ACCEPT]  # no more of it are wanted


def test_a_gauge_says_nothing_of_a_scale_that_slips_after_it(desk):
    work(desk, *PRESS * 2)
    on_gauge(desk, 30.0)
    desk.recorder.interrupt()
    work(desk, *SUNK)
    assert desk.recorder.question.kind == "datum_moved"
    on_gauge(desk, 29.7)
    assert desk.recorder.question.kind == "datum_differs"


def test_a_question_waits_for_its_gauge_and_stands_where_none_comes(desk):
    work(desk, *PRESS * 2, *SUNK)
    asked = desk.recorder.question
    tell(desk, Action.GAUGE)
    assert desk.recorder.question is None  # the screen says how to bring the gauge
    assert not desk.recorder.heights_known
    work(desk, Rest(AWAIT_S))
    assert desk.recorder.question == asked
    assert desk.kinds(EventKind.QUESTION) == ["datum_moved"]
    tell(desk, Action.ACCEPT)
    assert counted(desk) == [1, 1, 1]
