"""What is steady, each limit at its value. Ours, no source.

The noise alternates between +10 and -10 counts: 1.4826 * 20 / sqrt(2) makes it 20.97 counts.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from coilbench.capture.blocks import RAW_DTYPE, RawBlock
from coilbench.capture.calibration.steady import SteadyFinder

NOISE = 1.4826 * 20.0 / math.sqrt(2.0)
HZ = 100.0


def holds(load: np.ndarray, hz: float = HZ, gap_s: float = 0.0, gap_at: int = 0) -> int:
    samples = np.zeros(load.size, dtype=RAW_DTYPE)
    samples["seq"] = np.arange(load.size)
    samples["t_us"] = np.round(np.arange(load.size) / hz * 1e6)
    samples["t_us"][gap_at:] += round(gap_s * 1e6)
    samples["load_counts"] = np.round(load)
    return len(SteadyFinder("load", 1.5).feed(RawBlock(samples, 1)))


def flat(seconds: float, noisy: bool = True) -> np.ndarray:
    n = round(seconds * HZ) + 1
    return 10.0 * (-1.0) ** np.arange(n) if noisy else np.zeros(n)


def spiked(load: np.ndarray, counts: float) -> np.ndarray:
    spike = np.zeros(load.size)
    spike[load.size // 2] = counts - load[load.size // 2]
    return load + spike


def stepped(times: float) -> np.ndarray:
    load = flat(1.5)
    return load + times * NOISE * (np.arange(load.size) > load.size // 2)


@pytest.mark.parametrize(("hz", "held"), [(6.0, 1), (4.2, 0)])
def test_eight_samples_are_the_fewest_of_a_hold(hz: float, held: int) -> None:
    assert holds(np.zeros(30), hz) == held  # 9 or 10 in a second and a half, and 6 or 7


@pytest.mark.parametrize(("gap_s", "held"), [(0.42, 1), (0.48, 0)])
def test_three_tenths_of_a_hold_without_a_sample_begin_anew(gap_s: float, held: int) -> None:
    load = np.concatenate([flat(1.2), flat(1.2)])
    assert holds(load, gap_s=gap_s, gap_at=load.size // 2) == held


@pytest.mark.parametrize(("times", "held"), [(5.9, 1), (6.1, 0)])
def test_every_sample_of_a_hold_lies_within_six_times_the_noise(times: float, held: int) -> None:
    assert holds(spiked(flat(1.5), 10.0 + times * NOISE)) == held  # its median is 10 counts


@pytest.mark.parametrize(("times", "held"), [(0.92, 1), (1.1, 0)])
def test_the_halves_of_a_hold_differ_by_less_than_the_noise(times: float, held: int) -> None:
    assert holds(stepped(times)) == held


@pytest.mark.parametrize(("counts", "held"), [(3.0, 1), (4.0, 0)])
def test_the_noise_is_half_a_count_at_least(counts: float, held: int) -> None:
    assert holds(spiked(flat(1.5, noisy=False), counts)) == held


@pytest.mark.parametrize(("times", "told"), [(9.5, 1), (10.5, 2)])
def test_a_move_is_ten_times_the_noise(times: float, told: int) -> None:
    assert holds(np.concatenate([flat(2.0), flat(3.0) + times * NOISE])) == told


FAR = 100_000.0  # of it 2 parts in 10 000 are 20 counts


@pytest.mark.parametrize(("counts", "told"), [(22.0, 2), (24.0, 1)])
def test_a_cell_may_creep_by_two_parts_in_ten_thousand_of_its_last_move(
    counts: float, told: int
) -> None:
    """Beside six times the least noise, 3 counts."""
    moved = spiked(flat(1.7, noisy=False), counts) + FAR
    assert holds(np.concatenate([flat(2.0, noisy=False), moved])) == told


@pytest.mark.parametrize(("counts", "told"), [(190.0, 2), (210.0, 3)])
def test_ten_times_as_much_is_a_move(counts: float, told: int) -> None:
    plateaus = [flat(3.0, noisy=False) + level for level in (0.0, FAR, FAR + counts)]
    assert holds(np.concatenate(plateaus)) == told
