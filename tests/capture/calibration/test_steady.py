"""Holds in streams whose plateaus are known, since the test made them."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.capture.blocks import RAW_DTYPE, RawBlock, SampleFlag
from coilbench.capture.calibration.steady import Hold, SteadyFinder, Stillness


def stream(
    load: np.ndarray, travel: np.ndarray | float = 0.0, rate_hz: float = 93.0, boot_id: int = 1
) -> RawBlock:
    samples = np.zeros(load.size, dtype=RAW_DTYPE)
    samples["seq"] = np.arange(load.size)
    samples["t_us"] = np.round(np.arange(load.size) * 1e6 / rate_hz)
    samples["load_counts"] = np.round(load)
    samples["travel_counts"] = np.round(travel)
    return RawBlock(samples, boot_id)


def plateaus(levels, hold_s: float = 3.0, move_s: float = 0.7, rate_hz: float = 93.0) -> np.ndarray:
    """Levels held, with straight moves between."""
    held, moving = round(hold_s * rate_hz), round(move_s * rate_hz)
    parts = [np.full(held, float(levels[0]))]
    for before, after in pairwise(levels):
        parts += [np.linspace(before, after, moving), np.full(held, float(after))]
    return np.concatenate(parts)


def noise(size: int, sd: float, seed: int = 0) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, sd, size)


def cut(block: RawBlock, pieces: list[int]) -> list[RawBlock]:
    edges = np.cumsum(pieces) % (len(block) + 1)
    return [RawBlock(part, block.boot_id) for part in np.split(block.samples, np.sort(edges))]


def found(block: RawBlock, channel="load", min_s=1.5) -> list[Hold]:
    return SteadyFinder(channel, min_s).feed(block)


MASSES = [0.0, 10.0, 20.0, 40.0, 60.0, 40.0, 20.0, 10.0, 0.0]


@pytest.mark.parametrize("rate_hz", [10.5, 80.0, 93.0])
@pytest.mark.parametrize("counts_per_kg", [2000.0, -2000.0, 20000.0, 150.0])
def test_masses_put_on_and_taken_off(rate_hz, counts_per_kg):
    """Each plateau once, in order, its mean within 5 standard errors of the truth."""
    sd = abs(counts_per_kg) * 0.015
    levels = [80_000 + counts_per_kg * mass for mass in MASSES]
    load = plateaus(levels, rate_hz=rate_hz)
    holds = found(stream(load + noise(load.size, sd), rate_hz=rate_hz))
    assert len(holds) == len(levels)
    for hold, level in zip(holds, levels, strict=True):
        assert abs(hold.load_counts - level) < 5.0 * sd / hold.n**0.5 + 0.5
        assert hold.load_sd_counts == pytest.approx(sd, rel=0.7)
        assert hold.n == pytest.approx(1.5 * rate_hz, abs=2)


def test_gauges_under_a_steady_quill():
    travel = plateaus([0, 1000, 2000, 3000, 2000], move_s=2.0)
    load = 5000 + noise(travel.size, 30.0)
    flicker = np.random.default_rng(2).integers(0, 2, travel.size)
    holds = found(stream(load, travel + flicker), "travel")
    assert [round(hold.travel_counts, -1) for hold in holds] == [0, 1000, 2000, 3000, 2000]


def test_a_hand_that_leans_on_the_gauges_needs_travel_alone():
    travel = plateaus([0, 1000, 2000], move_s=2.0)
    wobble = 5000 + 4000 * np.sin(np.arange(travel.size) / 30.0) + noise(travel.size, 30.0)
    assert found(stream(wobble, travel)) == []
    assert len(found(stream(wobble, travel), "travel")) == 3


def test_weights_without_any_travel_need_load_alone():
    load = plateaus([0, 20_000]) + noise(plateaus([0, 20_000]).size, 30.0)
    block = stream(load, 100.0 * np.arange(load.size))
    block.samples["flags"] |= int(SampleFlag.TRAVEL_ABSENT)
    assert found(block, "travel") == []
    assert len(found(block)) == 2


def test_a_standing_load_is_told_once_though_it_creeps():
    """0.05 % over minutes, exponential: the catalogue order of a cell's creep, from memory."""
    t_s = np.arange(240 * 93) / 93.0
    step = plateaus([0, 200_000])
    for sd in (0.2, 3.0, 30.0):
        creep = 200_000 * 5e-4 * (1.0 - np.exp(-t_s / 60.0))
        load = np.concatenate([step, 200_000 + creep])
        assert len(found(stream(load + noise(load.size, sd)))) == 2


