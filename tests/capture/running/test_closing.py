"""The press that closes a set: when it is asked for, what it says, and what an answer does."""

import pytest

from bench_strokes import Reseated, turned_into
from coilbench.analysis.inputs.measured import measured_set
from coilbench.analysis.inputs.rig_record import set_warnings
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.phrases import note_text
from coilbench.analysis.report.units import Units
from coilbench.capture.book.notes import counts_in_doubt
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sessions import recover
from coilbench.capture.book.set_trust import SetTrust
from coilbench.capture.book.sweeps import load_sweeps
from coilbench.capture.running.commands import Action, EventKind, Snapshot
from coilbench.capture.virtual.bench import PressSpring, Rest
from coilbench.capture.virtual.spring import INNER, draw_set
from support.datum_desk import (
    PRESS,
    SLIP,
    TO_MM,
    NoStop,
    counted,
    in_one,
    on_gauge,
    said,
    tell,
    work,
)
from support.recorder_desk import HELLO, RIG, SPRINGS, Desk

OTHER = [PressSpring(SPRINGS[1], TO_MM), Rest(1.0)]
WAITS = [Rest(2.0)]
INNER_SPRING = [PressSpring(draw_set(INNER, 1, 5)[0], 27.0), Rest(1.0)]
SUNK_MM = 0.3


@pytest.fixture
def desk(make_book):
    """Of two springs, each pressed once to work it, and read twice."""
    with open_book(make_book(RIG, device_id=RIG.device_id, boot_id=HELLO.boot_id)) as db:
        yield Desk(db, closes=True)


def pressed(desk, slip_mm=0.0, *more):
    """Press both springs, the scale slipping between them; what goes on does more.

    Else it presses the first one again.
    """
    again = [(part, slip_mm) for part in more or (PRESS,)]
    goes_on = in_one(desk, (PRESS * 3, 0.0), (OTHER * 3, slip_mm), *again)
    next(goes_on)
    next(goes_on)
    desk.recorder.closing.ask()  # as a session does once the set is done
    return goes_on


def seat_sinks(desk, rest_s):
    """Press both springs, the seat sinking between them, and the first one again."""
    work(desk, *PRESS * 3)
    sunk = [turned_into(one, Reseated, by_mm=-SUNK_MM) for one in SPRINGS]
    work(desk, *[PressSpring(sunk[1], TO_MM), Rest(1.0)] * 3)
    desk.recorder.closing.ask()
    work(desk, PressSpring(sunk[0], TO_MM), Rest(rest_s))


def trust(desk):
    desk.recorder.flush()
    desk.run.update(Snapshot("larch", "x:").to_document())
    return SetTrust.of(desk.db, ["larch"]).unclosed


def test_a_set_is_closed_by_its_first_spring(desk):
    goes_on = pressed(desk)
    assert desk.recorder.closing.label == "larch-01"
    assert trust(desk) == ("larch",)
    next(goes_on)
    (closed,) = [one for one in desk.found(EventKind.DONE) if one.kind == "set_closed"]
    assert closed.facts["presses"] == 3
    assert abs(closed.facts["moved_mm"]) < closed.facts["u_mm"]
    assert desk.recorder.closing.label is None
    assert counted(desk) == [1] * 6 + [0]
    assert desk.rows()[-1]["status"] == "complete"
    assert "scale and seat are as at its first press" in note_text(desk.rows()[-1]["note"], Units())
    assert trust(desk) == ()
    desk.recorder.closing.ask()
    assert desk.recorder.closing.label is None  # nothing is left to close


def test_it_is_asked_for_once_for_the_same_presses(desk):
    pressed(desk)
    tell(desk, Action.FINISH)
    assert desk.recorder.finished
    assert not desk.recorder.closing.ask()
    assert trust(desk) == ("larch",)
    told = [describe(one, Units()) for one in set_warnings(desk.db, ["larch"])]
    assert any(one.startswith("larch: not closed") for one in told)


def test_where_none_is_asked_for_nothing_is_said(unworked):
    pressed(unworked)
    assert unworked.recorder.closing.label is None
    assert trust(unworked) == ()


def test_one_spring_alone_is_not_to_be_closed(desk):
    work(desk, *PRESS * 3)
    tell(desk, Action.FINISH)
    tell(desk, Action.ACCEPT)
    assert desk.recorder.finished
    assert trust(desk) == ()


