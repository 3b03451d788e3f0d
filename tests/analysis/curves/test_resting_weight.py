"""A cup that lies on the spring while the zero is taken: the virtual rig knows the truth."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from bench_days import Day, World, draw_day
from bench_metrology import heights_mm, sweeps_of
from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.lag import undo_lag
from coilbench.analysis.curves.load_budget import typical_budget, typical_load_n
from coilbench.capture.virtual.instrument import RigModel

CUP_N = 0.15 * 9.80665
PAIRS = 8


@pytest.fixture(scope="module")
def days() -> list[Day]:
    """Days at rigs whose upper cup weighs 0.15 kg."""
    drawn = RigModel.draw
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(RigModel, "draw", lambda seed: replace(drawn(seed), rests_n=CUP_N))
        return [draw_day(World("with a cup"), seed) for seed in range(700, 700 + PAIRS)]


def curve(day: Day, rests_n: float | None) -> SpringCurve:
    calibration = day.calibration()
    sweeps = [
        replace(sweep, rig=None if sweep.rig is None else replace(sweep.rig, rests_n=rests_n))
        for sweep in sweeps_of(day, calibration)["00"]
    ]
    return fit_curve("00", undo_lag({"00": sweeps})["00"])


def misses_n(days: list[Day], rests_n: float | None) -> list[tuple[float, float]]:
    """(error, expanded uncertainty) of the loads at both heights of each day."""
    found = []
    for day in days:
        made, spring = curve(day, rests_n), day.springs[0]
        for height_mm in heights_mm(spring):
            reading = made.load_at(height_mm)
            error_n = reading.load_n - float(spring.load_n(height_mm))
            found.append((error_n, reading.load_u_n))
    return found


def test_told_weight_brings_the_truth_back(days: list[Day]) -> None:
    """Of 16 loads at 95 %, fewer than 12 inside come once in 700."""
    errors = misses_n(days, CUP_N)
    assert sum(abs(error_n) <= u_n for error_n, u_n in errors) >= 12
    assert abs(sum(error_n for error_n, _ in errors) / len(errors)) < 0.2


def test_untold_weight_is_missing_from_every_load(days: list[Day]) -> None:
    errors = misses_n(days, None)
    mean_n = sum(error_n for error_n, _ in errors) / len(errors)
    assert mean_n == pytest.approx(-CUP_N, abs=0.2)
    assert not any(abs(error_n) <= u_n for error_n, u_n in errors)


def test_budget_names_it_only_where_there_is_some(days: list[Day]) -> None:
    day = days[0]
    height_mm = heights_mm(day.springs[0])[0]
    sources = {
        rests_n: {line.source: line for line in curve(day, rests_n).load_at(height_mm).budget.lines}
        for rests_n in (None, 0.0, CUP_N)
    }
    name = "resting_weight"
    assert name not in sources[None]
    assert name not in sources[0.0]
    # A kitchen scale good to 5 g, k = 2.
    assert sources[CUP_N][name].contribution_n == pytest.approx(0.0025 * 9.80665)


def test_free_length_counts_what_the_cup_had_pressed(days: list[Day]) -> None:
    """First contact of the pusher lies lower by what the cup presses; 0.1 mm here."""
    told = [curve(day, CUP_N).free_length_mm for day in days]
    untold = [curve(day, None).free_length_mm for day in days]
    shifts = [a - b for a, b in zip(told, untold, strict=True) if a is not None and b is not None]
    assert len(shifts) == PAIRS
    for shift, day in zip(shifts, days, strict=True):
        softest = 0.5 * day.springs[0].rate_n_per_mm
        assert 0.0 < shift < CUP_N / softest


def test_cards_typical_budget_has_cup_and_gain(days: list[Day]) -> None:
    made = days[0].calibration()
    plain = typical_budget(made)
    told = typical_budget(made, rests_n=CUP_N, gain_u_relative=2e-3)
    lines = {line.source: line for line in told.lines}
    assert {"resting_weight", "gain_since"} == set(lines) - {line.source for line in plain.lines}
    # In proportion to what the cell bears: the load less the cup.
    borne_n = typical_load_n(made) - CUP_N
    assert lines["gain_since"].contribution_n == pytest.approx(2e-3 * borne_n)
