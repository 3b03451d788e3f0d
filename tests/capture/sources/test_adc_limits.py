"""The limits by which a chip's words and conversions are doubted, at their values."""

from __future__ import annotations

import pytest

from coilbench.capture.blocks import SampleFlag
from coilbench.capture.sources.pi_signals import AdcWatch, MissedConversions

MS = 1_000_000


def test_four_conversions_after_a_start_are_dropped_and_four_doubted_after_a_torn_word() -> None:
    """HX711's data sheet: the output settles in four conversions."""
    watch = AdcWatch()
    assert [watch.judge(1000, sound=True) for _ in range(5)] == [None] * 4 + [SampleFlag(0)]
    flags = [watch.judge(1000, sound=at > 0) for at in range(5)]
    assert flags == [SampleFlag.LOAD_SUSPECT] * 4 + [SampleFlag(0)]


@pytest.mark.parametrize(("counts", "far"), [(1_048_576, False), (1_048_577, True)])
def test_a_sixteenth_of_the_range_and_back_is_no_load(counts: int, far: bool) -> None:
    assert AdcWatch.stands_out(0, counts, 0) == far
    assert AdcWatch.stands_out(0, -counts, 0) == far
    assert not AdcWatch.stands_out(0, counts, counts)


@pytest.mark.parametrize(("interval_ms", "missed"), [(149, 0), (151, 1), (249, 1), (251, 2)])
def test_one_and_a_half_periods_are_a_missed_conversion(interval_ms: int, missed: int) -> None:
    watch = MissedConversions(100 * MS)
    watch.before(0)
    assert watch.before(interval_ms * MS) == missed


@pytest.mark.parametrize(("period_ms", "missed"), [(76, 4), (74, 3), (124, 2), (126, 3)])
def test_a_period_is_learnt_within_a_quarter_of_the_nominal_one(
    period_ms: int, missed: int
) -> None:
    """A silence of 370 ms holds 5 periods of 76 ms, 4 of the nominal 100 ms, 3 of 124 ms."""
    watch = MissedConversions(100 * MS)
    for at in range(6):
        watch.before(at * period_ms * MS)
    assert watch.before((5 * period_ms + 370) * MS) == missed