def test_it_is_asked_for_where_a_person_ends_early(desk):
    work(desk, *PRESS * 3, *OTHER)
    tell(desk, Action.FINISH)
    tell(desk, Action.ACCEPT)
    assert not desk.recorder.finished
    assert desk.recorder.closing.label == "larch-01"
    work(desk, *PRESS)
    assert desk.recorder.finished
    assert counted(desk) == [1] * 4 + [0]
    assert trust(desk) == ()


@pytest.mark.parametrize("action", [Action.REDO, Action.BACK])
def test_going_back_ends_the_wait_and_it_is_asked_for_again(desk, action):
    pressed(desk)
    tell(desk, action)
    assert desk.recorder.closing.label is None
    work(desk, *OTHER * (1 if action is Action.REDO else 3))
    assert desk.recorder.done
    assert desk.recorder.closing.ask()


@pytest.mark.parametrize(("slip_mm", "closed"), [(0.035, True), (0.075, False), (-0.075, False)])
def test_what_moved_is_asked_about_with_how_much(desk, slip_mm, closed):
    next(pressed(desk, slip_mm))
    question = desk.recorder.question
    assert (question is None) is closed
    assert counted(desk)[:6] == [1, 1, 1, *[int(closed)] * 3]
    if question is not None:
        assert question.kind == "strokes_in_doubt"
        assert question.facts["moved_mm"] == pytest.approx(slip_mm, abs=question.facts["u_mm"])
        assert question.facts["labels"] == ["larch-02"]
        assert "kg) from where it was" in said(desk, EventKind.QUESTION)


def test_so_is_a_seat_that_sank_though_the_heights_moved_much(desk):
    seat_sinks(desk, 1.0)
    assert desk.recorder.question.kind == "strokes_in_doubt"
    assert desk.recorder.question.facts["moved_mm"] == pytest.approx(SUNK_MM, abs=0.1)


def moved(desk):
    next(pressed(desk, 0.08))


def test_a_yes_lets_them_count_in_doubt_and_closes_nothing(desk):
    moved(desk)
    tell(desk, Action.ACCEPT)
    assert counted(desk) == [1] * 6 + [0]
    assert all("accepted" in row["note"] for row in desk.rows()[3:6])
    assert desk.recorder.done
    assert desk.recorder.datum is None
    assert desk.recorder.closing.ask()  # another spring may have been pressed
    assert trust(desk) == ("larch",)


def test_a_no_leaves_them_out_till_the_datum_is_set(desk):
    moved(desk)
    tell(desk, Action.TAKE_OUT)
    assert counted(desk) == [1, 1, 1, 0, 0, 0, 0]
    assert desk.recorder.turn.label == "larch-02"
    assert desk.recorder.datum.facts["why"]["kind"] == "closing_differs"
    work(desk, *OTHER, slip_mm=0.08)
    assert not desk.rows()[-1]["counted"]
    on_gauge(desk, 30.0, slip_mm=0.08)
    tell(desk, Action.ACCEPT)  # where it is asked whether the gauge is right
    assert desk.recorder.datum is None


def test_what_nobody_answers_does_not_count(desk):
    moved(desk)
    recover(desk.db)
    assert counted(desk) == [1, 1, 1, 0, 0, 0, 0]


def test_a_press_that_is_no_good_or_of_another_spring_is_asked_for_again(desk):
    goes_on = pressed(desk, 0.0, SLIP, PRESS)
    next(goes_on)
    assert desk.kinds(EventKind.REFUSED)[-1] == "stroke_refused"
    assert desk.recorder.datum is not None  # whatever slipped
    tell(desk, Action.ACCEPT)
    next(goes_on)
    assert "set_closed" in desk.kinds(EventKind.DONE)


def test_of_another_spring_it_says_which_to_press_and_not_to_take_anything_back(desk):
    goes_on = pressed(desk, 0.0, INNER_SPRING, PRESS)
    next(goes_on)
    words = said(desk, EventKind.REFUSED)
    assert "press larch-01 itself once more" in words
    assert "takes that one back" not in words
    next(goes_on)
    assert "set_closed" in desk.kinds(EventKind.DONE)


def test_a_rig_that_starts_again_has_nothing_to_close(desk):
    pressed(desk)
    desk.recorder.process_hello(type(HELLO)(1, "own-1", RIG.device_id, 7, 80.0, "quadrature", 5.0))
    assert desk.recorder.closing.label is None
    assert not desk.recorder.closing.ask()


