"""Two springs that do not press alike: nobody knows which of them is the wrong one."""

import re

import pytest
from msgspec.structs import replace

from coilbench.analysis.dashboard.keys import answer_help
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.book.opening import open_book
from coilbench.capture.running.commands import Action, EventKind
from coilbench.capture.virtual.bench import PressSpring, Rest
from coilbench.capture.virtual.spring import INNER, OUTER, draw_set
from support.datum_desk import TO_MM, counted, tell, work
from support.recorder_desk import HELLO, RIG, Desk

RIGHT = draw_set(OUTER, 3, 4)
WRONG = draw_set(INNER, 1, 4)[0]


@pytest.fixture
def three(make_book):
    book = make_book(RIG, springs=3, device_id=RIG.device_id, boot_id=HELLO.boot_id)
    with open_book(book) as db:
        yield Desk(db)


def press(desk, spring, times=1):
    work(desk, *[PressSpring(spring, TO_MM), Rest(1.0)] * times)


def test_it_says_that_either_may_be_the_wrong_one_and_what_tells(three):
    press(three, WRONG, 3)
    press(three, RIGHT[1])
    asked = three.recorder.question
    assert (asked.kind, asked["other"], asked["other_presses"]) == ("another_spring", "larch-01", 3)
    words = describe(asked, Units())
    assert "either may be the wrong one; larch-03 (s) or larch-01 again (b) tells which" in words
    assert "r, its 3 presses no longer count" in words
    assert re.search(r"larch-02 has \d+\.\d\d kg at .* mm, larch-01 \d+\.\d\d kg", words)
    assert "r larch-01 was wrong" in answer_help(asked)


def test_r_takes_the_first_one_back_and_goes_on_with_the_spring_that_is_in_the_press(three):
    press(three, WRONG, 3)
    press(three, RIGHT[1])
    tell(three, Action.REDO)
    assert counted(three) == [0, 0, 0, 0]
    assert three.found(EventKind.REDO)[-1].facts == {
        "label": "larch-01",
        "presses": 3,
        "now": "larch-02",
    }
    press(three, RIGHT[1], 3)
    press(three, RIGHT[2], 3)
    assert three.recorder.turn.label == "larch-01"
    press(three, RIGHT[0], 3)
    assert three.recorder.question is None
    assert three.recorder.turn is None
    assert counted(three) == [0] * 4 + [1] * 9


def test_a_third_spring_that_is_like_the_second_tells_that_the_first_is_odd(three):
    press(three, WRONG, 3)
    press(three, RIGHT[1])
    tell(three, Action.SKIP)
    press(three, RIGHT[2])
    asked = three.recorder.question
    assert asked["alike"] == ["larch-02"]
    told = "larch-02 pressed like larch-03: larch-01 seems to be the wrong one"
    assert told in describe(asked, Units())
    tell(three, Action.REDO)
    press(three, RIGHT[2], 3)
    press(three, RIGHT[1], 3)
    assert three.recorder.question is None
    assert three.recorder.turn.label == "larch-01"


def test_one_that_is_like_the_first_tells_that_the_second_is(three):
    press(three, RIGHT[0], 3)
    press(three, WRONG)
    tell(three, Action.SKIP)
    press(three, RIGHT[2], 3)
    assert counted(three) == [1, 1, 1, 0, 1, 1, 1]
    press(three, WRONG)
    asked = three.recorder.question
    assert (asked["other"], asked["others"]) == (None, 2)
    assert "does not press like larch-02" in describe(asked, Units())


@pytest.mark.parametrize("springs", [(RIGHT[0], WRONG, RIGHT[2]), (WRONG, RIGHT[1], RIGHT[2])])
def test_where_two_that_differ_count_a_third_is_to_be_like_either(three, springs):
    """Their mean is neither."""
    press(three, springs[0], 3)
    press(three, springs[1])
    tell(three, Action.ACCEPT)
    press(three, springs[1], 2)
    asked = len(three.kinds(EventKind.QUESTION))
    press(three, springs[2], 3)
    assert three.kinds(EventKind.QUESTION)[asked:] == []
    assert three.recorder.turn is None


def test_and_one_that_is_like_neither_is_asked_about(three):
    press(three, RIGHT[0], 3)
    press(three, WRONG)
    tell(three, Action.ACCEPT)
    press(three, WRONG, 2)
    between = replace(RIGHT[2], rate_n_per_mm=0.6 * RIGHT[2].rate_n_per_mm)
    press(three, between)
    assert three.recorder.question["others"] == 2


def test_already_while_it_is_pressed_it_accuses_neither(three):
    press(three, RIGHT[0], 3)
    work(three, PressSpring(WRONG, TO_MM), Rest(1.0), until_s=4.5)
    alarm = three.recorder.alarm
    assert alarm.kind == "another_spring"
    assert "either may be the wrong one" in describe(alarm, Units())
