"""How the zero goes, judged from made zeros with a known course."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import pytest

from coilbench.analysis.cli.rig_card import MOST_ROWS, zero_rows
from coilbench.analysis.report.drift_text import drift_words
from coilbench.analysis.report.units import SI
from coilbench.analysis.rig.check import (
    APART_MIN,
    PAUSE_MIN,
    SETTLED_N,
    ZeroMove,
    judge_zeros,
    moves,
    running_min,
)
from coilbench.capture.calibration.known_points import Zero

START = datetime(2026, 5, 2, 9, 0, tzinfo=UTC)
PER_COUNT_N = 4e-4


def zeros(*course: tuple[float, float]) -> list[Zero]:
    """Zeros at (minutes, N)."""
    return [
        Zero((START + timedelta(minutes=minutes)).isoformat(), 40_000.0 + load_n / PER_COUNT_N)
        for minutes, load_n in course
    ]


def test_a_first_look_tells_no_course() -> None:
    drift = judge_zeros(zeros((0, 0)), PER_COUNT_N)
    assert drift is not None
    assert (drift.minutes, drift.moved_n, drift.settled) == (0.0, 0.0, None)
    assert judge_zeros([], PER_COUNT_N) is None


def test_a_warming_cell_still_goes_and_a_warm_one_rests() -> None:
    """A first-order approach to 3 N with 12 min: its slope is known in closed form."""

    def at(minutes: float) -> tuple[float, float]:
        return minutes, 3.0 * (1.0 - math.exp(-minutes / 12.0))

    early = judge_zeros(zeros(at(0), at(5), at(10)), PER_COUNT_N)
    assert early is not None
    assert early.moved_n == pytest.approx(at(10)[1])
    assert early.pace_n == pytest.approx((at(10)[1] - at(5)[1]) / 5.0 * 10.0)
    assert early.settled is False
    assert "wait 10 min more" in drift_words(early, SI)
    late = judge_zeros(zeros(*(at(minutes) for minutes in (0, 20, 50, 60))), PER_COUNT_N)
    assert late is not None
    assert late.moved_n == pytest.approx(3.0, abs=0.03)
    assert late.settled is True
    assert "wait" not in drift_words(late, SI)


@pytest.mark.parametrize(("share", "settled"), [(0.99, True), (1.01, False), (-1.01, False)])
def test_it_rests_just_inside_the_limit(share: float, settled: bool) -> None:
    drift = judge_zeros(zeros((0, 0), (10, share * SETTLED_N)), PER_COUNT_N)
    assert drift is not None
    assert drift.settled is settled


@pytest.mark.parametrize(
    ("minutes", "went_n", "settled", "words"),
    [
        # two zeros of 0.02 N each: their difference is sure to 2 x sqrt(2) x 0.02 = 0.057 N (k = 2)
        (10.0, 0.14, True, "it rests"),
        (10.0, 0.16, None, "too unsure to say"),
        (10.0, 0.25, None, "too unsure to say"),
        (10.0, 0.26, False, "it still goes"),
        (2.0, 0.0, None, "too unsure to say"),  # five times that in 10 min
    ],
)
def test_it_is_no_surer_of_the_pace_than_two_zeros_show(
    minutes: float, went_n: float, settled: bool | None, words: str
) -> None:
    drift = judge_zeros(zeros((0, 0), (minutes, went_n)), PER_COUNT_N, zero_u_n=0.02)
    assert drift is not None
    assert drift.settled is settled
    assert drift.u_n == pytest.approx(2.0 * math.hypot(0.02, 0.02))
    assert drift.pace_u_n == pytest.approx(drift.u_n * 10.0 / minutes)
    said = drift_words(drift, SI)
    assert words in said
    assert "± 0.057 N" in said


@pytest.mark.parametrize(("minutes", "known"), [(APART_MIN - 0.1, False), (APART_MIN, True)])
def test_two_looks_at_once_show_no_pace(minutes: float, known: bool) -> None:
    drift = judge_zeros(zeros((0, 0), (minutes, 0.1)), PER_COUNT_N)
    assert drift is not None
    assert (drift.pace_n is not None) is known


@pytest.mark.parametrize(("pause", "first_n"), [(PAUSE_MIN - 1, 0.0), (PAUSE_MIN + 1, 5.0)])
def test_after_a_long_pause_it_counts_anew(pause: float, first_n: float) -> None:
    drift = judge_zeros(zeros((0, 0), (pause, 5.0), (pause + 10, 5.5)), PER_COUNT_N)
    assert drift is not None
    assert drift.moved_n == pytest.approx(5.5 - first_n)


def test_rows_of_a_long_session_are_thinned_and_keep_both_ends() -> None:
    course = moves(zeros(*((minute, 0.01 * minute) for minute in range(100))), PER_COUNT_N)
    rows = zero_rows(course, SI)
    assert len(rows) <= MOST_ROWS + 1
    assert (rows[0][0], rows[-1][0]) == ("0", "99")
    assert rows[-1][2].endswith("o")
    assert zero_rows([ZeroMove(0.0, 0.0)], SI)[0][2].strip() == "o"


@pytest.mark.parametrize("true_min", [0.5, 71.0, 72.0, 200.0, 24 * 60.0])
@pytest.mark.parametrize("chip", [0.995, 1.0, 1.005])
def test_the_rigs_clock_and_its_samples_tell_since_when_it_runs(
    true_min: float, chip: float
) -> None:
    """The clock wraps at 2^32 us; 93 samples a second all the while, told to half a per cent."""
    clock_us = round(true_min * 60e6) % 2**32
    assert running_min(clock_us, round(true_min * 60 * 93), 93.0 * chip) == pytest.approx(true_min)


def test_a_rig_that_was_stopped_has_run_for_longer_than_is_said_and_never_for_less() -> None:
    clock_us = round(300 * 60e6) % 2**32
    for streamed_min in (0.0, 60.0, 150.0, 290.0):
        said_min = running_min(clock_us, round(streamed_min * 60 * 93), 93.0)
        assert clock_us / 60e6 <= said_min <= 300.0 + 1e-6
    assert running_min(clock_us, 0, None) == pytest.approx(clock_us / 60e6)


@pytest.mark.parametrize(("running", "first_n"), [(None, 5.0), (100.0, 5.0), (190.0, 0.0)])
def test_a_rig_that_ran_all_the_while_was_not_off_however_long_nobody_looked(
    running: float | None, first_n: float
) -> None:
    """Looks at 0, 170 and 180 min; it has run for 190 min or more, or was started between."""
    drift = judge_zeros(zeros((0, 0), (170, 5.0), (180, 5.5)), PER_COUNT_N, running)
    assert drift is not None
    assert drift.moved_n == pytest.approx(5.5 - first_n)


@pytest.mark.parametrize(
    ("running", "said", "unsaid"),
    [
        (None, "since when it was powered is not known", "last start"),
        (13.0, "3 min or more after the rig's last start", "pause"),
        (4.0, "last start was 4 min ago", "or more"),
    ],
)
def test_it_is_said_what_the_time_counts_from(
    running: float | None, said: str, unsaid: str
) -> None:
    drift = judge_zeros(zeros((0, 0), (10, 0.1)), PER_COUNT_N, running)
    assert drift is not None
    words = drift_words(drift, SI)
    assert said in words
    assert unsaid not in words
    assert "not known" in words