def test_after_a_closing_press_only_what_came_since_is_in_doubt(desk):
    parts = (PRESS * 3 + OTHER, 0.0), (PRESS, 0.0), (OTHER * 2, 0.08), (PRESS, 0.08)
    goes_on = in_one(desk, *parts)
    next(goes_on)
    tell(desk, Action.FINISH)
    tell(desk, Action.ACCEPT)
    next(goes_on)  # closed; a session would end here
    assert "set_closed" in desk.kinds(EventKind.DONE)
    next(goes_on)
    desk.recorder.closing.ask()
    next(goes_on)
    assert desk.recorder.question.facts["presses"] == 2
    assert counted(desk) == [1, 1, 1, 1, 0, 0, 0, 0]


def moved_u(desk):
    sweeps = load_sweeps(desk.db, desk.record)
    return {label: {one.rig.moved_u_mm for one in own} for label, own in sweeps.items()}


def test_what_shows_of_a_small_slip_is_part_of_each_uncertainty_since(desk):
    slip_mm = 0.04
    next(pressed(desk, slip_mm))
    closed = desk.found(EventKind.DONE)[-1].facts
    ((first,), (u_mm,)) = moved_u(desk).values()
    assert first == 0.0
    # a rectangle from nothing to what it shows and its uncertainty: JCGM 100:2008, 4.3.7
    assert u_mm == pytest.approx((closed["moved_mm"] + closed["u_mm"]) / 3.0**0.5)
    assert 2.0 * u_mm > slip_mm
    height_mm = 32.0
    for curve in measured_set(desk.db, desk.record).curves:
        budget = curve.load_at(height_mm).budget
        found = [one for one in budget.lines if one.source == "heights_moved"]
        assert len(found) == (curve.label == "larch-02")
        for line in found:
            rate_n = abs(line.sensitivity)
            assert rate_n == pytest.approx(SPRINGS[1].rate_n_per_mm, rel=0.1)
            assert line.contribution_n == pytest.approx(u_mm * rate_n)
            assert not line.shared


def test_what_springs_repeat_by_adds_nothing(desk):
    next(pressed(desk))
    assert desk.kinds(EventKind.DONE)[-1] == "set_closed"
    assert moved_u(desk) == {"larch-01": {0.0}, "larch-02": {0.0}}


FAR_MM = -0.3  # more than a quill comes back to its stop by


def test_what_was_pressed_before_the_quill_was_at_its_stop_counts_where_it_slipped_later(desk):
    goes_on = in_one(desk, (PRESS * 3 + OTHER * 3, 0.0), (PRESS, FAR_MM), (WAITS, FAR_MM))
    next(goes_on)
    desk.recorder.closing.ask()
    next(goes_on)
    next(goes_on)
    assert desk.recorder.question is None
    assert counted(desk) == [1] * 6 + [0]
    assert "the scale slipped later" in said(desk, EventKind.TURN)
    assert not any(counts_in_doubt(row["note"]) for row in desk.rows())
    assert desk.recorder.datum["why"]["kind"] == "closing_differs"  # it is to be set anew
    assert trust(desk) == ("larch",)


def test_where_the_scale_stayed_it_says_what_the_stop_shows(desk):
    """The seat sank meanwhile, or another spring was pressed."""
    seat_sinks(desk, 2.0)
    asked = describe(desk.recorder.question, Units())
    assert "the quill was at its stop after each press" in asked
    assert "or another spring was pressed" in asked
    assert "nobody knows when" not in asked
    assert counted(desk) == [1, 1, 1, 0, 0, 0, 0]


@pytest.mark.parametrize("slip_mm", [0.08, -0.08])
def test_of_a_slip_that_the_stop_does_not_show_it_says_so(desk, slip_mm):
    next(pressed(desk, slip_mm))
    asked = describe(desk.recorder.question, Units())
    assert "nobody knows when: the quill's stop shows no slip below 0.10 mm" in asked
    assert "was at its stop" not in asked


