"""The outlier test: published examples and critical values, SciPy, and the rate that is kept."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from coilbench.analysis.sets.outliers import Esd, _critical_values, _kept_level, _most_outliers

DATA = Path(__file__).parents[2] / "data"


def column(name: str) -> list[float]:
    lines = (DATA / name).read_text(encoding="utf-8").splitlines()
    return [float(line) for line in lines if line[0] not in "#v"]


# ------------------------------------------------------------------------- published


def test_rosner_critical_values_of_the_54_points() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.17.3: lambda of steps 1 to 10 at alpha 0.05, n 54."""
    published = [3.158, 3.151, 3.143, 3.136, 3.128, 3.120, 3.111, 3.103, 3.094, 3.085]
    # printed cut off, not rounded
    assert _critical_values(54, 10, 0.05) == pytest.approx(published, abs=0.001)


def test_rosner_statistics_and_outliers_of_the_54_points() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.17.3 (Rosner 1983): R of ten steps; three are outliers."""
    points = column("rosner54.csv")
    assert len(points) == 54
    esd = Esd.of(points, 0.05)
    assert esd is not None
    published = [3.118, 2.942, 3.179, 2.810, 2.815, 2.848, 2.279, 2.310, 2.101, 2.067]
    assert esd.statistics == pytest.approx(published, abs=0.0011)
    # neither of the first two steps exceeds its limit: the third one decides for all three
    assert [s > limit for s, limit in zip(esd.statistics, esd.limits, strict=True)][:4] == [
        False,
        False,
        True,
        False,
    ]
    assert esd.found == 3
    assert esd.deciding == 2
    assert sorted(points[i] for i in esd.outliers) == sorted(points)[-3:]


def test_grubbs_of_the_mass_spectrometer() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.17.1 (Tietjen and Moore 1972): G 2.4687, critical 2.032."""
    readings = column("grubbs_mass.csv")
    # published for one side at 0.05, which is two sides at 0.10
    assert _critical_values(8, 1, 0.10)[0] == pytest.approx(2.032, abs=0.0005)
    esd = Esd.of(readings, 0.05)
    assert esd is not None
    assert esd.statistics[0] == pytest.approx(2.468765, abs=1e-6)
    assert [readings[i] for i in esd.outliers] == [245.57]


@pytest.mark.parametrize(
    ("count", "critical"), [(5, 1.715), (8, 2.126), (12, 2.412), (16, 2.586), (20, 2.708)]
)
def test_grubbs_two_sided_critical_values(count: int, critical: float) -> None:
    """Grubbs' table for both sides at 0.05, from memory; recomputed here with SciPy's t."""
    t = stats.t.ppf(1.0 - 0.05 / (2.0 * count), count - 2)
    formula = (count - 1) / math.sqrt(count) * math.sqrt(t**2 / (count - 2 + t**2))
    assert _critical_values(count, 1, 0.05)[0] == pytest.approx(formula, rel=1e-12)
    assert formula == pytest.approx(critical, abs=0.0015)


# ------------------------------------------------------------------------- the rate that is kept


@pytest.mark.parametrize("count", [5, 8, 12, 16, 30])
def test_a_sound_set_raises_the_alarms_asked_for(count: int) -> None:
    """1000 sets of normal values: as many alarms as a binomial count may have, 1 in 10000 out."""
    rng = np.random.default_rng([count, 7])
    sets = rng.normal(100.0, 2.0, (1000, count))
    alarms = sum(bool(esd.found) for one in sets if (esd := Esd.of(one.tolist(), 0.05)))
    low, high = stats.binom.interval(0.9999, 1000, 0.05)
    assert low <= alarms <= high


def test_uncorrected_critical_values_would_alarm_twice_as_often() -> None:
    """Why _kept_level is there; an independent count for eight values, three steps."""
    rng = np.random.default_rng(11)
    limits = _critical_values(8, 3, 0.05)
    alarms = 0
    for values in rng.normal(size=(1000, 8)):
        for limit in limits:
            z = np.abs(stats.zscore(values, ddof=1))
            if z.max() > limit:
                alarms += 1
                break
            values = np.delete(values, np.argmax(z))
    assert alarms / 1000 > 0.08
    assert _kept_level(8, 0.05) == pytest.approx(0.024)


# ------------------------------------------------------------------------- how it behaves


def test_how_many_are_looked_for() -> None:
    assert [_most_outliers(n) for n in (5, 6, 8, 11, 12, 14, 16, 40)] == [2, 2, 3, 4, 4, 5, 5, 10]
    assert all(2 * _most_outliers(n) < n for n in range(5, 60))


def test_outliers_hide_neither_each_other_nor_behind_the_mean() -> None:
    sound = [100.2, 99.7, 100.4, 99.9, 100.1, 99.6, 100.3, 99.8, 100.0]
    for tired in ([92.0], [92.0, 91.5], [92.0, 91.5, 91.8], [92.0, 108.0]):
        esd = Esd.of([*sound, *tired], 0.0125)
        assert esd is not None
        assert esd.outliers == set(range(9, 9 + len(tired)))
        expected = (np.array(tired) - np.mean(sound)) / np.std(sound, ddof=1)
        assert esd.scores[9:] == pytest.approx(expected)


def test_few_values_or_equal_ones() -> None:
    assert Esd.of([1.0, 1.0, 1.0, 9.0], 0.05) is None
    alike = Esd.of([3.1] * 6, 0.05)
    assert alike is not None
    assert alike.found == 0
    assert alike.scores == (0.0,) * 6
    one_off = Esd.of([3.1] * 6 + [3.2], 0.05)
    assert one_off is not None
    assert one_off.outliers == {6}
    assert one_off.scores[6] == math.inf
    # by less than it could be measured
    unsure = Esd.of([3.1] * 6 + [3.2], 0.05, least_sd=0.05)
    assert unsure is not None
    assert unsure.found == 0


values_of_sets = st.lists(st.floats(100.0, 500.0), min_size=5, max_size=16)


@given(values_of_sets, st.floats(0.0, 20.0))
@settings(max_examples=50)
def test_first_statistic_against_scipy(values: list[float], least_sd: float) -> None:
    esd = Esd.of(values, 0.05, least_sd)
    assert esd is not None
    if np.ptp(values) < 1e-6:
        return
    sd = max(float(stats.tstd(values)), least_sd)
    largest = float(np.abs(np.array(values) - stats.tmean(values)).max()) / sd
    assert esd.statistics[0] == pytest.approx(largest, rel=1e-6, abs=1e-6)


@given(values_of_sets, st.randoms(use_true_random=False))
@settings(max_examples=50)
def test_order_does_not_matter_and_both_sides_are_alike(
    values: list[float], random: np.random.Generator
) -> None:
    if len(set(values)) < len(values):
        return
    esd = Esd.of(values, 0.05)
    turned = Esd.of([-value for value in values], 0.05)
    mixed = list(values)
    random.shuffle(mixed)
    again = Esd.of(mixed, 0.05)
    assert esd is not None
    assert turned is not None
    assert again is not None
    assert turned.statistics == pytest.approx(esd.statistics, rel=1e-9)
    assert again.statistics == pytest.approx(esd.statistics, rel=1e-6)
