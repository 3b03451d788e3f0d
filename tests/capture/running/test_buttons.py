"""The two push-buttons: once and twice, by the rig's clock, however the samples are cut."""

import numpy as np
import pytest

from coilbench.capture.blocks import RAW_DTYPE, SampleFlag
from coilbench.capture.running.buttons import Buttons
from coilbench.capture.running.commands import Action

REDO, ACCEPT = SampleFlag.REDO_PRESSED, SampleFlag.ACCEPT_PRESSED


def samples(*presses, n=1000):
    """Return 10 s at 100 samples a second; presses are (seconds, flag)."""
    made = np.zeros(n, dtype=RAW_DTYPE)
    made["t_us"] = np.arange(n) * 10_000
    for at_s, flag in presses:
        made["flags"][round(at_s * 100)] |= flag
    return made


@pytest.mark.parametrize("pieces", [1, 7, 1000])
@pytest.mark.parametrize(
    ("presses", "asked"),
    [
        ([(1, REDO)], [Action.REDO]),
        ([(1, REDO), (4, REDO)], [Action.REDO, Action.REDO]),
        ([(1, REDO), (2, REDO), (3.5, REDO)], [Action.REDO, Action.BACK, Action.BACK]),
        ([(1, ACCEPT), (4, ACCEPT)], [None, None]),
        ([(1, ACCEPT), (2.5, ACCEPT)], [None, Action.SKIP]),
        ([(at_s, ACCEPT) for at_s in (1, 1.2, 1.4, 1.6)], [None, Action.SKIP]),
        ([(1, REDO), (1.5, ACCEPT)], [Action.REDO, None]),
        ([(1, REDO | ACCEPT)], [Action.REDO, None]),
    ],
)
def test_presses_ask(presses, asked, pieces):
    buttons = Buttons()
    found = []
    for piece in np.array_split(samples(*presses), pieces):
        found += [action for _, action in buttons.pressed(piece)]
    assert found == asked


def test_the_sample_of_the_press_itself_comes_before_it():
    (found,) = Buttons().pressed(samples((2.0, REDO)))
    assert found == (201, Action.REDO)


def test_a_clock_that_began_anew_is_no_second_press():
    buttons = Buttons()
    buttons.pressed(samples((9.0, REDO)))
    assert [action for _, action in buttons.pressed(samples((0.5, REDO)))] == [Action.REDO]