@pytest.mark.parametrize(
    ("answers", "counts"), [("yy", [1, 1, 1]), ("yx", [1, 0, 0]), ("xy", [0, 1, 1])]
)
def test_what_was_not_seen_at_the_stop_is_asked_by_itself(desk, answers, counts):
    goes_on = in_one(desk, (PRESS * 3 + OTHER, 0.0), (OTHER * 2, 0.0), (PRESS, FAR_MM))
    next(goes_on)
    desk.recorder.heights._stops = NoStop()
    next(goes_on)
    desk.recorder.closing.ask()
    next(goes_on)
    for answer, presses, shown in zip(answers, (1, 2), (True, False), strict=True):
        asked = desk.recorder.question.facts
        assert (asked["presses"], asked["shown"]) == (presses, shown)
        tell(desk, Action.ACCEPT if answer == "y" else Action.TAKE_OUT)
        assert (desk.recorder.datum is None) is (answers == "yy" and not shown)
        work(desk, Rest(1.0), slip_mm=FAR_MM)
    assert counted(desk)[3:6] == counts


def words(desk):
    trust(desk)
    return [describe(one, Units()) for one in set_warnings(desk.db, ["larch"])]


def test_presses_by_a_datum_before_are_not_closed_either(desk):
    """The closing press slips, and a gauge sets the datum anew: they count by a yes."""
    pressed(desk)
    work(desk, *SLIP)
    on_gauge(desk, 29.5)
    while desk.recorder.question is not None:
        tell(desk, Action.ACCEPT)
        work(desk, Rest(1.0))
    assert counted(desk)[:6] == [1] * 6
    told = words(desk)
    assert any("larch: not closed" in one for one in told)
    assert any("4 presses count by a person's word alone" in one for one in told)


def test_of_presses_that_nothing_stands_against_no_word_is_said(desk):
    next(pressed(desk))
    assert not [one for one in words(desk) if "word alone" in one or "not closed" in one]


def over(desk, how="finished"):
    """End the capture, and begin another one of the same start of the rig."""
    trust(desk)
    if how == "killed":
        recover(desk.db)
    else:
        desk.recorder.end()
        desk.run.end(how)
    return Desk(desk.db, closes=True)


def evenings(desk, slip_mm=0.0):
    """Press the first spring in one capture, the scale slips, and the other in the next one.

    Returns what goes on, and that capture's desk.
    """
    goes_on = in_one(desk, (PRESS * 3, 0.0), (OTHER * 3, slip_mm), (PRESS, slip_mm))
    next(goes_on)
    assert not desk.recorder.closing.ask()
    anew = over(desk)
    goes_on.send(anew)
    return goes_on, anew


def test_a_capture_is_closed_by_the_first_spring_of_the_set_though_another_pressed_it(desk):
    goes_on, anew = evenings(desk)
    assert anew.recorder.closing.ask()
    assert anew.recorder.closing.label == "larch-01"
    assert trust(anew) == ("larch",)
    next(goes_on)
    assert anew.kinds(EventKind.DONE)[-1] == "set_closed"
    assert not anew.recorder.closing.ask()
    assert trust(anew) == ()


@pytest.mark.parametrize("slip_mm", [0.08, -0.08])
def test_a_slip_between_two_captures_is_asked_about(desk, slip_mm):
    goes_on, anew = evenings(desk, slip_mm)
    anew.recorder.closing.ask()
    next(goes_on)
    facts = anew.recorder.question.facts
    assert facts["moved_mm"] == pytest.approx(slip_mm, abs=facts["u_mm"])
    assert (facts["labels"], facts["presses"]) == (["larch-02"], 3)
    assert counted(anew) == [1, 1, 1, 0, 0, 0, 0]


def test_what_was_closed_before_is_not_in_doubt_by_a_later_capture(desk):
    parts = (PRESS * 3 + OTHER, 0.0), (PRESS, 0.0), (OTHER * 2, 0.08), (PRESS, 0.08)
    goes_on = in_one(desk, *parts)
    next(goes_on)
    tell(desk, Action.FINISH)
    tell(desk, Action.ACCEPT)
    next(goes_on)
    anew = over(desk)
    assert not anew.recorder.closing.ask()
    goes_on.send(anew)
    anew.recorder.closing.ask()
    next(goes_on)
    assert anew.recorder.question.facts["presses"] == 2
    assert counted(anew) == [1, 1, 1, 1, 0, 0, 0, 0]


@pytest.mark.parametrize("how", ["finished", "killed"])
def test_a_closing_press_that_was_missed_is_made_up_for(desk, how):
    goes_on = pressed(desk)
    anew = over(desk, how)
    assert trust(anew) == ("larch",)
    assert anew.recorder.done
    assert anew.recorder.closing.ask()
    goes_on.send(anew)
    assert anew.kinds(EventKind.DONE)[-1] == "set_closed"
    assert trust(anew) == ()
    assert not over(anew).recorder.closing.ask()


