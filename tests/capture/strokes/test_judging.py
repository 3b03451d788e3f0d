"""The verdict on a stroke: each reason to ask for it again, and what doesn't matter."""

import numpy as np
import pytest
from msgspec.structs import replace

from coilbench.capture.blocks import RAW_DTYPE, Finding, RawBlock, SampleFlag
from coilbench.capture.strokes.judging import Purpose, judge
from coilbench.capture.strokes.shape import Stroke
from coilbench.capture.strokes.sweep import SweepStatus


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
    assert (verdict.status, verdict.counted, verdict.samples_lost, verdict.findings) == (
        SweepStatus.COMPLETE,
        True,
        0,
        (),
    )


def missing(lost, unusable, longest_s):
    return Finding.of("samples_missing", lost=lost, unusable=unusable, longest_s=longest_s)


def assert_same(findings, wanted):
    (found,) = findings
    assert found.kind == wanted.kind
    assert found.facts == pytest.approx(wanted.facts, abs=1e-5)


ASKED_AGAIN = [
    (replace(GOOD, released=False), SweepStatus.INTERRUPTED, Finding("cut_short")),
    (replace(GOOD, released=False, too_long=True), SweepStatus.ABORTED, Finding("released_late")),
    (replace(GOOD, zero_counts=None), SweepStatus.INTERRUPTED, Finding("touched_at_start")),
    (
        replace(GOOD, lowest_mm=26.1),
        SweepStatus.ABORTED,
        Finding.of("stopped_early", lowest_mm=26.1, reach_height_mm=26.0),
    ),
    (
        replace(GOOD, depth_mm=20.7),
        SweepStatus.ABORTED,
        Finding.of("pressed_short", depth_mm=20.7, usual_depth_mm=26.0),
    ),
]
ONLY_MEASURED = [
    (
        with_flag(SampleFlag.TRAVEL_SUSPECT, 150),
        SweepStatus.ABORTED,
        Finding("travel_steps_missed"),
    ),
    (
        replace(GOOD, zero_return_n=-2.1),
        SweepStatus.ABORTED,
        Finding.of("zero_not_regained", zero_return_n=-2.1),
    ),
    (
        replace(GOOD, zero_return_n=4.6),
        SweepStatus.ABORTED,
        Finding.of("zero_not_regained", zero_return_n=4.6),
    ),
    (
        with_samples(samples(without=range(0, 300, 15))),
        SweepStatus.GAPPED,
        missing(19, 0, 2 / 93.0),
    ),
    (with_samples(samples(without=range(100, 124))), SweepStatus.GAPPED, missing(24, 0, 25 / 93.0)),
    (
        with_flag(SampleFlag.LOAD_SUSPECT, range(0, 300, 15)),
        SweepStatus.GAPPED,
        missing(0, 20, 2 / 93.0),
    ),
    (
        with_flag(SampleFlag.LOAD_SUSPECT, range(100, 124)),
        SweepStatus.GAPPED,
        missing(0, 24, 25 / 93.0),
    ),
    (with_samples(samples(9)), SweepStatus.GAPPED, Finding.of("few_samples", samples=9)),
]


@pytest.mark.parametrize(("stroke", "status", "why"), ASKED_AGAIN + ONLY_MEASURED)
def test_a_measured_stroke_is_asked_again(stroke, status, why):
    verdict = judge(stroke, reach_height_mm=26.0, earlier_depths_mm=(25.0, 26.0, 27.0))
    assert (verdict.status, verdict.counted) == (status, False)
    assert_same(verdict.findings, why)


@pytest.mark.parametrize(("stroke", "status", "why"), ASKED_AGAIN)
def test_a_conditioning_press_must_be_whole_and_deep(stroke, status, why):
    depths = (25.0, 26.0, 27.0)
    verdict = judge(stroke, Purpose.CONDITIONING, reach_height_mm=26.0, earlier_depths_mm=depths)
    assert (verdict.status, verdict.counted) == (status, False)
    assert_same(verdict.findings, why)


@pytest.mark.parametrize(("stroke", "status", "why"), ONLY_MEASURED)
def test_a_conditioning_press_counts_whatever_was_seen_of_it(stroke, status, why):
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
    assert (verdict.status, verdict.counted, verdict.findings) == (SweepStatus.COMPLETE, True, ())


def test_a_few_lost_samples_are_noted_and_counted():
    verdict = judge(with_samples(samples(without=(50, 51, 200))))
    assert (verdict.status, verdict.counted, verdict.samples_lost) == (SweepStatus.GAPPED, True, 3)
    assert_same(verdict.findings, missing(3, 0, 3 / 93.0))


def test_a_double_press_is_noted_and_counted():
    verdict = judge(replace(GOOD, presses=2))
    assert (verdict.status, verdict.counted) == (SweepStatus.COMPLETE, True)
    assert_same(verdict.findings, Finding.of("pressed_again", presses=2))


def test_a_stroke_cut_short_tells_its_losses_too():
    stroke = replace(with_samples(samples(without=(50, 51))), released=False)
    assert judge(stroke).samples_lost == 2


def test_a_dead_amplifier_leaves_a_hole_in_time_though_no_number_is_missing():
    raw = samples()
    raw["t_us"][150:] += 900_000
    verdict = judge(with_samples(raw))
    assert (verdict.status, verdict.counted) == (SweepStatus.GAPPED, False)
    assert_same(verdict.findings, missing(0, 0, 0.9 + 1 / 93.0))