def test_the_mains_hums():
    """50 Hz seen at 93 samples a second, 60 Hz at 80: three times the noise."""
    for mains_hz, rate_hz in ((50.0, 93.0), (60.0, 80.0), (100.0, 93.0)):
        load = plateaus([0, 20_000, 40_000], rate_hz=rate_hz)
        hum = 90.0 * np.sin(2 * np.pi * mains_hz * np.arange(load.size) / rate_hz)
        holds = found(stream(load + hum + noise(load.size, 30.0), rate_hz=rate_hz))
        assert [round(hold.load_counts, -3) for hold in holds] == [0, 20_000, 40_000]


def test_the_same_mass_put_on_again_is_a_new_hold():
    load = plateaus([20_000, 0], hold_s=2.5, move_s=0.3)
    load = np.concatenate([load[: -round(2.2 * 93)], plateaus([20_000])])
    holds = found(stream(load + noise(load.size, 20.0)))
    assert [round(hold.load_counts, -3) for hold in holds] == [20_000, 20_000]


def test_a_knock_is_no_new_hold():
    load = plateaus([20_000], hold_s=8.0)
    load[300] += 5_000
    load[500] = 2**22 - 1
    assert len(found(stream(load + noise(load.size, 20.0)))) == 1


def test_a_slow_press_has_no_hold():
    load = np.linspace(0, 150_000, 93 * 20)
    travel = np.linspace(0, 1500, load.size)
    assert found(stream(load + noise(load.size, 30.0), travel)) == []


def test_slow_settling_is_not_yet_a_hold():
    """Within the noise band at any moment of it, but wandering by 4 sd in 1.5 s."""
    load = 4.0 * 30.0 / 1.5 * np.arange(93 * 20) / 93.0
    assert found(stream(load + noise(load.size, 30.0))) == []
    assert len(found(stream(load / 40.0 + noise(load.size, 30.0)))) == 1


@pytest.mark.parametrize(("shift_sds", "holds"), [(5.0, 1), (20.0, 2)])
def test_only_a_clear_move_makes_a_new_hold(shift_sds, holds):
    load = plateaus([0, 30.0 * shift_sds], hold_s=5.0)
    assert len(found(stream(load + noise(load.size, 30.0)))) == holds


@pytest.mark.parametrize("rate_hz", [10.5, 80.0])
@pytest.mark.parametrize("sway_hz", [0.3, 0.7, 1.0, 2.0])
@pytest.mark.parametrize("sway_sds", [30.0, 150.0])
def test_a_load_that_sways_is_no_hold_at_any_rate(rate_hz, sway_hz, sway_sds):
    """At ten samples a second a hand or a swinging mass differs from sample to sample as noise."""
    t_s = np.arange(round(20 * rate_hz)) / rate_hz
    for seed in range(5):
        sway = np.sin(2.0 * np.pi * sway_hz * t_s + seed)
        load = np.where(t_s < 4.0, 0.0, 100_000 + 60.0 * sway_sds * sway)
        holds = found(stream(load + noise(load.size, 60.0, seed), rate_hz=rate_hz))
        assert [round(hold.load_counts, -4) for hold in holds] == [0.0]


@pytest.mark.parametrize("rate_hz", [10.5, 80.0])
@pytest.mark.parametrize("over_s", [0.4, 1.0])
def test_a_slow_filter_is_waited_for_and_not_forever(rate_hz, over_s):
    """A running mean over so long: neighbours are alike, and the noise looks like a drift."""
    size, width = round(24 * rate_hz), max(1, round(over_s * rate_hz))
    for seed in range(5):
        load = np.where(np.arange(size) < 12 * rate_hz, 0.0, 100_000.0) + noise(size, 60.0, seed)
        padded = np.concatenate([np.full(width - 1, load[0]), load])
        filtered = np.convolve(padded, np.full(width, 1.0 / width), "valid")
        holds = found(stream(filtered, rate_hz=rate_hz))
        assert {round(hold.load_counts, -3) for hold in holds} == {0.0, 100_000.0}