def test_of_a_capture_that_was_not_to_be_closed_nothing_is_asked(unworked):
    goes_on = in_one(unworked, (PRESS * 3, 0.0), (OTHER * 3, 0.0))
    next(goes_on)
    anew = over(unworked)
    goes_on.send(anew)
    assert not anew.recorder.closing.ask()
    assert trust(anew) == ()


def test_what_shows_of_a_small_slip_between_captures_is_part_of_each_uncertainty_since(desk):
    goes_on, anew = evenings(desk, 0.04)
    anew.recorder.closing.ask()
    next(goes_on)
    closed = anew.found(EventKind.DONE)[-1].facts
    ((first,), (u_mm,)) = moved_u(anew).values()
    assert first == 0.0
    assert u_mm == pytest.approx((closed["moved_mm"] + closed["u_mm"]) / 3.0**0.5)


@pytest.mark.parametrize("gauged", [False, True])
def test_the_closing_press_shows_nothing_of_what_was_before_the_first(desk, gauged):
    """The calibration keeps no stop, so that only a gauge shows what heights were at first."""
    if gauged:
        on_gauge(desk, 30.0)
    goes_on = pressed(desk)
    trust(desk)  # as a session does each second
    next(goes_on)
    assert desk.kinds(EventKind.DONE)[-1] == "set_closed"
    assert ("scale_unshown" in desk.kinds(EventKind.TURN)) is not gauged
    told = [describe(one, Units()) for one in set_warnings(desk.db, ["larch"])]
    assert any("had not slipped since its calibration" in one for one in told) is not gauged


@pytest.mark.parametrize("how", ["finished", "killed"])
@pytest.mark.parametrize("further_mm", [0.0, -0.16])
def test_what_a_person_said_of_a_closing_press_is_not_asked_again(desk, how, further_mm):
    """Where heights moved no further since."""
    again = [(PRESS, 0.08), (PRESS, 0.08 + further_mm)]
    goes_on = in_one(desk, (PRESS * 3, 0.0), (OTHER * 3, 0.08), *again)
    next(goes_on)
    next(goes_on)
    desk.recorder.closing.ask()
    next(goes_on)
    tell(desk, Action.ACCEPT)
    anew = over(desk, how)
    assert trust(anew) == ("larch",)
    assert anew.recorder.closing.ask()  # one that agrees would show it
    goes_on.send(anew)
    told = "closing_as_said" in anew.kinds(EventKind.TURN)
    asked = anew.recorder.question
    assert (told, asked is None) == (not further_mm, not further_mm)
    assert counted(anew)[3:6] == ([0] * 3 if further_mm else [1] * 3)
    assert trust(anew) == (() if further_mm else ("larch",))  # of one spring nothing is said


@pytest.mark.parametrize("how", ["finished", "killed"])
@pytest.mark.parametrize("made_up_for", [True, False])
def test_springs_by_a_datum_each_are_not_closed(desk, how, made_up_for):
    """The closing press differed; a gauge says that the scale slipped so far, or that it stayed."""
    if made_up_for:
        moved(desk)
    else:
        seat_sinks(desk, 1.0)
    tell(desk, Action.TAKE_OUT)
    anew = over(desk, how)
    anew.run_on = desk.run_on
    slip_mm = 0.08 if made_up_for else 0.0
    on_gauge(anew, 30.0, slip_mm=slip_mm)
    assert anew.recorder.question is None
    work(anew, *OTHER * 3, slip_mm=slip_mm)
    assert anew.recorder.done
    assert counted(anew) == [1] * 3 + [0] * 4 + [1] * 3
    assert trust(anew) == (() if made_up_for else ("larch",))


@pytest.mark.parametrize("slip_mm", [-0.3, 0.3])
def test_nor_are_those_of_one_spring_that_count_by_a_word_against_a_gauge(desk, slip_mm):
    work(desk, *PRESS * 3)
    desk.recorder.interrupt()
    on_gauge(desk, 30.0 + slip_mm)
    while desk.recorder.question is not None:
        tell(desk, Action.ACCEPT)
    work(desk, *OTHER * 3)
    assert counted(desk) == [1] * 6
    assert trust(desk) == ("larch",)
