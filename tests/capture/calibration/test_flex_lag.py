"""The lag in a pressed block, on a made press whose give and filter are known."""

import numpy as np
import pytest

from coilbench.capture.calibration.flex_fit import undo_sample_lag

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
    return load, height, rising, load > 9.0


@pytest.mark.parametrize("filter_samples", [2.0, 4.0, 8.0])
def test_the_delay_is_half_the_filter(filter_samples):
    load, height, rising, used = press(filter_samples)
    found = undo_sample_lag(load, height, rising, used)
    assert found.lag_samples == pytest.approx(0.5 * filter_samples, abs=0.3)
    left = found.height_mm + GIVE_MM_PER_N * load - 30.0
    assert np.abs(left[found.used]).max() < 0.006
    assert np.abs((height + GIVE_MM_PER_N * load - 30.0)[used]).max() > 0.009
    assert np.count_nonzero(used & ~found.used) >= filter_samples - 1


def test_friction_of_the_frame_is_no_delay():
    load, height, rising, used = press(0.0, friction_mm=0.01)
    found = undo_sample_lag(load, height, rising, used)
    assert found.lag_samples == 0.0
    assert found.height_mm is height


def test_readings_one_by_one_have_no_course_in_time():
    load, height, rising, used = press(4.0, samples=40)
    assert undo_sample_lag(load, height, rising, used).lag_samples == 0.0
    load, height, rising, used = press(4.0)
    back = slice(None, None, -1)
    assert undo_sample_lag(load[back], height[back], rising[back], used[back]).lag_samples == 0.0
