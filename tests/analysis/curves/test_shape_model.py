"""One rate, two rates, a smooth change: a textbook's nest, and simulated springs."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from msgspec.structs import replace
from numpy.typing import NDArray

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.readings import Rate
from coilbench.analysis.curves.shape_model import Shape, _kind_of, _Models
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep
from coilbench.capture.virtual.spring import INNER, OUTER, SpringModel, draw_set

Array = NDArray[np.float64]
NONE = Branch(np.empty(0), np.empty(0))


def stroke(
    load_n: Callable[[Array], Array],
    top_mm: float,
    bottom_mm: float,
    rng: np.random.Generator,
    *,
    noise_n: float = 0.3,
    samples: int = 300,
    height_u_mm: float = 0.02,
    load_u_n: float = 0.3,
) -> Sweep:
    """One stroke down and up along a law of load over the path."""
    share = np.linspace(0.0, 1.0, samples)
    down = top_mm - (top_mm - bottom_mm) * (share - 0.8 * np.sin(2 * np.pi * share) / (2 * np.pi))
    path = np.concatenate([down, down[::-1]])
    load = load_n(path) + rng.normal(0.0, noise_n, path.size)
    ways = Branch(path[:samples], load[:samples]), Branch(path[samples:], load[samples:])
    return Sweep("s", "x", Origin.CONVERTED_FILE, *ways, load_u_n, 0.001, height_u_mm)


def of_spring(spring: SpringModel, rng: np.random.Generator, strokes: int = 3) -> SpringCurve:
    bottom_mm = spring.solid_height_mm + 1.2
    top_mm = spring.free_length_mm + 2.0
    samples = int(rng.integers(150, 500))
    return fit_curve(
        "x",
        [
            stroke(spring.pressed_load_n, top_mm, bottom_mm, rng, samples=samples)
            for _ in range(strokes)
        ],
    )


def test_a_nest_whose_inner_is_shorter_has_two_rates() -> None:
    """Bhandari, Design of Machine Elements, example 10.19: outer d 6 D 36 n 10, inner d 5 D 30
    n 8, 15 mm shorter, G 81 370: rates 28.253 and 29.431 N/mm, so 28.253 until the inner is
    touched at 15 mm and 423.8 N, 57.684 from there; 1000 N at 24.989 mm."""
    outer, inner = (81_370.0 * d**4 / (8.0 * c**3 * n) for d, c, n in ((6, 36, 10), (5, 30, 8)))
    assert (outer, inner) == (pytest.approx(28.253, abs=5e-4), pytest.approx(29.431, abs=5e-4))
    free_mm = 100.0

    def nest_n(height_mm: Array) -> Array:
        depth = np.maximum(free_mm - height_mm, 0.0)
        return outer * depth + inner * np.maximum(depth - 15.0, 0.0)

    rng = np.random.default_rng(1)
    curve = fit_curve("nest", [stroke(nest_n, 102.0, 70.0, rng) for _ in range(3)])
    shape = Shape.of(curve)
    assert shape.kind == "two_rates"
    assert shape.knee is not None
    assert shape.upper is not None
    assert shape.lower is not None
    assert abs(shape.knee.height_mm - 85.0) <= shape.knee.height_u_mm < 0.2
    assert abs(shape.upper.rate_n_per_mm - 28.253) <= shape.upper.rate_u_n_per_mm < 0.3
    assert abs(shape.lower.rate_n_per_mm - 57.684) <= shape.lower.rate_u_n_per_mm < 0.6
    # the curve rounds so sharp a corner off over its window: by 4 N where the rate doubles
    assert curve.load_at(85.0).load_n == pytest.approx(423.8, abs=5.0)
    assert curve.load_at(87.0).load_n == pytest.approx(13.0 * 28.253, abs=1.0)
    assert curve.load_at(free_mm - 24.989).load_n == pytest.approx(1000.0, abs=2.0)


def test_sound_and_tired_springs_have_one_rate() -> None:
    rng = np.random.default_rng(2)
    for seed, nominal in enumerate((OUTER, INNER)):
        for spring in draw_set(nominal, 20, seed, tired=4):
            shape = Shape.of(of_spring(spring, rng, strokes=int(rng.integers(1, 4))))
            assert shape.kind == "one_rate", shape


def test_a_crack_is_a_knee_that_softens() -> None:
    rng = np.random.default_rng(3)
    held = 0
    for spring in draw_set(OUTER, 10, 5, cracked=10):
        shape = Shape.of(of_spring(spring, rng))
        assert shape.kind == "two_rates"
        assert shape.knee is not None
        assert shape.lower is not None
        assert shape.upper is not None
        assert shape.lower.rate_n_per_mm < 0.9 * shape.upper.rate_n_per_mm
        assert spring.crack_depth_mm is not None
        crack_mm = spring.free_length_mm - spring.crack_depth_mm
        held += abs(shape.knee.height_mm - crack_mm) <= shape.knee.height_u_mm
    assert held >= 7  # of 10 at 95 %, fewer come once in 10 000 (binomial)


def test_a_progressive_spring_changes_smoothly() -> None:
    def progressive_n(height_mm: Array) -> Array:
        depth = np.maximum(53.0 - height_mm, 0.0)
        return 14.0 * depth + 0.12 * depth**2

    rng = np.random.default_rng(4)
    shape = Shape.of(fit_curve("x", [stroke(progressive_n, 55.0, 27.0, rng) for _ in range(2)]))
    assert shape.kind == "smooth"
    assert shape.change is not None
    assert shape.change.rate_n_per_mm > shape.change.rate_u_n_per_mm
    assert shape.knee is None


@pytest.mark.parametrize("branch", ["loading", "unloading"])
def test_one_branch_alone_tells_it_too(branch) -> None:
    rng = np.random.default_rng(5)
    cracked = replace(OUTER, crack_depth_mm=11.0, crack_rate_ratio=0.8)
    sweeps = [stroke(cracked.pressed_load_n, 55.0, 26.0, rng)]
    assert Shape.of(fit_curve("x", sweeps, branch)).kind == "two_rates"
    assert Shape.of(fit_curve("x", [replace(sweeps[0], unloading=NONE)])).kind == "two_rates"


def test_what_cannot_be_told_is_not_told() -> None:
    rng = np.random.default_rng(6)
    points = Branch(np.linspace(50.0, 27.0, 11), 16.0 * np.linspace(3.0, 26.0, 11))
    keyed = Sweep("s", "x", Origin.KEYED, points, NONE, 1.0, 0.0, 0.1)
    assert Shape.of(fit_curve("x", [keyed])).why == "chosen_heights"
    short = fit_curve("x", [stroke(OUTER.pressed_load_n, 54.0, 45.0, rng)])
    assert Shape.of(short).kind == "cannot_tell"
    few = fit_curve("x", [stroke(OUTER.pressed_load_n, 55.0, 27.0, rng, samples=15)])
    assert Shape.of(few).kind == "cannot_tell"
    # heights that may be wrong by a millimetre here and there show no change of rate
    loose = stroke(OUTER.pressed_load_n, 55.0, 27.0, rng, height_u_mm=1.0, load_u_n=10.0)
    shape = Shape.of(fit_curve("x", [loose]))
    assert shape.kind == "cannot_tell"
    assert shape.why == "too_uncertain"


@pytest.mark.parametrize(
    ("chance", "over", "change", "u", "kind"),
    [
        (0.5, 0.0, 0.1, 0.2, "one_rate"),
        (1e-9, 9.0, 0.1, 0.2, "one_rate"),  # surely bent, and hardly
        (0.5, 0.0, 0.1, 0.9, "cannot_tell"),
        (0.5, 9.0, 2.0, 0.3, "cannot_tell"),  # the strokes agree by luck on what noise makes
        (1e-9, 9.0, 2.0, 3.0, "cannot_tell"),  # the rig may bend so much
        (1e-9, 9.0, 2.0, 0.3, "two_rates"),
        (1e-9, -9.0, -2.0, 0.3, "smooth"),
        (1e-9, 1.0, 2.0, 0.3, "bent"),
    ],
)
def test_what_each_finding_is_called(chance, over, change, u, kind) -> None:
    assert _kind_of(_Models(chance, over, 38.0, 0.2), Rate(change, u), 16.0) == kind
