"""The model of a set against brute force: dense conditioning, leaving out, densities by SciPy."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import multivariate_normal

from coilbench.analysis.engine import press_model
from coilbench.analysis.engine.press_model import (
    Expected,
    PressReading,
    SetModel,
    Sought,
    fit_set,
    wander_cov,
)

LABELS = ("a", "b", "c", "d", "e", "f")
CARD = Expected(700.0, 34.0)
SHUT_MM, CENTRE_MM = 38.0, 33.0


def load_n(height_mm: float, factor: float = 1.0) -> float:
    return factor * (330.0 + 25.0 * (SHUT_MM - height_mm))


def some_readings(*, tired: str = "", seed: int = 1) -> list[PressReading]:
    """Each spring but the last, twice; `tired` lost a tenth."""
    rng = np.random.default_rng(seed)
    return [
        PressReading(label, mm, load_n(mm, 0.9 if label == tired else 1.0) + rng.normal(0, 2), 2.0)
        for label in LABELS[:-1]
        for mm in (38.0, 27.5)
    ]


def fitted(readings: list[PressReading]) -> SetModel:
    return fit_set(LABELS, readings, SHUT_MM, CENTRE_MM, CARD)


def dense_prior(model: SetModel, heights: np.ndarray, weights: np.ndarray, steps: int = 400):
    """Mean and covariance from the model's words: a random walk summed in small steps, and every
    spring's deviation by its own two numbers, the two components merged by their moments."""
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
    read = {each.label for each in model.readings}
    length_n = press_model.LENGTH_SCATTER_MM * rate
    for at, label in enumerate(model.labels):
        p = model.tired[at] if label in read else 0.0
        first, second = tired_moments(model)
        sound = np.diag([model.scatter**2, length_n**2])
        own_mean = p * first
        own_cov = (
            (1 - p) * sound + p * (second + np.outer(first, first)) - np.outer(own_mean, own_mean)
        )
        moves = weights[:, at, None] * np.stack([line, np.ones_like(line)], axis=1)
        mean += moves @ own_mean
        cov += moves @ own_cov @ moves.T
    return mean, cov


def tired_moments(model: SetModel) -> tuple[np.ndarray, np.ndarray]:
    """A share of the loss is the factor's, the rest an offset, each a little more or less."""
    share, sd = press_model.TIRED_SHARE, press_model.TIRED_LOSS_SD
    loss = -np.array([share, (1 - share) * model.shut_n])
    length_n = press_model.LENGTH_SCATTER_MM * abs(model.line[1])
    cov = np.diag([model.scatter**2, length_n**2]) + sd**2 * np.outer(loss, loss)
    cov += np.diag([(sd / 2) ** 2, (sd * model.shut_n / 2) ** 2])
    return press_model.TIRED_LOSS * loss, cov


def conditioned(model: SetModel, heights: np.ndarray, weights: np.ndarray):
    """Textbook conditioning of a joint normal, whole matrices (JCGM needs none of it)."""
    read_mm = np.array([each.height_mm for each in model.readings])
    owner = np.array([[each.label == label for label in LABELS] for each in model.readings], float)
    mean, cov = dense_prior(
        model, np.concatenate([heights, read_mm]), np.concatenate([weights, owner])
    )
    m = len(heights)
    noise = np.diag([each.u_n**2 for each in model.readings])
    seen = cov[m:, m:] + noise
    off = np.array([each.load_n for each in model.readings]) - mean[m:]
    gain = cov[:m, m:] @ np.linalg.inv(seen)
    return mean[:m] + gain @ off, cov[:m, :m] - gain @ cov[m:, :m], seen, off


def test_the_walk_of_the_slope_is_the_integral_it_is_said_to_be() -> None:
    """Rasmussen and Williams (2006), eq. 6.28: the integral of (x-u)(y-u) from 0 to the nearer."""
    for x, y in ((2.0, 5.0), (3.0, 3.0), (-1.0, -4.0), (-2.0, 3.0), (0.0, 4.0)):
        near = min(abs(x), abs(y)) if x * y > 0 else 0.0
        wanted = 0.7 * quad(lambda u, x=x, y=y: (abs(x) - u) * (abs(y) - u), 0.0, near)[0]
        assert wander_cov(np.array([x]), np.array([y]), 0.7)[0, 0] == pytest.approx(wanted)


@pytest.mark.parametrize("tired", ["", "c"])
def test_loads_are_those_of_dense_conditioning(tired: str) -> None:
    model = fitted(some_readings(tired=tired))
    heights = np.array([27.0, 29.0, 33.5, 37.0, 38.5, 28.0, 37.5])
    weights = np.zeros((7, 6))
    weights[:5] = model.mean_of_sound(heights[:5]).weight
    weights[5, 2] = weights[6, 5] = 1.0
    mean, cov, _, _ = conditioned(model, heights, weights)
    found = model.loads(Sought(heights, weights))
    assert found.mean_n == pytest.approx(mean, abs=0.02)
    assert np.sqrt(np.diag(found.cov_n2)) == pytest.approx(np.sqrt(np.diag(cov)), rel=5e-3)


