"""What a guide takes, passes over and doubts, at the values of its limits. Ours, no source."""

from __future__ import annotations

import re

import numpy as np
import pytest

from coilbench.analysis.report.document import describe
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import RAW_DTYPE, RawBlock, SampleFlag
from coilbench.capture.calibration.block_guide import BlockGuide
from coilbench.capture.calibration.gauge_guide import GaugeGuide
from coilbench.capture.calibration.known_points import (
    LEAST_GIVE_MM_PER_N,
    MOST_GIVE_MM_PER_N,
)
from coilbench.capture.calibration.polynomial import PolynomialFit
from coilbench.capture.calibration.standing import StandingLoad
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
        # 0.1 % of the mass and of the 10 kg that read it, twice as far (k = 2), and 3 per mille
        (20.0, 20.085, True), (20.0, 20.092, False), (20.0, 19.915, True), (20.0, 19.908, False),
        (1.0, 1.030, True), (1.0, 1.033, False),
        (0.05, 0.074, True), (0.05, 0.076, False),  # half of a small mass
    ],
)  # fmt: skip
def test_a_mass_off_by_more_than_is_stated_is_another(
    asked_kg: float, stands_kg: float, taken: bool
) -> None:
    guide = WeighGuide((0.0, 10.0, asked_kg), [hold(), hold(10.0 * PER_KG)])
    assert takes(guide, stands_kg * PER_KG) == taken


@pytest.mark.parametrize(("stated", "taken"), [(0.001, False), (0.02, True)])
def test_masses_that_are_stated_to_be_worse_may_be_off_by_more(stated: float, taken: bool) -> None:
    guide = WeighGuide((0.0, 10.0, 20.0), [hold(), hold(10.0 * PER_KG)], masses_u=stated)
    assert takes(guide, 20.4 * PER_KG) == taken


@pytest.mark.parametrize(
    ("largest_kg", "back_kg", "taken"),
    [
        (40.0, 0.039, True), (40.0, 0.041, False), (40.0, -0.041, False),
        (5.0, 0.029, True), (5.0, 0.031, False),
    ],
)  # fmt: skip
def test_an_empty_cell_comes_back_to_one_per_mille_of_the_largest(
    largest_kg: float, back_kg: float, taken: bool
) -> None:
    guide = WeighGuide((0.0, largest_kg, 0.0), [hold(), hold(largest_kg * PER_KG)])
    assert takes(guide, back_kg * PER_KG) == taken
    assert [one.kind for one in guide.take()] == ["nothing_to_take" if taken else "load_read"]


KG_LINE = PolynomialFit((0.0, 9.8 / PER_KG), ((0.0, 0.0), (0.0, 0.0)), 0.0, 0.0, 1e6, 5)
STANDING = StandingLoad(KG_LINE, 9.8)


@pytest.mark.parametrize(
    ("share", "taken"), [(0.9965, True), (0.9955, False), (1.0035, True), (1.0045, False)]
)
def test_the_first_mass_is_compared_with_an_earlier_calibration(share: float, taken: bool) -> None:
    guide = WeighGuide((0.0, 10.0), [hold()], standing=STANDING)
    assert takes(guide, 10.0 * share * PER_KG) == taken


def test_an_earlier_calibration_that_is_said_to_be_wrong_is_not_asked_again() -> None:
    guide = WeighGuide((0.0, 10.0, 20.0), [hold()], standing=STANDING)
    assert not takes(guide, 11.0 * PER_KG)
    guide.take()
    assert takes(guide, 22.0 * PER_KG)


@pytest.mark.parametrize(("left_kg", "taken"), [(0.049, True), (0.051, False), (-0.051, False)])
def test_a_mass_left_on_at_the_start_is_seen_by_an_earlier_calibration(
    left_kg: float, taken: bool
) -> None:
    guide = WeighGuide((0.0, 10.0), standing=STANDING)
    assert takes(guide, left_kg * PER_KG) == taken
    guide.take()
    assert (guide.zero_note is None) == taken  # what was insisted on is noted
    if guide.zero_note is not None:
        assert f"read {left_kg:.2f} kg" in describe(guide.zero_note, Units())


def test_where_no_calibration_before_tells_the_zero_is_not_checked() -> None:
    """5 kg that stay on the cell are on the line of all masses."""
    guide = WeighGuide((0.0, 10.0, 20.0))
    assert all(takes(guide, (5.0 + mass_kg) * PER_KG) for mass_kg in (0.0, 10.0, 20.0))
    assert guide.zero_note is not None
    assert guide.zero_note.kind == "zero_unchecked"


