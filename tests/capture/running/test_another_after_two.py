"""Another spring in a spring's place, nearer to it than two presses alone could tell."""

import pytest
from msgspec.structs import replace

from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.running.commands import Action
from coilbench.capture.virtual.bench import PressSpring, Rest
from support.datum_desk import PRESS, TO_MM, counted, tell, work
from support.recorder_desk import SPRINGS

DEPTH_MM = SPRINGS[0].free_length_mm - TO_MM


def other(apart_mm):
    """Press a spring that at the deepest load of these presses stands so much higher."""
    share = apart_mm / (0.9 * DEPTH_MM)  # compared up to so much of the load
    spring = replace(SPRINGS[0], rate_n_per_mm=(1.0 + share) * SPRINGS[0].rate_n_per_mm)
    return [PressSpring(spring, TO_MM), Rest(1.0)]


# the nearer of both counts; the spring is shorter by 0.04 mm after the first, which worked it
@pytest.mark.parametrize(
    ("apart_mm", "asked"),
    [(0.0, False), (-0.13, False), (-0.16, True), (-0.25, True), (0.09, False), (0.12, True)],
)
def test_beside_two_that_agree_a_tenth_of_a_millimetre_is_asked_about(desk, apart_mm, asked):
    work(desk, *PRESS * 2, *other(apart_mm))
    question = desk.recorder.question
    assert (question is not None) == asked
    assert counted(desk) == [1, 1, not asked]
    if asked:
        assert (question.kind, question["own"]) == ("another_spring", True)
        words = describe(question, Units())
        assert "are these presses of one spring?" in words
        assert "its presses before agree within" in words


@pytest.mark.parametrize("answer", [Action.ACCEPT, Action.TAKE_OUT])
def test_what_a_person_says_of_it_stands(desk, answer):
    work(desk, *PRESS * 2, *other(-0.2))
    tell(desk, answer)
    assert counted(desk) == [1, 1, answer is Action.ACCEPT]
    if answer is Action.TAKE_OUT:
        work(desk, *PRESS)
        assert desk.recorder.question is None
        assert counted(desk)[-1] == 1


def test_beside_one_press_nobody_knows_how_well_the_spring_repeats(desk):
    work(desk, *PRESS, *other(-0.2))
    assert desk.recorder.question is None


def test_a_spring_that_does_not_repeat_so_well_is_not_asked_about(desk):
    work(desk, *PRESS, *other(0.15), *other(-0.15))
    assert desk.recorder.question is None
