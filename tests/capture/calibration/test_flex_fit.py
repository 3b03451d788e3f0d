"""Press flex from a press whose give is known, since the test made it."""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from coilbench.capture.calibration.flex_fit import flex_part
from coilbench.capture.calibration.known_points import MOST_GIVE_MM_PER_N, FlexPoint
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.polynomial import PolynomialFit, evaluate
from coilbench.capture.errors import CoilbenchError

N_PER_COUNT, ZERO_N = 0.005, -250.0
MM_PER_COUNT, TOP_MM = 0.01, 60.0


def exact(*coefficients: float) -> PolynomialFit:
    size = len(coefficients)
    return PolynomialFit(coefficients, ((0.0,) * size,) * size, 0.0, 0.0, 2e5, 10)


LOAD, TRAVEL = exact(ZERO_N, N_PER_COUNT), exact(TOP_MM, -MM_PER_COUNT)


def points(load_n, height_mm, rising=None, sd_n=0.0, seed=0) -> list[FlexPoint]:
    """What the rig reads at these loads and heights by the travel: noise, and whole steps."""
    rng = np.random.default_rng(seed)
    load_n = np.asarray(load_n) + sd_n * rng.normal(size=len(load_n))
    load_counts = np.round((load_n - ZERO_N) / N_PER_COUNT)
    travel_counts = np.round((TOP_MM - np.asarray(height_mm)) / MM_PER_COUNT)
    ways = [None] * len(load_counts) if rising is None else ["up" if r else "down" for r in rising]
    return [
        FlexPoint(float(load), float(travel), way)
        for load, travel, way in zip(load_counts, travel_counts, ways, strict=True)
    ]


def press(top_n=900.0, samples=500, block_mm=30.0, linear=8e-4, square=0.0, lead=100):
    """Load and height of a slow press down and up on a block, with air before and after."""
    down = np.linspace(0.0, top_n, samples)
    load = np.concatenate([down, down[::-1]])
    height = block_mm - linear * load - square * load**2
    air = np.linspace(5.0, 0.0, lead)
    load = np.concatenate([np.zeros(lead), load, np.zeros(lead)])
    height = np.concatenate([block_mm + air, height, block_mm + air[::-1]])
    return load, height


def fitted(load_n, height_mm, **how):
    part = flex_part(points(load_n, height_mm, **how), LOAD, TRAVEL, "b")
    return part.fit, [point.residual_mm for point in part.points], part.notes


def refusal(readings) -> str:
    with pytest.raises(CoilbenchError) as caught:
        flex_part(readings, LOAD, TRAVEL, "b")
    assert caught.value.hint
    return str(caught.value)


def test_a_straight_press_by_hand():
    """0.8 mm at 1000 N; the block's 30 mm and the air above it are no part of it."""
    load, height = press()
    fit, residuals, notes = fitted(load, height, sd_n=0.3)
    assert fit.coefficients == pytest.approx([0.0, 8e-4], rel=0.01, abs=0.003)
    assert len(fit.coefficients) == 2
    assert fit.covariance[0][0] < 0.003**2  # what begins at no load, less than half a step
    assert fit.covariance[0][1] == fit.covariance[1][0] == 0.0
    assert 0.0 < fit.covariance[1][1] < (8e-6) ** 2
    assert 9.0 <= fit.x_min < fit.x_max <= 905.0
    assert residuals[0] is None
    assert residuals[-1] is None
    used = [r for r in residuals if r is not None]
    assert len(used) == pytest.approx(990, abs=10)
    assert np.abs(used).max() < 0.5 * MM_PER_COUNT + 0.002
    assert [note.kind for note in notes] == ["travel_back"]


def test_five_points_are_enough():
    load = [100.0, 300.0, 500.0, 700.0, 900.0]
    fit, residuals, notes = fitted(load, 25.0 - 1e-3 * np.array(load))
    assert fit.coefficients == pytest.approx([0.0, 1e-3], rel=1e-6)
    assert None not in residuals
    assert "block_one_way" in {note.kind for note in notes}


def test_a_stiffening_press_gets_its_parabola():
    load, height = press(linear=1.2e-3, square=-4e-7)
    fit, _, notes = fitted(load, height, sd_n=0.3)
    assert fit.coefficients[1:] == pytest.approx([1.2e-3, -4e-7], rel=0.03)
    assert abs(fit.coefficients[0]) < 0.003
    assert "flex_curved" in {note.kind for note in notes}


