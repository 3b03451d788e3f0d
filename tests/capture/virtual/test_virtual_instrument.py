"""Press, scale, load cell and ADC do what they were designed to do."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from coilbench.capture.blocks import SampleFlag
from coilbench.capture.virtual.instrument import Instrument, RigModel

PERFECT = RigModel(
    nonlinearity_fraction=0.0,
    creep_fraction=0.0,
    drift_n_per_hour=0.0,
    wander_n=0.0,
    noise_counts=0.0,
    hum_n=0.0,
    jitter_us=0.0,
    filter_conversions=0,
)


def read(rig: RigModel, load_n: np.ndarray, height_mm: np.ndarray | None = None) -> np.ndarray:
    """Read a pressed load, the quill at rest unless told."""
    instrument = Instrument(rig, seed=5)
    t_s = instrument.tick_s(len(load_n))
    height = np.full(len(load_n), rig.rest_height_mm) if height_mm is None else height_mm
    return instrument.read(t_s, height, load_n, np.zeros(len(load_n)))


def test_a_perfect_rig_is_linear() -> None:
    load = np.linspace(0.0, 1000.0, 50)
    counts = read(PERFECT, load)["load_counts"]
    np.testing.assert_allclose(counts, 40000.0 + 2500.0 * load, atol=0.5)


def test_the_clock_runs_at_the_true_rate_not_the_nominal_one() -> None:
    samples = read(replace(PERFECT, jitter_us=25.0), np.zeros(9310))
    steps = np.diff(samples["t_us"])
    assert samples["t_us"][-1] == pytest.approx(100e6, abs=200)
    assert steps.std() == pytest.approx(25.0 * np.sqrt(2.0), rel=0.1)
    assert np.all(steps > 0)


def test_travel_is_cut_into_steps() -> None:
    rig = replace(PERFECT, travel_step_counts=4, flex_mm_per_n=0.0)
    height = np.linspace(70.0, 40.0, 5000)
    counts = read(rig, np.zeros(5000), height)["travel_counts"]
    assert set(np.unique(counts % 4)) == {0}
    error = counts - (70.0 - height) * 200.0
    assert np.abs(error).max() <= 2.0
    # Rounding to steps of q leaves an error with standard deviation q/sqrt(12) (textbook).
    assert error.std() == pytest.approx(4.0 / np.sqrt(12.0), rel=0.02)


def test_the_press_gives_under_the_quill_but_not_under_a_standing_mass() -> None:
    height = np.full(3, 40.0)
    load = np.array([0.0, 450.0, 900.0])
    pressed = read(PERFECT, load, height)["travel_counts"]
    flex = 6e-4 * load / (1.0 + load / 9000.0)
    np.testing.assert_allclose(pressed, (30.0 + flex) * 200.0, atol=0.5)
    instrument = Instrument(PERFECT, seed=5)
    t_s = instrument.tick_s(3)
    standing = instrument.read(t_s, height, np.zeros(3), load)
    np.testing.assert_array_equal(standing["travel_counts"], np.full(3, 6000))
    np.testing.assert_array_equal(standing["load_counts"], 40000 + 2500 * load)


def test_the_filter_averages_four_conversions_and_lags_by_two() -> None:
    rig = replace(PERFECT, filter_conversions=4)
    step = np.r_[np.zeros(10), np.full(10, 100.0)]
    share = (read(rig, step)["load_counts"] - 40000.0) / 250000.0
    np.testing.assert_allclose(share[8:16], [0, 0, 0.125, 0.375, 0.625, 0.875, 1, 1], atol=1e-5)
    t_s = np.arange(1, 101) / rig.rate_hz
    ramp = read(rig, 100.0 * t_s)["load_counts"]
    behind_s = t_s - (ramp - 40000.0) / 250000.0
    np.testing.assert_allclose(behind_s[10:], 2.0 / 93.1, atol=1e-5)


def test_creep_follows_its_exponential() -> None:
    rig = replace(PERFECT, creep_fraction=1e-3, creep_s=20.0)
    load = np.full(9310, 800.0)
    gained = (read(rig, load)["load_counts"] - 40000.0) / 2500.0 - 800.0
    t_s = np.arange(1, 9311) / rig.rate_hz
    np.testing.assert_allclose(gained, 0.8 * (1.0 - np.exp(-t_s / 20.0)), atol=5e-4)


def test_nonlinearity_drift_and_noise_have_their_size() -> None:
    bent = replace(PERFECT, nonlinearity_fraction=4e-4)
    assert bent.cell_counts(np.array([1500.0]))[0] - 40000.0 == pytest.approx(
        1500.0 * 2500.0 * 1.0004
    )
    assert replace(PERFECT, drift_n_per_hour=0.4).drift_n(np.array([1800.0]))[0] == 0.2
    noisy = read(replace(PERFECT, noise_counts=120.0), np.zeros(20000))["load_counts"]
    assert noisy.std() == pytest.approx(120.0, rel=0.03)


def test_an_overloaded_adc_sticks_to_its_end_and_says_so() -> None:
    samples = read(PERFECT, np.array([100.0, 4000.0, -4000.0, 0.0]))
    assert list(samples["load_counts"][1:3]) == [0x7FFFFF, -0x800000]
    assert list(samples["flags"]) == [0, 1, 1, 0]
    assert SampleFlag.LOAD_SATURATED == 1


@given(st.integers(0, 1000), st.lists(st.integers(0, 60), max_size=8))
@settings(max_examples=20)
def test_blocks_join_without_a_seam(seed: int, cuts: list[int]) -> None:
    rig = RigModel.draw(seed)
    count = sum(cuts)
    load = 300.0 + 200.0 * np.sin(np.arange(count) / 9.0)
    height = np.full(count, 40.0)
    zero = np.zeros(count)
    whole = Instrument(rig, seed)
    expected = whole.read(whole.tick_s(count), height, load, zero)
    pieces = Instrument(rig, seed)
    parts, start = [expected[:0]], 0
    for cut in cuts:
        piece = slice(start, start + cut)
        t_s = pieces.tick_s(cut)
        parts.append(pieces.read(t_s, height[piece], load[piece], zero[piece]))
        start += cut
    np.testing.assert_array_equal(np.concatenate(parts), expected)


def test_rigs_differ_by_their_seed_alone() -> None:
    assert RigModel.draw(1) == RigModel.draw(1)
    first, second = RigModel.draw(1), RigModel.draw(2)
    assert first.device_id != second.device_id
    assert first.counts_per_n != second.counts_per_n