@pytest.mark.parametrize(
    ("mm_per_count", "counts", "taken"),
    [(-0.005, 39, True), (-0.005, 41, False), (-0.005, -41, False), (None, 19, True),
     (None, 21, False)],
)  # fmt: skip
def test_a_mass_does_not_move_the_quill(
    mm_per_count: float | None, counts: int, taken: bool
) -> None:
    """A fifth of a millimetre, or twenty counts of an unknown length; nobody can insist."""
    guide = WeighGuide((0.0, 10.0, 20.0), [hold()], mm_per_count=mm_per_count)
    assert takes(guide, 10.0 * PER_KG, counts) == taken
    assert [one.kind for one in guide.take()] == ["nothing_to_take"]
    absent = standing(10.0 * PER_KG, counts)
    absent.samples["flags"] |= np.uint8(SampleFlag.TRAVEL_ABSENT)
    guide = WeighGuide((0.0, 10.0, 20.0), [hold()], mm_per_count=mm_per_count)
    guide.feed(absent)
    assert guide.taken == 2  # where there is no travel, it tells nothing
    other_start = WeighGuide((0.0, 10.0, 20.0), [hold()], travel_from=1)
    assert takes(other_start, 10.0 * PER_KG, counts)


@pytest.mark.parametrize(
    ("off_mm", "taken"), [(0.12, True), (0.14, False), (-0.12, True), (-0.14, False)]
)
def test_a_gauge_off_by_more_than_is_stated_is_another(off_mm: float, taken: bool) -> None:
    """0.02 mm stated and 0.05 mm of the quill, for it and, farther out, for the two read."""
    guide = GaugeGuide((0.0, 20.0, 40.0), [hold(), hold(travel=-20.0 * PER_MM)])
    guide.feed(standing(travel=-60.0 * PER_MM))  # the quill's stop
    assert takes(guide, travel=-(40.0 + off_mm) * PER_MM) == taken


@pytest.mark.parametrize(
    ("typed", "refused"),
    [
        ((29.5, 40.0, 50.0, 20.0), [(50.0, None), (20.0, 29.5)]),  # of four the others show which
        ((30.0, 40.0, 50.0, 19.5), [(19.5, 19.5)]),
    ],
)
def test_half_a_millimetre_in_one_tube_is_a_question_that_names_it(
    typed: tuple[float, ...], refused: list[tuple[float, float | None]]
) -> None:
    """29.5 was typed for 30, or 19.5 for 20; the person insists each time."""
    guide = GaugeGuide(typed, mm_per_count=-1.0 / PER_MM)
    guide.feed(standing(travel=-90.0 * PER_MM))
    found = []
    for length_mm in (30.0, 40.0, 50.0, 20.0):
        said = guide.feed(standing(travel=-length_mm * PER_MM))
        found += [one for one in said if one.kind == "point_refused"]
        guide.take()
    assert [(one["wanted_mm"], one["blamed_mm"]) for one in found] == refused


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


def test_the_same_gauge_again_is_told_to_less_than_a_tenth_of_a_millimetre() -> None:
    for off_mm, taken in ((0.07, True), (0.085, False)):
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
    loads_n = np.array([0.0, *np.linspace(100.0, 510.0, 60), end_n])
    samples = np.zeros(loads_n.size, dtype=RAW_DTYPE)
    samples["load_counts"] = loads_n / 0.01
    assert len(guide.feed(RawBlock(samples, 1))) == said
    assert guide.done == done


@pytest.mark.parametrize(("samples", "done"), [(59, False), (60, True)])
def test_a_press_of_few_samples_is_asked_for_again_more_slowly(samples: int, done: bool) -> None:
    """With fewer the lag of the load is not found: ten samples a second, and a hasty hand."""
    guide = BlockGuide(LINE, 500.0)
    loads_n = np.concatenate([[0.0], np.linspace(100.0, 600.0, samples), [0.0]])
    said = [one.kind for one in guide.feed(pressed(loads_n, 0.001))]
    assert said == (["block_read"] if done else ["pressed_fast"])
    assert guide.done == done


@pytest.mark.parametrize("way", [1.0, -1.0])
@pytest.mark.parametrize(("times", "spring"), [(0.9, False), (1.2, True)])
def test_a_spring_in_the_blocks_place_is_told_at_the_first_kilograms(way, times, spring) -> None:
    line = PolynomialFit((0.0, 0.01), ((0.0, 0.0), (0.0, 0.0)), 0.0, 0.0, 1e6, 5)
    guide = BlockGuide(line, 500.0, mm_per_count=-way / PER_MM)
    loads_n = np.concatenate([np.linspace(0.0, 600.0, 300), np.linspace(600.0, 0.0, 300)])
    samples = np.zeros(loads_n.size, dtype=RAW_DTYPE)
    samples["load_counts"] = np.round(loads_n / 0.01)
    samples["travel_counts"] = np.round(way * times * MOST_GIVE_MM_PER_N * loads_n * PER_MM)
    said = [one for sample in samples for one in guide.feed(RawBlock(sample.reshape(1)))]
    told = [one for one in said if one.kind == "spring_no_block"]
    assert [one["load_n"] < 100.0 for one in told] == [True] * spring
    assert guide.done is not spring
    assert "pressed_too_little" not in {one.kind for one in said}


