"""Strokes found in streams of which the truth is known: what was pressed, when, how deep."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.capture.blocks import RAW_DTYPE, RawBlock, SampleFlag
from coilbench.capture.strokes.finder import Phase, StrokeFinder
from coilbench.capture.strokes.shape import StrokeRules, count_presses
from support.quill_streams import (
    COUNTS_PER_MM,
    COUNTS_PER_N,
    FREE_MM,
    PRESS,
    RATE_N_PER_MM,
    REST,
    TOP_MM,
    find,
    stream,
    to_physical,
)

# --- one press ------------------------------------------------------------------------------------


@pytest.mark.parametrize("dead_n", [0.0, -30.0, 2.0, 7.0])
def test_a_press_is_one_stroke_with_its_depth_load_and_zero(dead_n):
    (stroke,) = find(stream(REST, *PRESS, REST, dead_n=dead_n))
    touch_depth_mm = StrokeRules().touch_n / RATE_N_PER_MM
    assert stroke.lowest_mm == pytest.approx(25.0, abs=0.01)
    assert stroke.depth_mm == pytest.approx(25.0 - touch_depth_mm, abs=0.3)
    assert stroke.peak_n == pytest.approx(25.0 * RATE_N_PER_MM, abs=0.5)
    assert stroke.zero_counts == pytest.approx(dead_n * COUNTS_PER_N, abs=20.0)
    assert stroke.zero_return_n == pytest.approx(0.0, abs=0.05)
    assert (stroke.presses, stroke.released, stroke.too_long) == (1, True, False)
    assert stroke.raw.boot_id == 7


def test_the_raw_samples_hold_the_whole_press_and_the_time_its_zero_was_read_in():
    samples = stream(REST, *PRESS, REST)
    (stroke,) = find(samples)
    seqs = stroke.raw.samples["seq"]
    assert (np.diff(seqs) == 1).all()
    loads_n, heights_mm = to_physical(samples)
    pressed = samples["seq"][loads_n > 1.0]
    assert seqs[0] < pressed[0] - 80  # at least most of a second before
    assert seqs[-1] > pressed[-1]
    assert heights_mm[seqs[0] : seqs[0] + 80].min() > FREE_MM


@pytest.mark.parametrize(
    ("down_s", "rate_hz"),
    [(0.15, 93.0), (0.5, 93.0), (10.0, 93.0), (60.0, 93.0), (0.8, 11.0), (1.5, 1000.0)],
)
def test_very_fast_and_very_slow_hands_and_other_rates(down_s, rate_hz):
    path = (REST, (1.0, 52.0), (down_s, 25.0), (0.2, 25.0), (down_s, 52.0), (0.5, TOP_MM), REST)
    (stroke,) = find(stream(*path, rate_hz=rate_hz))
    assert stroke.lowest_mm == pytest.approx(25.0, abs=27.0 / (down_s * rate_hz))
    assert stroke.depth_mm == pytest.approx(24.5, abs=0.3 + 2 * 27.0 / (down_s * rate_hz))
    # a slow hand spends long in the first newtons: they are no zero
    assert stroke.zero_counts == pytest.approx(0.0, abs=50.0)
    assert stroke.released


def test_an_hour_of_drift_is_no_stroke_and_the_zero_follows_it():
    drift = stream((600.0, TOP_MM), *PRESS, REST, dead_n=lambda t_s: 0.02 * t_s)
    (stroke,) = find(drift)  # 12 N in ten minutes, far more than a cell drifts
    assert stroke.zero_counts == pytest.approx(12.0 * COUNTS_PER_N, abs=100.0)
    assert stroke.zero_return_n == pytest.approx(0.08, abs=0.05)


def test_a_pause_of_seconds_in_mid_press_is_one_stroke():
    down = ((1.0, FREE_MM), (0.7, 40.0), (8.0, 40.0), (0.7, 25.0))
    up = ((5.0, 25.0), (0.8, 35.0), (6.0, 35.0), (0.8, FREE_MM), (0.5, TOP_MM))
    (stroke,) = find(stream(REST, *down, *up, REST))
    assert (stroke.presses, stroke.released) == (1, True)


def test_a_press_with_three_ups_and_downs_is_one_stroke_of_three_presses():
    wobble = ((0.6, 38.0), (0.6, 26.0)) * 2
    (stroke,) = find(stream(REST, (1.0, FREE_MM), (1.0, 25.0), *wobble, (1.0, TOP_MM), REST))
    assert (stroke.presses, stroke.released) == (3, True)


def test_presses_that_are_let_go_between_are_strokes_of_their_own():
    strokes = find(stream(REST, *PRESS * 5, REST))
    assert [stroke.presses for stroke in strokes] == [1] * 5
    assert [stroke.lowest_mm for stroke in strokes] == pytest.approx([25.0] * 5, abs=0.01)
    spans = [(s.raw.samples["seq"][0], s.raw.samples["seq"][-1]) for s in strokes]
    assert all(end < start for (_, end), (start, _) in pairwise(spans))


# --- what is no stroke ----------------------------------------------------------------------------


def test_a_nudge_below_two_millimetres_is_none():
    nudge = ((1.0, FREE_MM), (0.5, 48.6), (0.5, FREE_MM), (0.5, TOP_MM))
    assert find(stream(REST, *nudge * 3, REST)) == []


def test_hands_on_the_platform_are_none():
    def hands(t_s):
        return 40.0 * ((t_s % 1.5) < 0.7)

    assert find(stream((12.0, TOP_MM), dead_n=hands)) == []


def test_a_hand_that_leans_while_the_quill_comes_down_adds_no_depth():
    samples = stream(REST, *PRESS, REST, dead_n=lambda t_s: 30.0 * ((t_s > 2.1) & (t_s < 2.9)))
    (stroke,) = find(samples)
    assert stroke.depth_mm == pytest.approx(24.5, abs=0.3)
    assert stroke.zero_counts == pytest.approx(0.0, abs=50.0)


# --- where the stream begins, breaks and ends -----------------------------------------------------


def test_a_stream_that_begins_in_mid_press_has_no_zero():
    (stroke,) = find(stream((0.5, 25.0), *PRESS[2:], REST, start_mm=40.0))
    assert stroke.zero_counts is None
    assert stroke.zero_return_n is None
    assert stroke.released


def test_a_stream_that_begins_on_the_way_up_has_no_stroke_and_the_next_is_whole():
    (stroke,) = find(stream((0.8, TOP_MM), REST, *PRESS, REST, start_mm=30.0))
    assert stroke.zero_counts == pytest.approx(0.0, abs=50.0)
    assert stroke.lowest_mm == pytest.approx(25.0, abs=0.01)


def test_a_cut_gives_what_there_is_and_forgets_it():
    samples = stream(REST, *PRESS[:2])
    finder = StrokeFinder(to_physical)
    assert finder.feed(RawBlock(samples)) == []
    assert finder.phase is Phase.PRESS
    stroke = finder.cut()
    assert stroke is not None
    assert not stroke.released
    assert stroke.raw.samples["seq"][-1] == samples["seq"][-1]  # to the very last sample
    assert finder.phase is Phase.IDLE
    assert finder.cut() is None
    assert finder.running().shape == (0,)


def test_a_cut_while_idle_or_touching_gives_nothing():
    assert find(stream(REST)) == []
    assert find(stream(REST, (1.0, FREE_MM), (0.5, 48.6))) == []


def test_a_hole_in_time_ends_the_stroke_unreleased():
    before = stream(REST, *PRESS[:2])
    after = stream((0.1, 25.0), *PRESS[3:], REST, start_mm=25.0, seq=before["seq"][-1] + 1, t0_s=9)
    first, *rest = find(np.concatenate([before, after]))
    assert not first.released
    assert first.raw.samples["seq"][-1] == before["seq"][-1]
    assert rest == []


def test_a_stroke_that_is_never_released_is_given_up_and_the_next_one_is_found():
    rules = StrokeRules(longest_s=6.0)
    samples = stream(
        REST, (1.0, FREE_MM), (1.0, 25.0), (5.5, 25.0), (1.0, TOP_MM), REST, *PRESS, REST
    )
    late, good = find(samples, rules=rules)
    assert (late.too_long, late.released) == (True, False)
    assert (good.too_long, good.released) == (False, True)
    assert good.zero_counts == pytest.approx(0.0, abs=50.0)


# --- unusable samples -----------------------------------------------------------------------------


def test_saturated_and_suspect_samples_move_nothing():
    samples = stream(REST, *PRESS, REST)
    load_n, _ = to_physical(samples)
    bottom = load_n > 300.0
    samples["load_counts"][bottom] = 0x7FFFFF
    samples["flags"][bottom] = SampleFlag.LOAD_SATURATED
    rogue = np.arange(10, len(samples), 37)
    samples["load_counts"][rogue] = 0x1FFFF  # 2^n - 1, as an interrupted read gives
    samples["flags"][rogue] = SampleFlag.LOAD_SUSPECT
    (stroke,) = find(samples)
    assert stroke.released
    assert stroke.peak_n < 301.0
    assert stroke.zero_counts == pytest.approx(0.0, abs=50.0)


def test_half_a_second_at_the_amplifiers_end_does_not_let_go():
    samples = stream(REST, *PRESS[:2], (1.0, 25.0), *PRESS[3:], REST)
    held = (samples["t_us"] > 4_600_000) & (samples["t_us"] < 5_300_000)
    samples["load_counts"][held] = 0x7FFFFF
    samples["flags"][held] = SampleFlag.LOAD_SATURATED
    (stroke,) = find(samples)
    assert stroke.raw.samples["t_us"][-1] > 6_500_000  # the way up is in it
    assert stroke.zero_return_n == pytest.approx(0.0, abs=0.1)


def test_nothing_but_unusable_samples_is_nothing():
    samples = stream(REST, *PRESS, REST)
    samples["flags"] = SampleFlag.TRAVEL_ABSENT
    assert find(samples) == []


def test_a_rogue_reading_in_the_rest_is_no_stroke():
    samples = stream((6.0, TOP_MM))
    samples["load_counts"][[100, 300]] = [0x3FFFFF, -0x3FFFFF]
    assert find(samples) == []


# --- the way the stream is cut up -----------------------------------------------------------------

WHOLE = np.concatenate(
    [
        stream(REST, *PRESS, (0.3, TOP_MM), *PRESS, (1.0, 48.8), (0.4, TOP_MM), *PRESS[:3]),
    ]
)


def told(strokes):
    return [
        (
            s.raw.samples["seq"].tolist(),
            s.depth_mm,
            s.lowest_mm,
            s.zero_counts,
            s.zero_return_n,
            s.peak_n,
            s.presses,
            s.released,
        )
        for s in strokes
    ]


@given(st.lists(st.integers(1, 200), max_size=40))
@settings(max_examples=40)
def test_the_strokes_are_the_same_however_the_stream_is_cut_up(sizes):
    assert told(find(WHOLE, sizes)) == told(find(WHOLE))


def test_one_sample_at_a_time_gives_the_same_strokes():
    whole = told(find(WHOLE))
    assert len(whole) == 3
    assert told(find(WHOLE, [1] * len(WHOLE))) == whole


def test_the_running_stroke_is_at_hand_to_the_last_sample():
    finder = StrokeFinder(to_physical)
    samples = stream(REST, *PRESS[:3])
    for start in range(0, len(samples), 5):
        finder.feed(RawBlock(samples[start : start + 5]))
        if finder.phase is not Phase.IDLE:
            assert finder.running()["seq"][-1] == samples["seq"][min(start + 5, len(samples)) - 1]
    assert finder.pressing
    assert finder.zero_counts == pytest.approx(0.0, abs=50.0)
    assert 0 < len(finder.running_thinned(100)) <= 101


@pytest.mark.parametrize("height_of", [lambda mm: FREE_MM, lambda mm: 2.0 * FREE_MM - mm])
@pytest.mark.parametrize("sure", [False, True])
def test_a_press_that_the_travel_does_not_show_is_a_stroke_only_once_that_is_said(height_of, sure):
    """The load of a whole press, over a travel that stands still or runs backwards."""
    samples = stream(REST, *PRESS, REST)
    _, true_mm = to_physical(samples)
    pressed = true_mm < FREE_MM
    seen_mm = np.where(pressed, height_of(true_mm), FREE_MM)
    samples["travel_counts"] = np.rint((TOP_MM - seen_mm) * COUNTS_PER_MM)
    finder, strokes = StrokeFinder(to_physical), []
    if sure:
        finder.take_for_press()  # nothing is touched yet: that is none
    assert finder.phase is Phase.IDLE
    for start in range(0, len(samples), 5):
        strokes += finder.feed(RawBlock(samples[start : start + 5], 7))
        if sure and finder.phase is Phase.TOUCH and start > 330:
            finder.take_for_press()
    assert finder.phase is Phase.IDLE
    assert len(strokes) == sure
    if sure:
        held = strokes[0].raw.samples["seq"]
        assert set(samples["seq"][pressed]) <= set(held)
        assert strokes[0].peak_n == pytest.approx(25.0 * RATE_N_PER_MM, abs=0.5)
        assert strokes[0].released


def test_an_empty_block_changes_nothing():
    finder = StrokeFinder(to_physical)
    assert finder.feed(RawBlock(np.empty(0, RAW_DTYPE))) == []
    assert finder.cut() is None


def test_a_long_stroke_at_a_hundred_times_the_rate_costs_no_more_a_sample_at_its_end():
    """Work is counted, not time: how many samples are converted for each that came."""
    converted = 0

    def counting(samples):
        nonlocal converted
        converted += len(samples)
        return to_physical(samples)

    finder = StrokeFinder(counting)
    samples = stream(REST, (1.0, FREE_MM), (1.0, 25.0), (100.0, 25.0), rate_hz=9300.0)
    for start in range(0, len(samples), 930):
        finder.feed(RawBlock(samples[start : start + 930]))
    assert finder.pressing
    assert converted < 1.2 * len(samples)


# --- counting presses -----------------------------------------------------------------------------


def test_presses_are_counted_by_turns_worth_a_third_of_the_depth():
    def heights(*turns):
        return np.interp(np.linspace(0, len(turns) - 1, 2000), np.arange(len(turns)), turns)

    assert count_presses(heights(50, 25, 50)) == 1
    assert count_presses(heights(50, 25, 30, 25, 50)) == 1  # 5 of 25 mm is a wobble
    assert count_presses(heights(50, 25, 35, 25, 50)) == 2
    assert count_presses(heights(50, 30, 45, 25, 45, 30, 50)) == 3
    assert count_presses(np.array([50.0, 40.0])) == 1


def test_slices_do_not_slow_down_the_clock_of_a_day():
    """t_us of a rig that has run for days (unwrapped) is as good as one from 0."""
    samples = stream(REST, *PRESS, REST)
    late = samples.copy()
    late["t_us"] += 86_400_000_000 * 30
    shifted = told(find(late))
    assert len(shifted) == 1
    assert shifted[0][1] == pytest.approx(told(find(samples))[0][1], abs=0.01)
