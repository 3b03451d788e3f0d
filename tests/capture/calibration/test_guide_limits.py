"""What a guide takes, passes over and doubts, at the values of its limits. Ours, no source."""

from __future__ import annotations

import numpy as np
import pytest

from coilbench.capture.blocks import RAW_DTYPE, RawBlock
from coilbench.capture.calibration.block_guide import BlockGuide
from coilbench.capture.calibration.gauge_guide import GaugeGuide
from coilbench.capture.calibration.known_points import MOST_GIVE_MM_PER_N
from coilbench.capture.calibration.polynomial import PolynomialFit
from coilbench.capture.calibration.steady import Hold
from coilbench.capture.calibration.weigh_guide import WeighGuide

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
        (20.0, 19.05, True), (20.0, 18.95, False), (20.0, 20.95, True), (20.0, 21.05, False),
        (1.0, 1.09, True), (1.0, 1.11, False),  # a tenth of a kilogram
        (0.1, 0.148, True), (0.1, 0.152, False),  # half of a small mass
    ],
)  # fmt: skip
def test_a_mass_off_by_a_twentieth_is_another(
    asked_kg: float, stands_kg: float, taken: bool
) -> None:
    guide = WeighGuide((0.0, 10.0, asked_kg), [hold(), hold(10.0 * PER_KG)])
    assert takes(guide, stands_kg * PER_KG) == taken


@pytest.mark.parametrize(("back_kg", "taken"), [(0.19, True), (0.21, False)])
def test_a_cell_with_friction_comes_back_to_five_per_mille_of_the_largest(
    back_kg: float, taken: bool
) -> None:
    guide = WeighGuide((0.0, 40.0, 0.0), [hold(), hold(40.0 * PER_KG)])
    assert takes(guide, back_kg * PER_KG) == taken


@pytest.mark.parametrize(("share", "taken"), [(0.96, True), (0.94, False), (1.06, False)])
def test_the_first_mass_is_compared_with_an_earlier_calibration(share: float, taken: bool) -> None:
    guide = WeighGuide((0.0, 10.0), [hold()], kg_per_count=1.0 / PER_KG)
    assert takes(guide, 10.0 * share * PER_KG) == taken


@pytest.mark.parametrize(
    ("off_mm", "taken"), [(1.03, True), (1.10, False), (-0.9, True), (-1.0, False)]
)
def test_a_gauge_off_by_a_twentieth_is_another(off_mm: float, taken: bool) -> None:
    """A twentieth of how far the counts say it is from the nearest gauge read: 21.03, 19.0 mm."""
    guide = GaugeGuide((0.0, 20.0, 40.0), [hold(), hold(travel=-20.0 * PER_MM)])
    guide.feed(standing(travel=-60.0 * PER_MM))  # the quill's stop
    assert takes(guide, travel=-(40.0 + off_mm) * PER_MM) == taken


@pytest.mark.parametrize(
    ("step", "taken"),
    [(-0.00524, True), (-0.00526, False), (-0.00476, True), (-0.00474, False), (0.005, False)],
)
def test_a_step_off_by_five_per_cent_or_of_the_wrong_sign_is_asked_about(
    step: float, taken: bool
) -> None:
    """20 mm over so many counts make the step; the scale states 0.005 mm down a count."""
    guide = GaugeGuide((40.0, 20.0), [hold()], mm_per_count=-0.005)
    guide.feed(standing(travel=-9000.0))
    counts = -20.0 / step
    assert takes(guide, travel=counts) == taken
    kinds = [found.kind for found in guide.take()]
    assert kinds == (["nothing_to_take"] if taken else ["travel_read"])
    assert guide.done


def test_small_gauges_are_told_apart_to_a_tenth_of_a_millimetre() -> None:
    for off_mm, taken in ((0.09, True), (0.11, False)):
        guide = GaugeGuide((0.0, 20.0, 20.0), [hold(), hold(travel=-20.0 * PER_MM)])
        guide.feed(standing(travel=-60.0 * PER_MM))
        assert takes(guide, travel=-(20.0 + off_mm) * PER_MM) == taken