@pytest.mark.parametrize(("age_s", "still_s"), [(0.5, 0.4), (1.0, 0.9), (4.0, 1.4)])
def test_how_long_it_stood_is_shown_at_ten_samples_a_second(age_s, still_s):
    """One sample at a time, as they come: a piece of one has no scatter to tell noise by."""
    shown = []
    for seed in range(9):
        still = Stillness("load", 1.5)
        load = np.concatenate([np.full(20, 0.0), np.full(round(age_s * 10.0), 1e5)])
        samples = stream(load + noise(load.size, 60.0, seed), rate_hz=10.0).samples
        for sample in samples:
            still.feed(sample.reshape(1))
        shown.append(still.still_s)
    assert np.median(shown) == pytest.approx(still_s, abs=0.11)
    assert still.fit
    samples["flags"] = SampleFlag.LOAD_SUSPECT
    still.feed(samples)
    assert not still.fit


def test_a_plateau_that_is_too_short_is_no_hold():
    load = plateaus([0, 20_000, 40_000, 20_000, 0], hold_s=1.2)
    assert found(stream(load + noise(load.size, 30.0))) == []
    assert len(found(stream(load + noise(load.size, 30.0)), min_s=0.8)) == 5


def test_suspect_samples_are_left_out():
    load = plateaus([20_000]) + noise(3 * 93, 20.0)
    block = stream(load)
    block.samples["load_counts"][10::10] = 2**20 - 1
    block.samples["flags"][10::10] = int(SampleFlag.LOAD_SUSPECT)
    (hold,) = found(block)
    assert hold.load_counts == pytest.approx(20_000, abs=10)


def test_a_gap_or_a_restart_begins_anew():
    load = 20_000 + noise(round(2.4 * 93), 20.0)
    block = stream(load)
    half = len(block) // 2
    first, second = RawBlock(block.samples[:half], 1), RawBlock(block.samples[half:].copy(), 1)
    whole = SteadyFinder("load", 1.5)
    assert len(whole.feed(first) + whole.feed(second)) == 1

    restarted = SteadyFinder("load", 1.5)
    again = RawBlock(second.samples, 2)
    assert restarted.feed(first) + restarted.feed(again) == []

    gapped = SteadyFinder("load", 1.5)
    second.samples["t_us"] += 2_000_000
    assert gapped.feed(first) + gapped.feed(second) == []


def test_a_clock_that_goes_back_begins_anew():
    block = stream(20_000 + noise(round(2.0 * 93), 20.0))
    finder = SteadyFinder("load", 1.5)
    assert len(finder.feed(stream(noise(93 * 30, 20.0), boot_id=1))) == 1
    assert len(finder.feed(block)) == 1


def test_no_samples_no_hold():
    finder = SteadyFinder("load", 1.5)
    assert finder.feed(stream(np.empty(0))) == []
    assert finder.feed(stream(np.zeros(3))) == []


@settings(max_examples=25)
@given(pieces=st.lists(st.integers(0, 400), max_size=12))
def test_how_the_stream_is_cut_changes_nothing(pieces):
    load = plateaus([0, 20_000, 40_000, 0])
    block = stream(load + noise(load.size, 30.0))
    block.samples["t_us"][500:] += 700_000  # a gap
    finder = SteadyFinder("load", 1.5)
    holds = [hold for part in cut(block, pieces) for hold in finder.feed(part)]
    assert holds == found(block)
    assert len(holds) == 4


@settings(max_examples=15)
@given(factor=st.integers(1, 100), seed=st.integers(0, 1000))
def test_a_finer_converter_finds_the_same_holds(factor, seed):
    load = plateaus([0, 20_000, 40_000, 0])
    load = np.round(load + noise(load.size, 30.0, seed))
    coarse, fine = found(stream(load)), found(stream(load * factor))
    assert [h.n for h in coarse] == [h.n for h in fine]
    assert [h.load_counts * factor for h in coarse] == pytest.approx([h.load_counts for h in fine])