def landing(more_mm_per_n: float, lands_n: float) -> tuple[np.ndarray, np.ndarray]:
    """From a load on the posts bear their share, so that the cell's load takes more way."""
    load, height = press(linear=1.2e-3)
    more_mm = more_mm_per_n * np.maximum(load - lands_n, 0.0)
    return load, height - np.where(height < 30.5, more_mm, 0.0)


@pytest.mark.parametrize("more", [1.2e-3, 4.8e-3])
@pytest.mark.parametrize("lands_n", [350.0, 420.0, 550.0])
def test_a_crosshead_on_its_stop_nuts_is_named(more, lands_n):
    notes = fitted(*landing(more, lands_n), sd_n=0.3)[2]
    assert "flex_landed" in {note.kind for note in notes}


def test_a_refusal_of_an_uneven_or_moved_block_names_the_stop_nuts():
    load, height = landing(12e-3, 420.0)
    with pytest.raises(CoilbenchError) as caught:
        fitted(load, height, sd_n=0.3)
    assert "stop nuts" in (caught.value.hint or "")


@pytest.mark.parametrize("square", [0.0, -4e-7])
def test_a_press_that_only_takes_up_its_play_has_not_landed(square):
    load, height = press(linear=1.2e-3, square=square)
    assert "flex_landed" not in {note.kind for note in fitted(load, height, sd_n=0.3)[2]}


@pytest.mark.parametrize("power", [0.7, 0.8, 0.9])
@pytest.mark.parametrize("give_mm", [0.3, 0.6, 1.0])
def test_a_press_that_gives_steeply_at_first_is_held(power, give_mm):
    """F^0.8 bends without end at no load, where no polynomial follows: read on its block."""
    load, _ = press()
    height = np.where(load > 0.0, 30.0 - give_mm * (load / 900.0) ** power, 31.0)
    fit, _, _ = fitted(load, height, sd_n=0.3)
    at = np.array([50.0, 100.0, 230.0, 400.0, 700.0])
    flex_mm = Calibration(LOAD, TRAVEL, fit, 0.0).flex_mm(at)
    true_mm = give_mm * (at / 900.0) ** power
    _, u_mm = evaluate(fit, at)
    assert np.all(np.abs(flex_mm - true_mm) < 2.5 * u_mm)
    assert u_mm.max() < 0.02 * give_mm + 0.003


def test_a_parabola_that_turns_back_is_not_taken():
    """Slack taken up at once, then nothing: bent, but no press comes back under load."""
    load = np.linspace(50.0, 900.0, 30)
    height = 30.0 - 0.12 * (1.0 - np.exp(-load / 90.0))
    fit, _, notes = fitted(load, height, rising=[True] * 30)
    assert len(fit.coefficients) == 2
    assert "flex_line" in {note.kind for note in notes}


def test_a_loop_leaves_the_middle():
    """Friction in the frame: travel lags by 0.02 mm either way; many samples on one branch."""
    down, up = np.linspace(60, 900, 900), np.linspace(900, 60, 90)
    load = np.concatenate([down, up])
    height = 30.0 - 8e-4 * load + np.concatenate([np.full(900, 0.02), np.full(90, -0.02)])
    fit, _, _ = fitted(load, height)
    flex_mm, u_mm = evaluate(fit, 900.0)
    assert flex_mm == pytest.approx(0.72, abs=0.005)
    assert 0.001 < u_mm < 0.02


def test_interval_holds_the_truth_95_times_in_100():
    """Uneven give that is correlated over a step is what decides, not the samples' number."""
    runs = 200

    def held(seed: int) -> bool:
        rng = np.random.default_rng(seed)
        load = np.repeat(np.linspace(60.0, 900.0, 20), 4)
        load = np.concatenate([load, load[::-1]])
        uneven = np.repeat(0.01 * rng.normal(size=40), 4)
        fit = fitted(load, 30.0 - 8e-4 * load + uneven, sd_n=0.3, seed=seed)[0]
        flex_mm, u_mm = evaluate(fit, 800.0)
        return bool(abs(flex_mm - 0.64) <= 2.0 * u_mm)

    count = sum(held(seed) for seed in range(runs))
    assert abs(count - 0.95 * runs) <= 4.0 * (runs * 0.95 * 0.05) ** 0.5


def test_a_calibration_with_it_reads_a_block_the_same_at_every_load():
    """What the flex is for: the block's height, whatever the load."""
    load, height = press(linear=1.2e-3, square=-4e-7)
    rig = Calibration(LOAD, TRAVEL, fitted(load, height, sd_n=0.3)[0], 0.0)
    on_block = load > 50.0
    corrected = height[on_block] + rig.flex_mm(load[on_block])
    assert np.ptp(corrected) < 0.02
    assert corrected == pytest.approx(30.0, abs=0.02)


