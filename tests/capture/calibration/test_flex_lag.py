"""The lag in a pressed block, on a made press whose give and filter are known."""

import numpy as np
import pytest

from coilbench.capture.calibration.flex_fit import Press, undo_sample_lag

GIVE_MM_PER_N = 6e-4


def press(filter_samples=4.0, friction_mm=0.0, samples=220, down_share=0.6):
    """Load as a filter of so many samples shows it, height by the travel, rising, on the block."""
    fine = 20
    share = np.arange(samples * fine) / (samples * fine)
    true = np.where(share < down_share, share / down_share, (1.0 - share) / (1.0 - down_share))
    true = 900.0 * np.sin(0.5 * np.pi * true) ** 2
    length = max(round(filter_samples * fine), 1)
    padded = np.concatenate([np.zeros(length), true])
    total = np.concatenate([[0.0], np.cumsum(padded)])
    load = ((total[length:] - total[:-length]) / length)[1:][::fine][:samples]
    way = np.where(share < down_share, 1.0, -1.0)[::fine][:samples]
    height = 30.0 - GIVE_MM_PER_N * true[::fine][:samples] + friction_mm * way
    rising = np.arange(samples) <= int(np.argmax(load))
    return Press(load, height, rising), load > 9.0


@pytest.mark.parametrize("filter_samples", [2.0, 4.0, 8.0])
def test_the_delay_is_half_the_filter(filter_samples):
    pressed, used = press(filter_samples)
    found, kept = undo_sample_lag(pressed, used)
    left = found.height_mm + GIVE_MM_PER_N * pressed.load_n - 30.0
    assert np.abs(left[kept]).max() < 0.006
    assert np.abs((pressed.height_mm + GIVE_MM_PER_N * pressed.load_n - 30.0)[used]).max() > 0.009
    # its window is twice the delay long, and reaches back that far
    assert filter_samples - 1 <= np.count_nonzero(used & ~kept) <= filter_samples + 1


def test_friction_of_the_frame_is_no_delay():
    pressed, used = press(0.0, friction_mm=0.01)
    found, kept = undo_sample_lag(pressed, used)
    assert found is pressed
    assert kept is used


def test_readings_one_by_one_have_no_course_in_time():
    pressed, used = press(4.0, samples=40)
    assert undo_sample_lag(pressed, used)[0] is pressed
    pressed, used = press(4.0)
    back = slice(None, None, -1)
    turned = pressed.at(back)
    assert undo_sample_lag(turned, used[back])[0] is turned
