"""The model of a set against brute force: dense conditioning, every case, densities by SciPy."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from scipy.integrate import quad
from scipy.special import betaln
from scipy.stats import multivariate_normal

from coilbench.analysis.engine import press_model
from coilbench.analysis.engine.press_model import (
    KINDS,
    TIRED_CHANCE,
    TIRED_OF,
    Expected,
    Kind,
    Loads,
    PressReading,
    SetModel,
    fit_set,
    wander_cov,
)

LABELS = ("a", "b", "c", "d", "e", "f")
CARD = Expected(700.0, 34.0)
SHUT_MM, CENTRE_MM = 38.0, 33.0


def load_n(height_mm: float, factor: float = 1.0) -> float:
    return factor * (330.0 + 25.0 * (SHUT_MM - height_mm))


def some_readings(*, tired: str = "", seed: int = 1) -> list[PressReading]:
    """Each spring but the last, twice; `tired` ones lost a tenth."""
    rng = np.random.default_rng(seed)
    return [
        PressReading(label, mm, load_n(mm, 0.9 if label in tired else 1.0) + rng.normal(0, 2), 2.0)
        for label in LABELS[:-1]
        for mm in (38.0, 27.5)
    ]


def fitted(readings: list[PressReading]) -> SetModel:
    return fit_set(LABELS, readings, SHUT_MM, CENTRE_MM, CARD)


def dense_prior(
    model: SetModel,
    kind: Kind,
    tired: np.ndarray,
    heights: np.ndarray,
    weights: np.ndarray,
    steps: int = 400,
):
    """Mean and covariance from the model's words: a random walk summed in small steps, and every
    spring's deviation by its own two numbers, sound or tired."""
    low, high = heights.min() - 0.5, heights.max() + 0.5
    edges = np.linspace(low, high, steps + 1)
    middles, width = 0.5 * (edges[1:] + edges[:-1]), edges[1] - edges[0]
    rate = abs(model.line[1])
    features = [np.ones_like(heights) * model.vague.load_n]
    features += [(heights - model.centre_mm) * model.vague.rate_n_per_mm]
    for mm in middles:  # a step of the slope at mm moves all loads beyond it, seen from the centre
        beyond = (heights - mm) if mm > model.centre_mm else (mm - heights)
        features.append(press_model.WANDER * rate * math.sqrt(width) * np.maximum(beyond, 0.0))
    line = model.line[0] + model.line[1] * (heights - model.centre_mm)
    mean = line.copy()
    cov = np.stack(features).T @ np.stack(features)
    sound = np.diag([kind.scatter**2, (press_model.LENGTH_SCATTER_MM * rate) ** 2])
    for at in range(len(model.labels)):
        own_mean, own_cov = tired_moments(model, sound) if tired[at] else (np.zeros(2), sound)
        moves = weights[:, at, None] * np.stack([line, np.ones_like(line)], axis=1)
        mean += moves @ own_mean
        cov += moves @ own_cov @ moves.T
    return mean, cov


