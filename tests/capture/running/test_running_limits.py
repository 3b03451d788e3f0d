"""Times of a capture, each at its value. Common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest

from coilbench.capture.blocks import RAW_DTYPE, RawBlock, SampleFlag
from coilbench.capture.running.commands import Action
from coilbench.capture.running.reader import LinkHealth
from coilbench.capture.running.recorder import Buttons


@pytest.mark.parametrize(("later_s", "twice"), [(1.99, True), (2.01, False)])
def test_two_presses_within_two_seconds_belong_together(later_s: float, twice: bool) -> None:
    samples = np.zeros(2, dtype=RAW_DTYPE)
    samples["flags"] = SampleFlag.REDO_PRESSED
    samples["t_us"] = [0, round(later_s * 1e6)]
    asked = [action for _, action in Buttons().pressed(samples)]
    assert asked == [Action.REDO, Action.BACK if twice else Action.REDO]


def block(t_s: float, samples: int = 1) -> RawBlock:
    made = np.zeros(samples, dtype=RAW_DTYPE)
    made["t_us"] = round(t_s * 1e6)
    return RawBlock(made)


@pytest.mark.parametrize(("now_s", "told"), [(11.99, False), (12.01, True)])
def test_two_seconds_of_silence_are_told(now_s: float, told: bool) -> None:
    health = LinkHealth()
    health.up(9.0, 0xB007)
    health.heard(block(0.0), 10.0)
    assert (health.fell_quiet(now_s) is not None) == told


@pytest.mark.parametrize(("first_s", "rate_hz"), [(7.05, 20.0), (6.95, 10.0)])
def test_the_rate_is_that_of_the_last_three_seconds(first_s: float, rate_hz: float) -> None:
    """Ten samples a second in the last one; 49 before that come in at 9 s."""
    health = LinkHealth()
    health.up(0.0, 0xB007)
    health.heard(block(first_s), 0.0)
    health.heard(block(9.0, 49), 0.0)
    health.heard(block(10.0, 10), 0.0)
    assert health.rate_hz() == pytest.approx(rate_hz, rel=0.01)
