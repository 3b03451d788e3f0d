"""How the zero goes, judged from made zeros with a known course."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import pytest

from coilbench.analysis.report.drift_text import MOST_ROWS, drift_words, zero_rows
from coilbench.analysis.report.units import SI
from coilbench.analysis.rig.drift import (
    APART_MIN,
    PAUSE_MIN,
    SETTLED_N,
    ZeroMove,
    judge_zeros,
    moves,
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
