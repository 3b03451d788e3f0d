"""What becomes of a stroke: each reason to ask for it again, and what doesn't matter."""

import re
from dataclasses import replace

import numpy as np
import pytest

from coilbench.capture.blocks import RAW_DTYPE, RawBlock, SampleFlag
from coilbench.capture.strokes.judging import judge
from coilbench.capture.strokes.shape import Stroke
from coilbench.capture.strokes.sweep import SweepStatus
from coilbench.capture.strokes.turns import Purpose


def samples(count=300, *, without=(), rate_hz=93.0):
    raw = np.zeros(count, RAW_DTYPE)
    raw["seq"] = np.arange(count)
    raw["t_us"] = np.rint(raw["seq"] / rate_hz * 1e6)
    return raw[~np.isin(raw["seq"], without)]


GOOD = Stroke(
    raw=RawBlock(samples()),
    zero_counts=100.0,
    zero_return_n=0.1,
    peak_n=400.0,
    depth_mm=26.0,
    lowest_mm=26.0,
    presses=1,
    released=True,
)


def with_samples(raw):
    return replace(GOOD, raw=RawBlock(raw))


def with_flag(flag, at):
    raw = samples()
    raw["flags"][at] = flag
    return with_samples(raw)


def test_a_good_stroke_counts_and_there_is_nothing_to_say():
    verdict = judge(GOOD, reach_height_mm=26.0, earlier_depths_mm=(26.0, 27.0))
    assert (verdict.status, verdict.counted, verdict.samples_lost, verdict.note) == (
        SweepStatus.COMPLETE,
        True,
        0,
        None,
    )


ASKED_AGAIN = [
    (replace(GOOD, released=False), SweepStatus.INTERRUPTED, "cut short"),
    (replace(GOOD, released=False, too_long=True), SweepStatus.ABORTED, "not released in time"),
    (replace(GOOD, zero_counts=None), SweepStatus.INTERRUPTED, "already touched"),
    (replace(GOOD, lowest_mm=26.1), SweepStatus.ABORTED, "stopped at 26.1 mm, wanted 26.0 mm"),
    (replace(GOOD, depth_mm=20.7), SweepStatus.ABORTED, "pressed 20.7 mm deep, the others 26.0"),
]
ONLY_MEASURED = [
    (with_flag(SampleFlag.LOAD_SATURATED, 150), SweepStatus.ABORTED, "past what the amplifier"),
    (with_flag(SampleFlag.TRAVEL_SUSPECT, 150), SweepStatus.ABORTED, "missed steps"),
    (replace(GOOD, zero_return_n=-2.1), SweepStatus.ABORTED, "-2.1 N from where it began"),
    (replace(GOOD, zero_return_n=4.6), SweepStatus.ABORTED, "+4.6 N from where it began"),
    (with_samples(samples(without=range(0, 300, 15))), SweepStatus.GAPPED, "19 samples lost in it"),
    (with_samples(samples(without=range(100, 124))), SweepStatus.GAPPED, "longest gap 0.27 s"),
    (
        with_flag(SampleFlag.LOAD_SUSPECT, range(0, 300, 15)),
        SweepStatus.GAPPED,
        "0 samples lost in it, 20 unusable",
    ),
    (with_flag(SampleFlag.LOAD_SUSPECT, range(100, 124)), SweepStatus.GAPPED, "gap 0.27 s"),
    (with_samples(samples(9)), SweepStatus.GAPPED, "only 9 samples"),
]


@pytest.mark.parametrize(("stroke", "status", "words"), ASKED_AGAIN + ONLY_MEASURED)
def test_a_measured_stroke_is_asked_again(stroke, status, words):
    verdict = judge(stroke, reach_height_mm=26.0, earlier_depths_mm=(25.0, 26.0, 27.0))
    assert (verdict.status, verdict.counted) == (status, False)
    assert words in verdict.note


@pytest.mark.parametrize(("stroke", "status", "words"), ASKED_AGAIN)
def test_a_conditioning_press_must_be_whole_and_deep(stroke, status, words):
    depths = (25.0, 26.0, 27.0)
    verdict = judge(stroke, Purpose.CONDITIONING, reach_height_mm=26.0, earlier_depths_mm=depths)
    assert (verdict.status, verdict.counted) == (status, False)
    assert words in verdict.note


@pytest.mark.parametrize(("stroke", "status", "words"), ONLY_MEASURED)
def test_a_conditioning_press_counts_whatever_was_seen_of_it(stroke, status, words):
    assert judge(stroke, Purpose.CONDITIONING).counted


@pytest.mark.parametrize(
    "stroke",
    [
        replace(GOOD, lowest_mm=26.04),  # a scale's slack
        replace(GOOD, depth_mm=20.9),  # a tired, shorter spring
        replace(GOOD, zero_return_n=-1.9),
        replace(GOOD, zero_return_n=4.0),  # the end of a slow release
        with_flag(SampleFlag.FAULT_LATCHED | SampleFlag.ACCEPT_PRESSED, slice(None)),
    ],
)
def test_what_a_careful_hand_and_a_real_cell_do_is_let_pass(stroke):
    verdict = judge(stroke, reach_height_mm=26.0, earlier_depths_mm=(25.0, 26.0, 27.0))
    assert (verdict.status, verdict.counted, verdict.note) == (SweepStatus.COMPLETE, True, None)


def test_a_few_lost_samples_are_noted_and_counted():
    verdict = judge(with_samples(samples(without=(50, 51, 200))))
    assert (verdict.status, verdict.counted, verdict.samples_lost) == (SweepStatus.GAPPED, True, 3)
    assert re.search(r"\b3 samples.*\b0\.03 s", verdict.note)


def test_a_double_press_is_noted_and_counted():
    verdict = judge(replace(GOOD, presses=2))
    assert (verdict.status, verdict.counted) == (SweepStatus.COMPLETE, True)
    assert re.search(r"\b2\b.*release", verdict.note)


def test_a_stroke_cut_short_tells_its_losses_too():
    stroke = replace(with_samples(samples(without=(50, 51))), released=False)
    assert judge(stroke).samples_lost == 2


def test_a_dead_amplifier_leaves_a_hole_in_time_though_no_number_is_missing():
    raw = samples()
    raw["t_us"][150:] += 900_000
    verdict = judge(with_samples(raw))
    assert (verdict.status, verdict.counted) == (SweepStatus.GAPPED, False)
    assert "longest gap 0.91 s" in verdict.note
