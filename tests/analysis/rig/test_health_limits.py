"""Each limit of a rig's health, at its absolute value: just inside is sound, just outside is told.

The limits are common practice, no source; each has its reason beside it in the code.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from coilbench.analysis.rig.health import (
    Health,
    Heard,
    Hints,
    _at_rest,
    _link_findings,
    _moved,
    _noise_findings,
    _rate_findings,
    _Rest,
    _running_finding,
    judge_health,
)
from coilbench.capture.blocks import RAW_DTYPE, RawBlock, SampleFlag
from coilbench.capture.calibration.statistics import noise_sd


def resting(n: int = 1000, load: object = None, hz: float = 80.0) -> NDArray[np.void]:
    samples = np.zeros(n, dtype=RAW_DTYPE)
    samples["seq"] = np.arange(n)
    samples["t_us"] = np.rint(np.arange(n) / hz * 1e6)
    noise = np.random.default_rng(7).normal(0.0, 100.0, n) if load is None else load
    samples["load_counts"] = np.rint(40_000 + np.asarray(noise))
    return samples


def judged(samples: NDArray[np.void]) -> Health:
    return judge_health(Heard(samples, nominal_hz=80.0, um_per_count=5.0))


def told(samples: NDArray[np.void], kind: str) -> bool:
    return kind in [finding.kind for finding in judged(samples).findings]


@pytest.mark.parametrize(
    ("hz", "said"), [(60.1, False), (59.9, True), (99.9, False), (100.1, True)]
)
def test_a_rate_may_differ_by_a_quarter(hz: float, said: bool) -> None:
    assert bool(list(_rate_findings(80.0, hz))) == said


@pytest.mark.parametrize(("bad", "said"), [(10, False), (11, True)])
def test_one_in_a_thousand_may_be_lost_or_damaged(bad: int, said: bool) -> None:
    lost = _link_findings(10_000 - bad, bad, 0, 0)
    damaged = _link_findings(10_000, 0, bad, 0)
    assert [f.kind for f in lost] == ["lost"] * said
    assert [f.kind for f in damaged] == ["bad_lines"] * said


@pytest.mark.parametrize(
    ("n", "torn", "said"), [(2000, 20, False), (2000, 21, True), (100, 8, False), (100, 9, True)]
)
def test_one_word_in_a_hundred_may_be_torn_and_eight_at_a_start(
    n: int, torn: int, said: bool
) -> None:
    samples = resting(n)
    samples["flags"][:torn] |= np.uint8(SampleFlag.LOAD_SUSPECT)
    assert told(samples, "torn_words") == said


@pytest.mark.parametrize(("n", "said"), [(20, False), (19, True)])
def test_twenty_samples_are_the_fewest_to_judge_by(n: int, said: bool) -> None:
    samples = resting(n)
    assert told(samples, "silent") == said
    assert (judged(samples).noise_counts is None) == said
    assert (_at_rest(samples) is None) == said
    assert told(resting(n, np.zeros(n)), "no_cell") != said


@pytest.mark.parametrize(("sd_counts", "said"), [(1000.0, False), (1001.0, True)])
def test_noise_of_a_thousand_counts_is_the_most(sd_counts: float, said: bool) -> None:
    assert [f.kind for f in _noise_findings(sd_counts, 0.0, 0.0)] == ["noise"] * said


@pytest.mark.parametrize("way", [1.0, -1.0])
@pytest.mark.parametrize(
    ("drift", "u", "said"),
    [(2000.0, 0.0, False), (2001.0, 0.0, True), (2990.0, 1000.0, False), (3010.0, 1000.0, True)],
)
def test_a_drift_is_told_above_two_thousand_counts_and_three_times_its_uncertainty(
    way: float, drift: float, u: float, said: bool
) -> None:
    assert [f.kind for f in _noise_findings(0.0, way * drift, u)] == ["drift"] * said


@pytest.mark.parametrize(("per_s", "said"), [(195.0, False), (205.0, True)])
def test_a_drift_is_over_ten_seconds(per_s: float, said: bool) -> None:
    samples = resting(load=per_s * np.arange(1000) / 80.0)
    assert judged(samples).drift_counts == pytest.approx(10.0 * per_s, rel=1e-3)
    assert told(samples, "drift") == said


@pytest.mark.parametrize(("gap_s", "said"), [(0.99, False), (1.01, True)])
def test_a_second_without_a_sample_is_a_gap(gap_s: float, said: bool) -> None:
    samples = resting()
    samples["t_us"][500:] += round((gap_s - 1 / 80) * 1e6)
    assert told(samples, "gap") == said


def swaying(sd_counts: float, ratio: float) -> NDArray[np.void]:
    """Samples that sway slowly, and jump to and fro by so little that sd is `ratio` times it."""
    n = 4000
    jump = sd_counts / ratio * np.sqrt(2.0) / 1.4826 / 2.0  # a jump of twice that, every sample
    sway = np.cos(2.0 * np.pi * 4.0 * np.arange(n) / n)
    size = np.sqrt(2.0 * (sd_counts**2 - jump**2))
    return resting(n, size * sway + jump * (-1.0) ** np.arange(n))


@pytest.mark.parametrize(
    ("sd_counts", "ratio", "said"),
    [(3000.0, 4.8, False), (3000.0, 5.2, True), (970.0, 20.0, False), (1030.0, 20.0, True)],
)
def test_a_hand_strays_five_times_as_far_as_the_noise_and_above_a_thousand_counts(
    sd_counts: float, ratio: float, said: bool
) -> None:
    samples = swaying(sd_counts, ratio)
    load = samples["load_counts"].astype(float)
    assert load.std() == pytest.approx(sd_counts, rel=0.01)
    assert load.std() / noise_sd(samples["load_counts"]) == pytest.approx(ratio, rel=0.02)
    assert told(samples, "disturbed") == said


@pytest.mark.parametrize(("counts", "said"), [(100, False), (101, True)])
def test_a_travel_of_half_a_millimetre_is_a_movement(counts: int, said: bool) -> None:
    samples = resting()
    samples["travel_counts"][500:] += counts  # of 5 um
    assert told(samples, "disturbed") == said
    went = _moved(samples, _Rest(40_000.0, 100.0, 0.0), 5.0)
    assert went.travel_counts == (counts if said else 0.0)


@pytest.mark.parametrize(("counts", "said"), [(50, False), (51, True)])
def test_a_travel_of_fifty_counts_is_a_movement_where_no_length_is_told(
    counts: int, said: bool
) -> None:
    samples = resting()
    samples["travel_counts"][500:] += counts
    went = _moved(samples, _Rest(40_000.0, 100.0, 0.0), None)
    assert went.travel_counts == (counts if said else 0.0)


@pytest.mark.parametrize(("counts", "said"), [(1990, False), (2010, True)])
def test_a_load_of_twenty_times_the_noise_is_a_movement(counts: int, said: bool) -> None:
    samples = resting(load=np.where(np.arange(1000) < 500, 0, counts))
    went = _moved(samples, _Rest(40_000.0, 100.0, 0.0), 5.0)
    assert went.load_counts == (counts if said else 0.0)


def test_noise_is_never_taken_below_a_counts_own_step() -> None:
    assert noise_sd(np.full(100, 7, dtype=np.int32)) == 0.5


def falling(correlation: float, travel_counts: int = 3000, sds: float = 500.0) -> NDArray[np.void]:
    """A press in which load falls over travel, with a slow sway across it."""
    n = 400
    down = np.linspace(-1.0, 1.0, n) * np.sqrt(3.0)
    across = np.cos(np.pi * np.arange(n) / n * 2.0) * np.sqrt(2.0)  # as large, and not related
    load = -correlation * down + np.sqrt(1.0 - correlation**2) * across
    noise = (-1.0) ** np.arange(n) * 4.0 * 1.4142 / 1.4826 / 2.0  # of 4 counts
    samples = resting(n, load / np.ptp(load) * sds * 4.0 + noise)
    samples["travel_counts"] = np.rint(np.linspace(0, travel_counts, n))
    return samples


@pytest.mark.parametrize(
    ("samples", "said"),
    [
        (falling(0.68), False),
        (falling(0.72), True),
        (falling(1.0, travel_counts=50), False),
        (falling(1.0, travel_counts=51), True),
        (falling(1.0, sds=18.0), False),
        (falling(1.0, sds=22.0), True),
    ],
)
def test_a_running_rig_is_backwards_where_both_move_clearly_and_against_each_other(
    samples: NDArray[np.void], said: bool
) -> None:
    assert (_running_finding(samples, None) is not None) == said


def heard_by(hints: Hints, samples: NDArray[np.void]) -> list[str]:
    hints.take([RawBlock(samples, 1)])
    return [finding.kind for finding in hints.news()]


@pytest.mark.parametrize(("seconds", "said"), [(1.9, []), (2.1, ["rate"])])
def test_a_rate_is_told_from_two_seconds(seconds: float, said: list[str]) -> None:
    assert heard_by(Hints(80.0, None), resting(round(seconds * 40.0), hz=40.0)) == said


@pytest.mark.parametrize(("seconds", "said"), [(4.9, ["backwards"]), (5.6, [])])
def test_what_is_told_comes_of_the_newest_five_seconds(seconds: float, said: list[str]) -> None:
    samples = resting(round(seconds * 80.0))
    pressed = np.minimum(np.arange(samples.size), 40)  # in the first half second
    samples["travel_counts"] = pressed * 100
    samples["load_counts"] -= pressed * 1000
    assert heard_by(Hints(80.0, None), samples) == said
