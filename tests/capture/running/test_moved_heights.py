"""A spring that moved in height: whether scale, seat or spring did, no press of it tells."""

import pytest
from msgspec.structs import replace

from bench_strokes import Reseated, turned_into
from coilbench.capture.running.commands import Action, EventKind
from coilbench.capture.virtual.bench import PressSpring, Rest
from support.datum_desk import (
    PRESS,
    SLIGHT,
    TO_MM,
    NoStop,
    counted,
    said,
    take,
    tell,
    work,
)
from support.recorder_desk import RIG, SPRINGS, bench_samples


def test_two_presses_that_agree_show_which_was_the_odd_one_once_a_person_says_heights_are_right(
    unworked,
):
    """It slipped in its cup, by less than it shows by itself."""
    work(unworked, *SLIGHT, *PRESS)
    assert counted(unworked) == [1, 0]
    work(unworked, *PRESS)
    assert counted(unworked) == [1, 0, 0]  # a seat that sank in the first would look the same
    tell(unworked, Action.ACCEPT)
    work(unworked, *PRESS)
    assert counted(unworked) == [1, 1, 0, 1]  # three are wanted
    assert unworked.recorder.datum is None


SUNK = PressSpring(turned_into(SPRINGS[0], Reseated, by_mm=-0.35), TO_MM), Rest(1.0)


@pytest.mark.parametrize("begun", ["desk", "unworked"])
@pytest.mark.parametrize("presses", [1, 2, 3, 4])
def test_no_number_of_presses_answers_whether_the_seat_sank(request, begun, presses):
    """Nor does the quill's stop: the scale is right, and the heights are not."""
    bench = request.getfixturevalue(begun)
    work(bench, *PRESS, *SUNK * presses)
    assert counted(bench) == [1, *[0] * presses]
    assert bench.recorder.question.kind == "datum_moved"
    work(bench, *PRESS)  # it is as it was before: a press decides that
    assert counted(bench) == [1, *[0] * presses, 1]
    assert bench.recorder.question is None


def test_no_height_is_known_while_it_is_asked_whether_heights_are_right(desk):
    work(desk, *PRESS)
    assert desk.recorder.heights_known
    work(desk, *SUNK)
    assert not desk.recorder.heights_known
    samples = bench_samples([Rest(2.0), *PRESS])[:280]
    samples["seq"] += desk.run_on[0]
    samples["t_us"] += desk.run_on[1]
    take(desk, samples)
    assert desk.recorder.phase == "press"
    assert desk.recorder.running_curve() == ()
    tell(desk, Action.ACCEPT)
    assert desk.recorder.heights_known
    assert desk.recorder.running_curve()


def test_what_asks_of_heights_stays_through_a_press_that_is_no_good(desk):
    short = PressSpring(SPRINGS[0], 45.0), Rest(1.0)
    work(desk, *PRESS * 2, *SUNK, *short)
    assert "7.34 mm deep" in said(desk, EventKind.REFUSED)
    assert desk.recorder.question.kind == "datum_moved"
    tell(desk, Action.ACCEPT)  # it is that of the press before
    assert counted(desk) == [1, 1, 1, 0]


@pytest.mark.parametrize("action", [Action.SKIP, Action.BACK])
def test_nor_does_another_springs_turn_answer_it(desk, action):
    work(desk, *PRESS * 2, *SUNK)
    tell(desk, action)
    assert desk.recorder.question["why"]["kind"] == "datum_moved"
    work(desk, PressSpring(SPRINGS[1], TO_MM), Rest(1.0))
    assert counted(desk) == [1, 1, 0, 0]


def test_a_wrong_spring_is_not_mixed_in_by_its_second_press(unworked):
    """As stiff as the one before and shorter: only its heights are others."""
    shorter = replace(SPRINGS[0], free_length_mm=SPRINGS[0].free_length_mm - 0.5)
    work(unworked, *PRESS, *[PressSpring(shorter, TO_MM), Rest(1.0)] * 3)
    assert counted(unworked) == [1, 0, 0, 0]
    assert unworked.recorder.question.kind == "datum_moved"


def test_where_more_presses_agree_a_yes_lets_them_count_and_not_the_one_before(unworked):
    askew = PressSpring(turned_into(SPRINGS[0], Reseated, by_mm=0.4), TO_MM)
    work(unworked, askew, Rest(1.0), *PRESS * 2)
    assert unworked.recorder.question["instead"] == 1
    tell(unworked, Action.ACCEPT)
    assert counted(unworked) == [0, 1, 1]
    assert (unworked.recorder.turn.label, unworked.recorder.turn.number) == ("larch-01", 3)
    work(unworked, *PRESS)
    assert counted(unworked) == [0, 1, 1, 1]


def test_not_where_the_quill_was_not_at_its_stop_in_between(unworked):
    work(unworked, *PRESS)
    work(unworked, *PRESS * 2, slip_mm=-0.4)
    assert counted(unworked) == [1, 0, 0]


def test_where_the_first_sat_otherwise_a_yes_lets_the_next_count(unworked):
    askew = PressSpring(turned_into(SPRINGS[0], Reseated, by_mm=0.4), TO_MM)
    work(unworked, askew, Rest(1.0), *PRESS)
    tell(unworked, Action.ACCEPT)
    assert counted(unworked) == [1, 1]


def test_a_quill_that_is_let_go_jumps_and_is_at_its_stop(desk):
    work(desk, *PRESS)
    samples = bench_samples([Rest(4.0)])
    at_s = samples["t_us"] * 1e-6
    samples["travel_counts"][(at_s > 1.0) & (at_s < 2.0)] = round(2.5 * RIG.travel_counts_per_mm)
    samples["seq"] += desk.run_on[0]
    samples["t_us"] += desk.run_on[1]
    take(desk, samples)
    assert "travel_jumped" in desk.kinds(EventKind.FAULT)
    assert desk.recorder.datum is None
    assert desk.recorder.question is None


@pytest.mark.parametrize("slip_mm", [2.0, -2.0, 0.7, 0.25, -0.25])
def test_a_press_that_moved_in_height_is_asked_about_whatever_was_seen(desk, slip_mm):
    """The scale slipped while nobody looked: too slowly for a jump, or in a pause of the rig."""
    desk.recorder.heights._stops = NoStop()
    work(desk, *PRESS)
    desk.recorder.interrupt()
    work(desk, *PRESS, slip_mm=slip_mm)
    assert counted(desk) == [1, 0]
    question = desk.recorder.question
    assert (question.kind, question["calibrated_anew"]) == ("datum_moved", False)
    assert question["moved_mm"] == pytest.approx(slip_mm, abs=0.1)
    tell(desk, Action.TAKE_OUT)
    assert "take the spring out" not in said(desk, EventKind.TURN)
    work(desk, *PRESS, slip_mm=slip_mm)
    assert counted(desk) == ["~", 0, 0]
    assert desk.recorder.datum.kind == "datum_doubted"


def test_yes_to_that_lets_it_count(desk):
    desk.recorder.heights._stops = NoStop()
    work(desk, *PRESS)
    desk.recorder.interrupt()
    work(desk, *PRESS, slip_mm=0.7)
    tell(desk, Action.ACCEPT)
    assert counted(desk) == [1, 1]
    assert desk.recorder.datum is None
