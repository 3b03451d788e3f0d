from unittest.mock import MagicMock

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coilbench.capture.blocks import Fault, FaultCode, SampleFlag
from coilbench.capture.sources.pi_rig import FaultState, WatchedPins
from coilbench.capture.sources.pi_signals import (
    JUMP_COUNTS,
    SETTLING,
    AdcWatch,
    MissedConversions,
    is_saturated,
    looks_torn,
)

GOOD = SampleFlag(0)
MS = 1_000_000


# Words and their numbers as in the HX711's datasheet (two's complement, 24 bits) and, for the two
# in the middle, published logs of such cells.
@pytest.mark.parametrize(
    ("word", "number"),
    [
        (0x7FFFFF, 8388607),
        (0x800000, -8388608),
        (0xFFFFFF, -1),
        (0xF82604, -514556),
        (0xFFFF85, -123),
        (0, 0),
    ],
)
def test_words_are_twos_complement(word, number):
    pins = WatchedPins(MagicMock(), 5, 6)
    pins.bits = word
    assert pins.word == number
    assert number == int.from_bytes(word.to_bytes(3, "big"), "big", signed=True)


@pytest.mark.parametrize("counts", [0x7FFFFF, -0x800000])
def test_only_the_ends_are_saturated(counts):
    assert is_saturated(counts)
    assert not is_saturated(counts + 1)
    assert not is_saturated(counts - 1)


def test_torn_words_are_all_ones_from_some_bit_on():
    torn = [counts for counts in range(-2, 1 << 16) if looks_torn(counts)]
    assert torn == [-1, 4095, 8191, 16383, 32767, 65535]
    assert looks_torn((1 << 22) - 1)
    assert not looks_torn(0x7FFFFF)  # saturated
    assert not looks_torn(-0x800000)


def test_drops_what_comes_before_the_filter_has_filled():
    watch = AdcWatch()
    assert [watch.judge(1000, sound=True) for _ in range(SETTLING + 1)] == [None] * SETTLING + [
        GOOD
    ]
    watch.restarted()
    assert watch.judge(1000, sound=True) is None


@pytest.mark.parametrize(("counts", "sound"), [(-1, True), (8191, True), (1000, False)])
def test_a_doubtful_word_casts_doubt_on_the_next_few(counts, sound):
    watch = AdcWatch(0)
    flags = [watch.judge(counts, sound=sound)] + [watch.judge(1000, sound=True) for _ in range(4)]
    assert flags == [SampleFlag.LOAD_SUSPECT] * SETTLING + [GOOD]


def test_saturation_is_flagged_and_casts_no_doubt():
    watch = AdcWatch(0)
    flags = [watch.judge(counts, sound=True) for counts in (0x7FFFFF, -0x800000, 5)]
    assert flags == [SampleFlag.LOAD_SATURATED, SampleFlag.LOAD_SATURATED, GOOD]


def test_a_jump_that_returns_stands_out_from_both_sides():
    jump = JUMP_COUNTS + 1
    assert AdcWatch.stands_out(0, jump, 0)
    assert AdcWatch.stands_out(100, -jump, 90)
    assert not AdcWatch.stands_out(0, jump, jump)  # it stays
    assert not AdcWatch.stands_out(0, jump, 2 * jump)  # it goes on
    assert not AdcWatch.stands_out(0, JUMP_COUNTS, 0)
    assert not AdcWatch.stands_out(0, 0x7FFFFF, 0)  # saturated


@given(
    true_ms=st.floats(10.0, 14.0),
    gaps=st.lists(st.integers(0, 6), min_size=1, max_size=40),
    jitter_ms=st.lists(st.floats(-0.3, 0.3), min_size=81, max_size=81),
)
@settings(max_examples=100)
def test_missed_conversions_are_counted_from_the_clock(true_ms, gaps, jitter_ms):
    """Once it has met the chip's true period; 80 a second nominal, some 93 measured by users."""
    missed = MissedConversions(round(12.5 * MS))
    number = 0
    for i in range(40):
        number += 1
        assert missed.before(round((number * true_ms + jitter_ms[i]) * MS)) == 0
    for i, gap in enumerate(gaps):
        number += 1 + gap
        assert missed.before(round((number * true_ms + jitter_ms[40 + i]) * MS)) == gap


def test_the_first_and_the_first_after_forgetting_missed_nothing():
    missed = MissedConversions(100 * MS)
    assert missed.before(5000 * MS) == 0
    assert missed.before(5400 * MS) == 3
    missed.forget()
    assert missed.before(9000 * MS) == 0


def test_a_fault_is_raised_once_repeated_and_cleared_once():
    fault = FaultState(FaultCode.ADC_SILENT, 7)
    assert fault.cleared(1) is None
    assert fault.raised(2) == Fault(7, 2, FaultCode.ADC_SILENT, standing=True, count=1)
    assert fault.raised(3) == Fault(7, 3, FaultCode.ADC_SILENT, standing=True, count=1)
    assert fault.cleared(4) == Fault(7, 4, FaultCode.ADC_SILENT, standing=False, count=1)
    assert fault.cleared(5) is None
    assert fault.raised(6).count == 2
