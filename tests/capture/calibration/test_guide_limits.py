"""What a guide takes, passes over and doubts, at the values of its limits. Ours, no source."""

from __future__ import annotations

import numpy as np
import pytest

from coilbench.capture.blocks import RAW_DTYPE, RawBlock
from coilbench.capture.calibration.block_guide import BlockGuide
from coilbench.capture.calibration.gauge_guide import GaugeGuide
from coilbench.capture.calibration.guide import WeighGuide
from coilbench.capture.calibration.regression import PolynomialFit
from coilbench.capture.calibration.steady import Hold

PER_KG, PER_MM, SD = 20_000.0, 200.0, 30.0


def hold(load: float = 0.0, travel: float = 0.0) -> Hold:
    return Hold(load, travel, SD, 100)


def standing(load: float = 0.0, travel: float = 0.0, seconds: float = 2.0) -> RawBlock:
    """A moved reading that then stands; its noise is a count to either side."""
    n = round((seconds + 1.0) * 93.0)
    samples = np.zeros(n, dtype=RAW_DTYPE)
    samples["seq"], samples["t_us"] = np.arange(n), np.round(np.arange(n) / 93.0 * 1e6)
    moving = np.arange(n) < 93
    flicker = (-1) ** np.arange(n)
    samples["load_counts"] = np.where(moving, load + 900_000 + 7000 * np.arange(n), load) + flicker
    samples["travel_counts"] = np.where(moving, travel + 90_000 + 700 * np.arange(n), travel)
    return RawBlock(samples, 1)


def takes(guide: WeighGuide, load: float = 0.0, travel: float = 0.0, seconds: float = 2.0) -> bool:
    before = guide.taken
    guide.feed(standing(load, travel, seconds))
    return guide.taken > before


@pytest.mark.parametrize(("seconds", "taken"), [(1.4, False), (1.8, True)])
def test_a_hold_is_a_second_and_a_half(seconds: float, taken: bool) -> None:
    assert takes(WeighGuide((0.0, 10.0)), seconds=seconds) == taken


@pytest.mark.parametrize(
    ("asked_kg", "stands_kg", "taken"),
    [
        (20.0, 15.9, True), (20.0, 15.7, False), (20.0, 24.1, True), (20.0, 24.3, False),
        (0.5, 0.78, True), (0.5, 0.82, False),
    ],
)  # fmt: skip
def test_a_mass_off_by_a_fifth_and_two_hundred_grams_is_another(
    asked_kg: float, stands_kg: float, taken: bool
) -> None:
    guide = WeighGuide((0.0, 10.0, asked_kg), [hold(), hold(10.0 * PER_KG)])
    assert takes(guide, stands_kg * PER_KG) == taken


@pytest.mark.parametrize(("off_mm", "taken"), [(1.95, True), (2.05, False)])
def test_a_gauge_off_by_two_millimetres_is_another(off_mm: float, taken: bool) -> None:
    guide = GaugeGuide((0.0, 20.0, 40.0), [hold(), hold(travel=-20.0 * PER_MM)])
    guide.feed(standing(travel=-60.0 * PER_MM))  # the quill's stop
    assert takes(guide, travel=-(40.0 - off_mm) * PER_MM) == taken


@pytest.mark.parametrize(("counts", "taken"), [(18, False), (22, True)])
def test_within_twenty_counts_of_the_stop_the_quill_is_there(counts: int, taken: bool) -> None:
    guide = GaugeGuide((20.0, 40.0))
    guide.feed(standing(travel=5000))
    assert takes(guide, travel=5000 + counts) == taken


@pytest.mark.parametrize(
    ("last_kg", "counts", "taken"),
    [
        (0.01, 285, False), (0.01, 315, True),  # ten times the noise of 30 counts
        (40.0, 1560, False), (40.0, 1640, True),  # 0.2 % of 40 kg
    ],
)  # fmt: skip
def test_what_still_stands_there_is_no_new_reading(
    last_kg: float, counts: int, taken: bool
) -> None:
    guide = WeighGuide((0.0, last_kg, last_kg + 0.01), [hold(), hold(last_kg * PER_KG)])
    assert takes(guide, last_kg * PER_KG + counts) == taken


@pytest.mark.parametrize(
    ("end_n", "done", "said"), [(25.5, False, 0), (24.5, True, 1)]
)  # a twentieth of 500 N
def test_a_block_is_let_go_below_a_twentieth_of_the_load(
    end_n: float, done: bool, said: int
) -> None:
    line = PolynomialFit((0.0, 0.01), ((0.0, 0.0), (0.0, 0.0)), 0.0, 0.0, 1e6, 5)
    guide = BlockGuide(line, 500.0)
    samples = np.zeros(5, dtype=RAW_DTYPE)
    samples["load_counts"] = np.array([0.0, 300.0, 510.0, 300.0, end_n]) / 0.01
    assert len(guide.feed(RawBlock(samples, 1))) == said
    assert guide.done == done
