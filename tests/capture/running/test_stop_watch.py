"""Where the quill rests: its stop is known, is elsewhere, or nobody knows; each limit, by hand."""

import numpy as np
import pytest

from coilbench.capture.calibration.standing import STOP_REPEATS_MM
from coilbench.capture.running.stop_watch import AGAIN, ALONE_S, SLIPS_MM, StopWatch

PER_COUNT_MM = -0.005


class Quill:
    """A quill that is put somewhere, read 80 times a second."""

    def __init__(self, hz=80.0):
        self.watch, self.hz, self.now_us = StopWatch(), hz, 0

    def stands(self, height_mm, seconds, idle=True):
        """Return what was said last."""
        return [None, *self.said_in(height_mm, seconds, idle)][-1]

    def said_in(self, height_mm, seconds, idle=True):
        """Return what was said, each once where it was said again and again."""
        found = []
        for _ in range(round(seconds * self.hz)):
            self.now_us += round(1e6 / self.hz)
            counts = np.array([height_mm / PER_COUNT_MM])
            said = self.watch.look(np.array([self.now_us]), counts, PER_COUNT_MM, idle=idle)
            place = None if said is None else said[0]
            if found[-1:] != [place]:
                found.append(place)
        return found if found[:1] != [None] else found[1:]


@pytest.fixture(params=[80.0, 10.0])
def quill(request):
    return Quill(request.param)


def test_a_quill_that_stands_for_a_second_is_at_its_stop(quill):
    assert quill.stands(70.0, 0.9 * ALONE_S) == "unknown"
    assert quill.stands(70.0, ALONE_S) == "stop"


def test_so_is_one_that_comes_back_there(quill):
    assert quill.stands(70.0, 0.6) == "unknown"
    quill.stands(40.0, 0.2, idle=False)
    assert quill.stands(70.0 + 0.9 * STOP_REPEATS_MM, 0.6) == "stop"


def press(quill):
    quill.stands(40.0, 0.2, idle=False)


def known(quill):
    """Let it come to its stop as often as no hand would hold it there."""
    for _ in range(AGAIN):
        quill.stands(70.0, 2.0)
        press(quill)


@pytest.mark.parametrize(("way", "place"), [(1.0, "high"), (-1.0, "low")])
def test_one_that_stands_near_its_stop_is_below_or_above_it(quill, way, place):
    known(quill)
    for by_mm, said in (
        (STOP_REPEATS_MM - 0.02, "stop"),
        (STOP_REPEATS_MM + 0.02, place),
        (SLIPS_MM - 0.1, place),
    ):
        press(quill)
        assert quill.stands(70.0 + way * by_mm, 1.0) == said


def test_one_that_creeps_down_from_it_is_low(quill):
    quill.stands(70.0, 2.0)
    for mm in np.linspace(70.0, 69.5, 50):
        quill.stands(mm, 0.1)
    assert quill.stands(69.5, 1.0) == "low"


@pytest.mark.parametrize("pressed", [True, False])
def test_of_what_it_rested_below_once_nobody_knows_and_the_stop_is_the_higher(quill, pressed):
    quill.stands(69.0, 30.0)
    if pressed:
        press(quill)
    assert quill.said_in(70.0, 2.0) == ["unknown", "risen", "stop"]
    assert quill.stands(69.0, 2.0) == "low"


@pytest.mark.parametrize(("off_mm", "said"), [(-0.14, "stop"), (-0.16, "low"), (0.16, "high")])
def test_a_stop_that_is_known_by_a_datum_is_known_as_well_as_that(quill, off_mm, said):
    quill.watch.forget(70.0 / PER_COUNT_MM, slack_mm=0.05)
    assert quill.stands(70.0 + off_mm, 1.0) == said


def test_one_that_is_not_let_up_is_not_at_its_stop(quill):
    quill.stands(70.0, 2.0)
    assert quill.stands(60.0, 2.0) == "unknown"
    assert quill.stands(70.0, 1.0) == "stop"


def test_what_was_below_the_stop_was_none(quill):
    quill.stands(60.0, 2.0)
    assert quill.stands(70.0, 0.6) == "unknown"
    assert quill.stands(70.0, 2.0) == "stop"


def test_a_quill_that_presses_is_nowhere(quill):
    quill.stands(70.0, 2.0)
    assert quill.stands(69.0, 2.0, idle=False) is None


def test_a_stop_that_was_kept_is_known_at_once(quill):
    quill.watch.forget(70.0 / PER_COUNT_MM)
    assert quill.stands(69.7, 1.0) == "low"


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_however_far_from_a_stop_that_was_kept_it_is_said_until_it_was_seen_there(quill, way):
    quill.watch.forget(70.0 / PER_COUNT_MM)
    place = "high" if way > 0.0 else "low"
    assert quill.stands(70.0 + way * 3.0 * SLIPS_MM, 1.0) == place
    assert quill.stands(70.0, 1.0) == "stop"
    press(quill)
    assert quill.stands(70.0 + way * 3.0 * SLIPS_MM, 0.6) == "unknown"


def test_it_is_sure_once_it_rested_there_again_and_again(quill):
    for times in range(1, AGAIN + 1):
        quill.stands(70.0, 2.0)
        press(quill)
        assert (quill.watch.sure_counts is not None) is (times >= AGAIN)
    quill.watch.forget(70.0 / PER_COUNT_MM)
    assert quill.watch.sure_counts == 70.0 / PER_COUNT_MM


def test_one_that_is_known_by_a_datum_is_sure_once_it_was_seen_there(quill):
    quill.watch.forget(70.0 / PER_COUNT_MM, slack_mm=0.05)
    assert quill.watch.sure_counts is None
    quill.stands(70.1, 1.0)
    assert quill.watch.sure_counts == pytest.approx(70.1 / PER_COUNT_MM)


def test_a_rig_that_starts_again_shows_where_its_quill_stands_as_soon_as_before(quill):
    known(quill)
    press(quill)
    quill.now_us = 0
    assert quill.said_in(70.0, 0.6) == ["stop"]