def pressed(loads_n, give_mm_per_n: float) -> RawBlock:
    samples = np.zeros(loads_n.size, dtype=RAW_DTYPE)
    samples["load_counts"] = np.round(loads_n / 0.001)
    samples["travel_counts"] = np.round(give_mm_per_n * loads_n * 1000.0)
    return RawBlock(samples, 1)


UP_AND_DOWN = np.concatenate([np.linspace(0.0, 600.0, 300), np.linspace(600.0, 0.0, 300)])


@pytest.mark.parametrize(
    ("give", "done"),
    [(1.2 * LEAST_GIVE_MM_PER_N, True), (0.8 * LEAST_GIVE_MM_PER_N, False), (0.0, False),
     (-0.001, False)],
)  # fmt: skip
def test_a_press_that_does_not_give_is_a_question(give: float, done: bool) -> None:
    """A mass that is put on the cell, or a scale that does not follow."""
    guide = BlockGuide(LINE, 500.0, mm_per_count=-0.001)
    said = [one.kind for one in guide.feed(pressed(UP_AND_DOWN, give))]
    assert guide.done == done
    assert ("no_give" in said) != done
    guide.take()
    assert guide.done


def test_what_lies_on_the_cell_at_the_start_is_no_press() -> None:
    guide = BlockGuide(LINE, 500.0, mm_per_count=-0.001)
    guide.feed(pressed(np.linspace(600.0, 30.0, 50), 0.001))
    assert guide.state.kind == "loaded_already"
    guide.feed(pressed(np.linspace(30.0, 0.0, 50), 0.001))
    assert not guide.points
    assert guide.state.kind == "press_awaited"
    states = [guide.feed(pressed(load.reshape(1), 0.001)) or guide.state for load in UP_AND_DOWN]
    kinds = [state.kind for state in states if not isinstance(state, list)]
    assert {"press_awaited", "load_seen", "let_go_awaited"} <= set(kinds)
    assert guide.done


@pytest.mark.parametrize("lag_s", [0.2, 0.5, 1.0])
def test_a_filter_that_shows_the_load_late_makes_no_spring_of_a_block(lag_s: float) -> None:
    """The quill leaves the block at 25 mm/s, and the load of the last second is still shown."""
    t_s = np.arange(0.0, 18.0, 0.1)
    load_n = np.interp(t_s, [0.0, 3.0, 8.0, 13.0], [0.0, 0.0, 700.0, 0.0])
    height_mm = np.interp(t_s, [0.0, 2.0, 13.0, 14.4], [75.0, 40.0, 40.0, 75.0])
    width = round(10.0 * lag_s)
    late_n = np.convolve(np.pad(load_n, (width, 0)), np.full(width + 1, 1.0 / (width + 1)), "valid")
    block = pressed(late_n, 0.0)
    block.samples["travel_counts"] = np.round((75.0 - height_mm + 0.0008 * load_n) * PER_MM)
    guide = BlockGuide(LINE, 500.0, mm_per_count=-1.0 / PER_MM)
    assert [one.kind for one in guide.feed(block)] == ["block_read"]
    assert max(75.0 - one.travel_counts / PER_MM for one in guide.points) < 40.2


@pytest.mark.parametrize(
    ("guide", "flag"),
    [
        (WeighGuide((0.0, 10.0)), SampleFlag.LOAD_SUSPECT),
        (GaugeGuide((20.0, 40.0)), SampleFlag.TRAVEL_ABSENT),
        (BlockGuide(LINE, 500.0), SampleFlag.LOAD_SUSPECT),
        (BlockGuide(LINE, 500.0), SampleFlag.TRAVEL_ABSENT),
    ],
)
def test_samples_without_a_sure_reading_are_said_while_one_waits(guide, flag) -> None:
    block = standing(0.0)
    guide.feed(block)
    assert "unsure" not in str(guide.state)
    block.samples["t_us"] += 10**7
    block.samples["flags"] |= np.uint8(flag)
    guide.feed(block)
    assert "unsure" in str(guide.state)
    assert re.search("not sure|no valid|no sure", describe(guide.state, Units()))