def test_a_rigid_press_does_not_flex():
    load = np.linspace(60, 900, 12)
    fit, _, _ = fitted(load, np.full(12, 30.0), rising=[True] * 6 + [False] * 6)
    assert float(evaluate(fit, 900.0)[0]) == pytest.approx(0.0, abs=1e-9)


@settings(max_examples=15)
@given(seed=st.integers(0, 1000), few=st.booleans())
def test_the_order_of_points_with_a_direction_changes_nothing(seed, few):
    load, height = press(samples=8 if few else 100, lead=3)
    rising = np.arange(load.size) < load.size // 2
    readings = points(load, height, rising=rising, sd_n=0.3)
    order = np.random.default_rng(seed).permutation(len(readings))
    fit = flex_part(readings, LOAD, TRAVEL, "b").fit
    shuffled = flex_part([readings[i] for i in order], LOAD, TRAVEL, "b").fit
    assert shuffled.coefficients == pytest.approx(fit.coefficients, rel=1e-9)
    assert np.array(shuffled.covariance) == pytest.approx(np.array(fit.covariance), rel=1e-6)


def moved_at(load: np.ndarray, height: np.ndarray, row: int, by_mm: float) -> list[FlexPoint]:
    shifted = height.copy()
    shifted[row:] += by_mm
    return points(load, shifted)


@pytest.mark.parametrize("by_mm", [0.4, -0.4])
@pytest.mark.parametrize("row", [300, 600, 750])
def test_a_block_that_moved_is_refused(by_mm, row):
    """At 360 N going down, at the top, at 765 N coming up."""
    message = refusal(moved_at(*press(), row, by_mm))
    assert "the block moved: on the way up the travel at" in message
    assert "0.4" in message or "0.39" in message


def test_travel_that_goes_up_under_load_is_refused():
    load, height = press(linear=-8e-4)
    assert re.search(r"up.*\b0\.6", refusal(points(load, height)))


def test_a_jerk_is_refused_where_it_is():
    load, height = press(samples=8, lead=0)
    height[3] += 0.6
    assert "the press flex is uneven: near 385.72 N" in refusal(points(load, height))


LINE = np.linspace(50.0, 900.0, 6)


@pytest.mark.parametrize(
    ("readings", "words"),
    [
        ([], "0 readings are too few"),
        (points(LINE[:4], 30 - 1e-3 * LINE[:4]), "4 readings are too few"),
        (points([0, 1, 2, 3, 900, 800], [35, 34, 33, 32, 30, 30]), "2 readings on the block"),
        (points([900.0] * 6, [30.0] * 6), "are high loads, from 900 N to 900 N"),
        (points([500, 600, 700, 800, 900], [30] * 5), "are high loads, from 500 N to 900 N"),
        (points(LINE / 20, 30 - 1e-3 * LINE), "pressed with at most 45 N"),
        (
            [*points(LINE, 30 - 1e-3 * LINE), FlexPoint(float("nan"), 1.0)],
            "point 7 is not a number",
        ),
        ([*points(LINE, 30 - 1e-3 * LINE), FlexPoint(8388607.0, 1.0)], "point 7 is saturated"),
    ],
)
def test_nonsense_is_refused_in_words(readings, words):
    assert re.search(words, refusal(readings))


def test_a_direction_that_is_told_outranks_the_order():
    load, height = press(samples=8, lead=0)
    told = points(load, height, rising=[True] * 8 + [False] * 8)
    untold = [replace(p, direction=None) for p in told]
    by_direction, by_order = (flex_part(one, LOAD, TRAVEL, "b") for one in (told, untold))
    assert (by_direction.fit, by_direction.notes) == (by_order.fit, by_order.notes)
    backwards = flex_part([replace(p, direction="up") for p in told], LOAD, TRAVEL, "b")
    assert "block_one_way" in {note.kind for note in backwards.notes}


@pytest.mark.parametrize(("times", "spring"), [(0.9, False), (1.2, True), (9.0, True)])
def test_what_no_press_gives_is_called_a_spring(times, spring) -> None:
    readings = points(*press(top_n=400.0, linear=times * MOST_GIVE_MM_PER_N))
    if spring:
        assert "that is a spring, not a block" in refusal(readings)
    else:
        flex_part(readings, LOAD, TRAVEL, "b")
