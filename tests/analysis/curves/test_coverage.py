"""The claim, small: unbiased loads whose intervals hold the truth (tests/bench has it all)."""

from __future__ import annotations

import pytest
from scipy import stats

from bench_days import Day, World, draw_day
from bench_metrology import USUAL, Row, row_of, run, two_points, whole_chain, without_lag
from support.shared import reckoned_once

PAIRS = 40


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[Day], Row]:
    def measure() -> tuple[list[Day], Row]:
        days = [draw_day(USUAL, seed) for seed in range(500, 500 + PAIRS)]
        return days, row_of([whole_chain(day, 0) for day in days])

    return reckoned_once(tmp_path_factory, "usual-days", measure)


@pytest.fixture(scope="module")
def days(measured: tuple[list[Day], Row]) -> list[Day]:
    return measured[0]


@pytest.fixture(scope="module")
def usual(measured: tuple[list[Day], Row]) -> Row:
    return measured[1]


def test_intervals_hold_the_truth_and_are_not_idle(usual: Row) -> None:
    """Of 40 at 95 %, fewer than 33 come once in 10 000; and a mean error of 0.2 N is no promise
    of 1 N: the intervals are at most 3.5 times the errors' RMSE, where 2 is exact."""
    least = stats.binom.ppf(1e-4, PAIRS, 0.95) / PAIRS
    for covered, u_n, rmse_n in zip(usual.coverage, usual.u_n, usual.rmse_n, strict=True):
        assert covered >= least
        assert u_n < 3.5 * rmse_n
    assert usual.rate_coverage >= least


def test_loads_are_unbiased(usual: Row) -> None:
    """Of about 250 and 410 N; the mean of 40 errors of RMSE 0.1 and 0.2 N is known to a sixth."""
    for bias_n, rmse_n in zip(usual.bias_n, usual.rmse_n, strict=True):
        assert abs(bias_n) < 4.0 * rmse_n / PAIRS**0.5 + 0.05
    assert max(usual.rmse_n) < 0.3


def test_the_rate_is_near_its_bound(usual: Row) -> None:
    """A ratio of RMSE over 40 pairs is known to 11 % (1/sqrt(2 n)): 1.2 and 3 of these."""
    assert usual.rate_ratio < 1.2 * (1.0 + 3.0 / (2.0 * PAIRS) ** 0.5)


def test_simpler_ways_are_worse(days: list[Day], usual: Row) -> None:
    for way in (two_points, without_lag):
        assert row_of([way(day, 0) for day in days]).rmse_n[0] > 3.0 * usual.rmse_n[0]


@pytest.mark.parametrize(
    "world",
    [
        World("pole", shape="pole", filter_conversions=6),
        World("delay", shape="delay"),
        World("coarse", travel_step_counts=10, friction=4.0, springs=2),
        World("slow ADC", rate_hz=10.0, hands=(USUAL.hands[-1],)),
        World("power", flex="power", bend=10.0, creep=5.0),
    ],
    ids=lambda world: world.name,
)
def test_other_rigs_than_ours_are_held_too(world: World) -> None:
    row = run(world, 12, whole_chain, first_seed=900)
    least = stats.binom.ppf(1e-4, row.pairs, 0.95) / row.pairs
    assert min(*row.coverage, row.rate_coverage) >= least
    assert max(row.rmse_n) < 0.5