LINE = PolynomialFit((0.0, 0.001), ((0.0, 0.0), (0.0, 0.0)), 0.0, 0.0, 1e6, 5)  # a count is 1 mN


def lowered(rise_n: float, sway_n: float = 0.0) -> RawBlock:
    """From above down to a place where the load has risen so much."""
    block = standing(travel=4000.0)
    block.samples["travel_counts"][:93] = 0
    block.samples["load_counts"] = np.arange(len(block)) % 2
    sway = sway_n / 0.001 * (-1.0) ** np.arange(len(block) - 93)
    block.samples["load_counts"][93:] += np.round(rise_n / 0.001 + sway).astype(np.int32)
    return block


def pieces(block: RawBlock) -> list[RawBlock]:
    starts = range(0, len(block), 16)
    return [RawBlock(block.samples[start : start + 16], block.boot_id) for start in starts]


@pytest.mark.parametrize(
    ("rise_n", "sway_n", "said"),
    [
        (0.49, 0.0, "no_touch"), (0.51, 0.0, None), (-5.0, 0.0, "stop_higher"),
        (49.0, 0.0, None), (51.0, 0.0, "leaning"),
        (45.0, 2.0, None), (45.0, 3.0, "leaning"),  # and two standard deviations
    ],
)  # fmt: skip
def test_a_gauge_shows_a_touch_and_bears_no_lean(
    rise_n: float, sway_n: float, said: str | None
) -> None:
    guide = GaugeGuide((20.0,), load_fit=LINE)
    guide.feed(standing(travel=0.0))  # the stop
    kinds = [found.kind for piece in pieces(lowered(rise_n, sway_n)) for found in guide.feed(piece)]
    assert guide.done == (said is None)
    assert (said in kinds) if said else kinds == ["travel_read"]
    guide.take()
    assert guide.done == (
        said not in ("no_touch", "stop_higher")
    )  # then it is no gauge, whoever says so


@pytest.mark.parametrize(("above_counts", "touched"), [(95, False), (105, True)])
def test_the_load_before_is_that_of_a_quill_half_a_millimetre_up(
    above_counts: int, touched: bool
) -> None:
    guide = GaugeGuide((20.0,), load_fit=LINE)
    stop = standing(travel=0.0)
    stop.samples["load_counts"] = 3000  # something lay on the cell, and was taken off after
    guide.feed(stop)
    block = lowered(3.0)
    block.samples["travel_counts"][:93] = 4000 - above_counts
    for piece in pieces(block):
        guide.feed(piece)
    assert guide.done == touched


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


@pytest.mark.parametrize("way", [1.0, -1.0])
@pytest.mark.parametrize(("times", "spring"), [(0.9, False), (1.2, True)])
def test_a_spring_in_the_blocks_place_is_told_at_the_first_kilograms(way, times, spring) -> None:
    line = PolynomialFit((0.0, 0.01), ((0.0, 0.0), (0.0, 0.0)), 0.0, 0.0, 1e6, 5)
    guide = BlockGuide(line, 500.0, mm_per_count=-1.0 / PER_MM)
    loads_n = np.concatenate([np.linspace(0.0, 600.0, 300), np.linspace(600.0, 0.0, 300)])
    samples = np.zeros(loads_n.size, dtype=RAW_DTYPE)
    samples["load_counts"] = np.round(loads_n / 0.01)
    samples["travel_counts"] = np.round(way * times * MOST_GIVE_MM_PER_N * loads_n * PER_MM)
    said = [one for sample in samples for one in guide.feed(RawBlock(sample.reshape(1)))]
    told = [one for one in said if one.kind == "spring_no_block"]
    assert [one["load_n"] < 100.0 for one in told] == [True] * spring
    assert guide.done is not spring
    assert "pressed_too_little" not in {one.kind for one in said}
