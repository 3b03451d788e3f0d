"""A check weight's tolerance and trend, a card's resolution and ages, each limit at its value.

Common practice, no source; 1 % is ISO 7500-1's class 1.
"""

from __future__ import annotations

import pytest

from coilbench.analysis.cli.status import capture_runs, overdue
from coilbench.analysis.curves.load_budget import typical_budget, typical_load_n
from coilbench.analysis.rig.card import _resolution_of
from coilbench.analysis.rig.check import MassReading, PastCheck, Trend, judge_mass
from coilbench.capture.book.state import GOOD_FOR_DAYS, BookState, CaptureState
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.polynomial import PolynomialFit

LINE = PolynomialFit((0.0, 4e-4), ((0.0, 0.0), (0.0, 0.0)), 0.0, 0.0, 1e6, 9)  # up to 400 N
G = 10.0


@pytest.mark.parametrize(("load_n", "passed"), [(201.9, True), (202.1, False), (197.9, False)])
def test_one_per_cent_of_the_weight_passes(load_n: float, passed: bool) -> None:
    reading = MassReading(20.0, 0.0, load_n / 4e-4, 10.0, 100)
    assert judge_mass(LINE, reading, gravity_m_s2=G).passed == passed


def checks(*days: float) -> list[PastCheck]:
    """Checks of 20 kg whose error grows by 0.01 % a day."""
    return [
        PastCheck(f"2026-05-{1 + int(day):02}T{round(day % 1 * 24):02}:00:00+00:00", 20.0, G,
                  0.02 * day, 0.1, 2.0, True)
        for day in days
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("days", "told"),
    [((0, 5), False), ((0, 2, 5), True), ((0, 0.5, 0.875), False), ((0, 0.5, 1.125), True)],
)
def test_a_trend_needs_three_checks_over_a_day(days: tuple[float, ...], told: bool) -> None:
    assert (Trend.of(checks(*days)) is not None) == told


def test_a_trend_is_told_for_thirty_days() -> None:
    found = Trend.of(checks(0, 2, 5))
    assert found is not None
    assert found.percent_per_30_days == pytest.approx(0.3)


def test_a_cards_resolution_is_a_count_and_twice_its_noise() -> None:
    assert _resolution_of(LINE, None) == pytest.approx(4e-4)
    assert _resolution_of(LINE, 100.0) == pytest.approx(4e-4 * 201.0)


def test_a_typical_reading_is_half_the_largest_load_on_20_newtons_a_millimetre() -> None:
    travel = PolynomialFit((70.0, -0.005), ((1e-4, 0.0), (0.0, 0.0)), 0.0, 0.0, 14_000.0, 7)
    calibration = Calibration(LINE, travel, None, 0.0005)
    assert typical_load_n(calibration) == pytest.approx(200.0)
    heights = [line for line in typical_budget(calibration).lines if line.unit == "mm"]
    assert {abs(line.sensitivity) for line in heights} == {20.0}


STATE = BookState(False, False, {}, None, GOOD_FOR_DAYS, (), None)
NOW = "2026-11-25T12:00:00+00:00"


@pytest.mark.parametrize(
    ("made_utc", "old"),
    [("2026-08-27T13:00:00+00:00", False), ("2026-08-27T11:00:00+00:00", True)],
)
def test_a_calibration_stands_for_ninety_days(made_utc: str, old: bool) -> None:
    assert overdue(STATE._replace(parts_utc={"load": made_utc}), NOW) == old


@pytest.mark.parametrize(
    ("seen_utc", "runs"),
    [
        ("2026-11-25T11:59:45.5+00:00", True), ("2026-11-25T11:59:44.5+00:00", False),
        ("2026-11-25T12:00:14.5+00:00", True), ("2026-11-25T12:00:15.5+00:00", False),
    ],
)  # fmt: skip
def test_a_capture_that_wrote_within_fifteen_seconds_runs(seen_utc: str, runs: bool) -> None:
    capture = CaptureState("/dev/ttyUSB0", "larch", seen_utc, running=True)
    assert capture_runs(STATE._replace(capture=capture), NOW) == runs