def tired_moments(model: SetModel, sound: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """A share of the loss is the factor's, the rest an offset, each a little more or less."""
    share, sd = press_model.TIRED_SHARE, press_model.TIRED_LOSS_SD
    loss = -np.array([share, (1 - share) * model.shut_n])
    cov = sound + sd**2 * np.outer(loss, loss)
    cov = cov + np.diag([(sd / 2) ** 2, (sd * model.shut_n / 2) ** 2])
    return press_model.TIRED_LOSS * loss, cov


def seen_and_asked(
    model: SetModel, kind: Kind, tired: np.ndarray, heights: np.ndarray, weights: np.ndarray
):
    """Textbook conditioning of a joint normal, whole matrices, and the readings' log density."""
    read_mm = np.array([each.height_mm for each in model.readings])
    owner = np.array([[each.label == label for label in LABELS] for each in model.readings], float)
    mean, cov = dense_prior(
        model, kind, tired, np.concatenate([heights, read_mm]), np.concatenate([weights, owner])
    )
    m = len(heights)
    noise = np.diag([(kind.repeat * each.u_n) ** 2 for each in model.readings])
    seen = cov[m:, m:] + noise
    off = np.array([each.load_n for each in model.readings]) - mean[m:]
    gain = cov[:m, m:] @ np.linalg.inv(seen)
    log = multivariate_normal.logpdf(off, cov=seen)
    return mean[:m] + gain @ off, cov[:m, :m] - gain @ cov[m:, :m], log


def case_cov_n2(found: Loads, case: int) -> np.ndarray:
    return found.rest_n2 + found.root_n[case] @ found.root_n[case].T


def test_the_walk_of_the_slope_is_the_integral_it_is_said_to_be() -> None:
    """Rasmussen and Williams (2006), eq. 6.28: the integral of (x-u)(y-u) from 0 to the nearer."""
    for x, y in ((2.0, 5.0), (3.0, 3.0), (-1.0, -4.0), (-2.0, 3.0), (0.0, 4.0)):
        near = min(abs(x), abs(y)) if x * y > 0 else 0.0
        wanted = 0.7 * quad(lambda u, x=x, y=y: (abs(x) - u) * (abs(y) - u), 0.0, near)[0]
        assert wander_cov(np.array([x]), np.array([y]), 0.7)[0, 0] == pytest.approx(wanted)


@pytest.mark.parametrize("tired", ["", "c", "bd"])
def test_loads_of_each_case_are_those_of_dense_conditioning(tired: str) -> None:
    model = fitted(some_readings(tired=tired))
    means, springs = np.array([27.0, 29.0, 33.5, 38.5]), [28.0, 37.5]
    found = model.mean_and_springs(means, springs)
    heights = np.concatenate([means, np.tile(springs, 6)])
    for case in (0, len(found.weight) // 2):
        out = model.cases.tired[case]
        sound = np.where(out, press_model.LEAST_WEIGHT, 1.0)
        weights = np.concatenate([np.tile(sound / sound.sum(), (4, 1)), np.eye(6).repeat(2, 0)])
        kind = KINDS[model.cases.kind[case]]
        mean, cov, _ = seen_and_asked(model, kind, out, heights, weights)
        assert found.mean_n[case] == pytest.approx(mean, abs=0.05)
        assert case_cov_n2(found, case) == pytest.approx(cov, abs=0.01 * np.abs(cov).max())


@pytest.mark.parametrize("tired", ["", "c", "bd"])
def test_cases_are_weighed_by_bayes_rule(monkeypatch: pytest.MonkeyPatch, tired: str) -> None:
    """Every case there is, by SciPy's densities; tired ones as by a beta-binomial prior."""
    monkeypatch.setattr(press_model, "MOST_CASES", 10_000)
    monkeypatch.setattr(press_model, "LEAST_LOG", -math.inf)
    readings = [each for each in some_readings(tired=tired) if each.label in "abcd"]
    model = fitted(readings)
    nothing = np.zeros((1, 6))
    logs, chances = [], []
    for kind, which in product(KINDS, product([False, True], repeat=4)):
        out = np.array([*which, False, False])
        k, (start, of) = sum(which), TIRED_OF
        log = betaln(start + k, of - start + 4 - k) - betaln(start, of - start)
        log -= (
            0.5 * (math.log(kind.scatter / press_model.SCATTER) / press_model.SCATTER_LOG_SD) ** 2
        )
        log -= 0.5 * (math.log(kind.repeat) / press_model.REPEAT_LOG_SD) ** 2
        logs.append(log + seen_and_asked(model, kind, out, np.array([30.0]), nothing)[2])
        chances.append(out)
    weight = np.exp(np.array(logs) - max(logs))
    wanted = weight @ np.array(chances) / weight.sum()
    assert len(model.cases.weight) == len(logs)
    assert model.tired[:4] == pytest.approx(wanted[:4], abs=2e-3)
    assert list(model.tired[4:]) == [TIRED_CHANCE] * 2  # were not read
    monkeypatch.undo()
    assert fitted(readings).tired[:4] == pytest.approx(wanted[:4], abs=0.02)  # the likeliest alone


def test_a_mixture_is_drawn_and_merged_as_it_is() -> None:
    """Against each normal drawn apart, by its weight."""
    model = fitted(some_readings(tired="c")[:6])
    found = model.mean_loads(np.array([28.0, 37.0, 38.5]))
    rng = np.random.default_rng(4)
    each = [
        rng.multivariate_normal(found.mean_n[case], case_cov_n2(found, case), round(40_000 * share))
        for case, share in enumerate(found.weight)
    ]
    apart = np.concatenate(each)
    drawn = found.drawn(20_000, rng)
    for sample in (apart, drawn):
        assert sample.mean(axis=0) == pytest.approx(found.merged_n, abs=0.2)
        assert np.cov(sample.T) == pytest.approx(found.merged_cov_n2, rel=0.06)
    tails = [1.0, 99.0]
    wanted = np.percentile(apart, tails, axis=0)
    assert np.percentile(drawn, tails, axis=0) == pytest.approx(wanted, rel=5e-3)


def test_a_tired_spring_is_found_and_left_out_of_the_mean() -> None:
    model = fitted(some_readings(tired="c"))
    assert model.tired[2] > 0.97
    assert max(np.delete(model.tired, 2)[:4]) < 0.05
    mean = model.mean_loads(np.array([28.0, 38.0])).merged_n
    assert mean == pytest.approx([load_n(28.0), load_n(38.0)], abs=4.0)


def test_two_tired_springs_of_five_do_not_hide_each_other() -> None:
    """Taken for scatter they would be: each is then within three times of what all scatter."""
    model = fitted(some_readings(tired="bd"))
    assert min(model.tired[[1, 3]]) > 0.9
    assert max(model.tired[[0, 2, 4]]) < 0.1


def test_doubt_which_springs_are_sound_widens_the_mean() -> None:
    """Two springs were read and differ by a tenth: either the set is as one, or as the other."""
    few = [each for each in some_readings(tired="b") if each.label in "ab"]
    alike = [each for each in some_readings() if each.label in "ab"]
    heights = np.array([28.0, 38.0])
    sd, alike_sd = (
        np.sqrt(np.diag(fitted(each).mean_loads(heights).merged_cov_n2)) for each in (few, alike)
    )
    assert np.all(sd > 1.5 * alike_sd)


def test_a_set_that_was_not_read_is_only_vaguely_known() -> None:
    model = fitted([])
    found = model.mean_loads(np.array([28.0, 38.0]))
    assert np.all(np.sqrt(np.diag(found.merged_cov_n2)) > 0.9 * CARD.load_n)


heights_mm = st.floats(26.0, 39.0)
a_reading = st.builds(
    PressReading, st.sampled_from(LABELS), heights_mm, st.floats(300.0, 650.0), st.floats(0.5, 5.0)
)


@settings(deadline=None, max_examples=40)
@given(st.lists(a_reading, max_size=12), a_reading)
def test_any_readings_give_loads(readings: list[PressReading], more: PressReading) -> None:
    """However odd: weights that sum to 1, and covariances that can be drawn from."""
    start = replace(fitted([]), line=(455.0, -25.0))
    model = replace(start, readings=(*readings, more))
    assert model.cases.weight.sum() == pytest.approx(1.0)
    assert np.all((model.tired >= 0.0) & (model.tired <= 1.0))
    found = model.mean_and_springs(np.array([38.0]), [more.height_mm])
    assert np.all(np.isfinite(found.merged_n))
    values = np.linalg.eigvalsh(found.merged_cov_n2)
    assert values.min() > -1e-6 * values.max()
    assert np.all(np.isfinite(found.drawn(10, np.random.default_rng(1))))


@settings(deadline=None, max_examples=25)
@given(st.permutations(range(10)), st.sampled_from(["", "b"]))
def test_the_order_of_readings_changes_nothing(order: list[int], tired: str) -> None:
    readings = some_readings(tired=tired)
    one, other = fitted(readings), fitted([readings[at] for at in order])
    heights = np.array([28.0, 38.0])
    assert list(other.tired) == list(one.tired)
    first, second = one.mean_loads(heights), other.mean_loads(heights)
    assert list(second.merged_n) == list(first.merged_n)


def test_how_far_a_spring_is_below_its_set_is_what_it_lost() -> None:
    model = fitted(some_readings(tired="c"))
    assert model.below_set("c") == pytest.approx(0.1, abs=0.015)
    assert abs(model.below_set("a")) < 0.02