def test_the_chance_of_being_tired_is_bayes_rule_by_the_other_springs() -> None:
    """With each spring's readings left out of the model, by SciPy's normal densities."""
    model = fitted(some_readings(tired="c"))
    found = model.weighed()
    for at, label in enumerate(LABELS[:-1]):
        own = [each for each in model.readings if each.label == label]
        others = replace(model, readings=tuple(e for e in model.readings if e.label != label))
        heights = np.array([each.height_mm for each in own])
        curve = others.loads(Sought(heights, np.zeros((len(own), 6))))
        line = model.line[0] + model.line[1] * (heights - model.centre_mm)
        moves = np.stack([line, np.ones_like(line)], axis=1)
        length_n = press_model.LENGTH_SCATTER_MM * abs(model.line[1])
        noise = np.diag([each.u_n**2 for each in own])
        first, second = tired_moments(model)
        densities = [
            multivariate_normal.logpdf(
                [each.load_n for each in own],
                curve.mean_n + moves @ mean,
                curve.cov_n2 + moves @ spread @ moves.T + noise,
            )
            for mean, spread in (
                (np.zeros(2), np.diag([model.scatter**2, length_n**2])),
                (first, second),
            )
        ]
        odds = press_model.TIRED_CHANCE / (1 - press_model.TIRED_CHANCE)
        odds *= math.exp(densities[1] - densities[0])
        assert found[at] == pytest.approx(odds / (1 + odds), rel=1e-5, abs=1e-9)
    assert found[-1] == press_model.TIRED_CHANCE  # was not read


def test_evidence_is_the_density_of_what_was_read() -> None:
    """Differences between scatters, by SciPy; what it costs to call springs tired left out."""
    model = replace(fitted(some_readings()), tired=np.full(6, press_model.TIRED_CHANCE))
    wanted, found = [], []
    for scatter in (0.01, 0.03):
        one = replace(model, scatter=scatter)
        _, _, seen, off = conditioned(one, np.array([30.0]), np.zeros((1, 6)))
        prior = math.log(scatter / press_model.SCATTER) / press_model.SCATTER_LOG_SD
        wanted.append(multivariate_normal.logpdf(off, cov=seen) - 0.5 * prior**2)
        found.append(one.log_evidence)
    assert found[1] - found[0] == pytest.approx(wanted[1] - wanted[0], abs=0.02)


def test_a_tired_spring_is_found_and_left_out_of_the_mean() -> None:
    model = fitted(some_readings(tired="c"))
    assert model.tired[2] > 0.99
    assert max(np.delete(model.tired, 2)[:4]) < 0.05
    heights = np.array([28.0, 38.0])
    mean = model.mean_loads(heights).mean_n
    assert mean == pytest.approx([load_n(28.0), load_n(38.0)], abs=4.0)
    assert model.mean_of_sound(heights).weight[0, 2] < 0.01


def test_doubt_which_springs_are_sound_widens_the_mean() -> None:
    model = fitted(some_readings(tired="c"))
    heights = np.array([28.0, 38.0])
    doubtful = replace(model, tired=np.where(np.arange(6) == 2, 0.5, model.tired))
    plain = doubtful.loads(doubtful.mean_of_sound(heights)).cov_n2
    assert np.all(np.diag(doubtful.mean_loads(heights).cov_n2) > np.diag(plain) + 1.0)


def test_a_set_that_was_not_read_is_only_vaguely_known() -> None:
    model = fitted([])
    found = model.mean_loads(np.array([28.0, 38.0]))
    assert np.all(np.sqrt(np.diag(found.cov_n2)) > 0.9 * CARD.load_n)


heights_mm = st.floats(26.0, 39.0)
a_reading = st.builds(
    PressReading, st.sampled_from(LABELS), heights_mm, st.floats(300.0, 650.0), st.floats(0.5, 5.0)
)


@settings(deadline=None, max_examples=60)
@given(st.lists(a_reading, min_size=1, max_size=12), a_reading)
def test_a_reading_never_makes_less_sure(readings: list[PressReading], more: PressReading) -> None:
    """With who is tired held: of the spring it is of, and of every mean."""
    start = replace(fitted([]), line=(455.0, -25.0), tired=np.zeros(6))
    before = replace(start, readings=tuple(readings))
    after = replace(start, readings=(*readings, more))
    sought = before.springs_at([more.height_mm]).and_also(before.mean_of_sound(np.array([38.0])))
    narrower = np.diag(before.loads(sought).cov_n2) - np.diag(after.loads(sought).cov_n2)
    beforehand = np.diag(start.loads(sought).cov_n2).max()
    assert np.all(narrower > -1e-8 * beforehand)  # what the arithmetic of such spreads leaves


@settings(deadline=None, max_examples=25)
@given(st.permutations(range(10)), st.sampled_from(["", "b"]))
def test_the_order_of_readings_changes_nothing(order: list[int], tired: str) -> None:
    readings = some_readings(tired=tired)
    one, other = fitted(readings), fitted([readings[at] for at in order])
    heights = np.array([28.0, 38.0])
    assert other.scatter == one.scatter
    assert other.tired == pytest.approx(one.tired, abs=1e-6)
    first, second = one.mean_loads(heights), other.mean_loads(heights)
    assert second.mean_n == pytest.approx(first.mean_n, abs=1e-4)
    assert second.cov_n2 == pytest.approx(first.cov_n2, rel=1e-4)


def test_how_far_a_spring_is_below_its_set_is_what_it_lost() -> None:
    model = fitted(some_readings(tired="c"))
    assert model.below_set("c") == pytest.approx(0.1, abs=0.015)
    assert abs(model.below_set("a")) < 0.02
