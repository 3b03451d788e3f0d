"""Whether coils touched, of presses whose truth is known: coils that close over the last 1.2 mm."""

from __future__ import annotations

import numpy as np
import pytest
from msgspec.structs import replace
from numpy.typing import NDArray

from bench_days import draw_day
from bench_metrology import USUAL, sweeps_of
from coilbench.analysis.curves.curve_fit import fit_curve
from coilbench.analysis.curves.lag import undo_lag
from coilbench.analysis.curves.wall import CoilBind
from coilbench.analysis.report.document import describe
from coilbench.analysis.report.spring import Given, SpringFindings
from coilbench.analysis.report.units import Units
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.sweep import Origin, Sweep

Array = NDArray[np.float64]
FREE_MM, RATE, SOLID_MM, OVER_MM = 53.0, 16.0, 23.0, 1.2
NONE = Branch(np.empty(0), np.empty(0))


def closing_n(height_mm: Array) -> Array:
    """Coils close one after the other, evenly, till 63 % of them have; solid adds 1500 N/mm.

    The rate goes as 1 over the share of coils still open: 1.9 times as stiff at 23.30 mm, and its
    integral the logarithm of it.
    """
    into = np.clip((SOLID_MM + OVER_MM - height_mm) / OVER_MM, 0.0, 1.0)
    own = np.maximum(FREE_MM - height_mm, 0.0) - OVER_MM * into
    closing = -OVER_MM / 0.63 * np.log1p(-0.63 * into)
    return RATE * (own + closing) + 1500.0 * np.maximum(SOLID_MM - height_mm, 0.0)


def sweep(height_mm: Array, load_n: Array, origin: Origin = Origin.CONVERTED_FILE) -> Sweep:
    return Sweep("s", "x", origin, Branch(height_mm, load_n), NONE, 0.1, 0.001, 0.02)


def pressed(bottom_mm: float, samples: int = 500, noise_n: float = 0.1, seed: int = 0) -> Sweep:
    rng = np.random.default_rng(seed)
    height = np.linspace(55.0 + rng.uniform(0.0, 0.05), bottom_mm, samples)
    return sweep(np.round(height, 2), closing_n(height) + rng.normal(0.0, noise_n, samples))


def judged(*sweeps: Sweep) -> CoilBind:
    return fit_curve("x", sweeps).coils


@pytest.mark.parametrize(
    ("bottom_mm", "kind"),
    [(30.0, "not_reached"), (26.0, "not_reached"), (24.2, "not_reached"), (23.6, "beginning"),
     (23.3, "beginning"), (23.1, "beginning"), (22.98, "beginning"), (22.7, "reached")],
)  # fmt: skip
def test_each_state_is_told_of_where_the_press_turned(bottom_mm: float, kind: str) -> None:
    for seed in range(6):
        found = judged(pressed(bottom_mm, seed=seed))
        assert found.kind == kind
        if kind == "beginning":
            assert SOLID_MM < found.height_mm < SOLID_MM + OVER_MM + 0.1
        if kind == "not_reached":
            assert found.height_mm == pytest.approx(bottom_mm, abs=0.05)


@pytest.mark.parametrize("samples", [60, 120, 300, 1500])
@pytest.mark.parametrize("bottom_mm", [23.3, 23.1, 22.98])
def test_where_coils_close_nobody_is_told_that_they_do_not(samples: int, bottom_mm: float) -> None:
    for noise_n in (0.1, 0.3):
        for seed in range(4):
            assert judged(pressed(bottom_mm, samples, noise_n, seed)).kind == "beginning"


@pytest.mark.parametrize(
    ("found", "why"),
    [
        (pressed(26.0, 25), "too_few_samples"),
        (pressed(26.0, 60), "too_uncertain"),  # half a millimetre from sample to sample
        (pressed(26.0, 500, 2.0), "too_uncertain"),
        (sweep(np.array([38.0, 28.0]), np.array([240.0, 400.0]), Origin.KEYED), "chosen_heights"),
    ],
)
def test_too_little_to_say_is_a_state_of_its_own(found: Sweep, why: str) -> None:
    told = judged(found)
    assert (told.kind, told.why) == ("unknown", why)


def bent(times: float, last_mm: float, samples: int = 3000, jump_n: float = 0.0) -> Sweep:
    """A straight spring from 53 to 27 mm, over the last of it so many times as stiff; no noise."""
    height = np.linspace(55.0, 27.0, samples)
    deep = np.maximum(27.0 + last_mm - height, 0.0)
    load = RATE * (np.maximum(FREE_MM - height, 0.0) + (times - 1.0) * deep)
    load[-1] += jump_n
    return sweep(height, load)


@pytest.mark.parametrize(
    ("found", "kind"),
    [
        (bent(1.09, 0.65), "not_reached"), (bent(1.11, 0.65), "beginning"),  # a tenth stiffer
        # three thousandths of 416 N: 1.25 N, in a stroke too sparse to show a stiffness
        (bent(1.0, 0.0, 60, 1.1), "unknown"), (bent(1.0, 0.0, 60, 1.4), "beginning"),
        (bent(0.85, 0.5), "not_reached"), (bent(0.85, 1.5), "unknown"),  # but above the turn
        (bent(1.0, 0.0, 95), "not_reached"), (bent(1.0, 0.0, 75), "unknown"),  # 5 bins in 1.5 mm
    ],
)  # fmt: skip
def test_each_limit_at_its_value(found: Sweep, kind: str) -> None:
    assert judged(found).kind == kind


@pytest.mark.parametrize("at_mm", [13.0, 18.0, 20.0])
def test_a_knee_where_the_trend_is_taken_leaves_no_trend(at_mm: float) -> None:
    rng = np.random.default_rng(1)
    height = np.linspace(55.0, 27.0, 800)
    depth = np.maximum(FREE_MM - height, 0.0)
    load = 16.0 * depth + 8.0 * np.maximum(depth - at_mm, 0.0) + rng.normal(0.0, 0.1, 800)
    told = judged(sweep(height, load))
    assert (told.kind, told.why) == ("unknown", "too_uncertain")


def test_a_progressive_spring_keeps_to_its_trend() -> None:
    height = np.linspace(55.0, 27.0, 800)
    depth = np.maximum(FREE_MM - height, 0.0)
    for load in (14.0 * depth + 0.12 * depth**2, 14.0 * depth + 0.006 * depth**3):
        assert judged(sweep(height, load)).kind == "not_reached"


def test_one_stroke_that_shows_it_is_enough() -> None:
    short, long = pressed(26.0), pressed(23.3, seed=1)
    assert judged(short, long).kind == "beginning"
    assert judged(pressed(30.0), short).height_mm == pytest.approx(26.0, abs=0.05)
    assert judged(long, pressed(22.7, seed=2)).kind == "reached"


@pytest.mark.parametrize(("margin_mm", "kind"), [(1.0, "not_reached"), (0.15, "beginning")])
def test_on_drawn_rigs(margin_mm: float, kind: str) -> None:
    """The simulated springs' coils begin some 0.4 mm above solid."""
    for seed in range(4):
        day = draw_day(replace(USUAL, to_margin_mm=margin_mm), seed)
        curve = fit_curve("00", undo_lag(sweeps_of(day, day.calibration()))["00"])
        assert curve.coils.kind == kind


def test_what_is_said_of_it() -> None:
    found = SpringFindings.of(fit_curve("x", [pressed(23.3)]), Given())
    words = dict(found.sentences(Units()))["Coil bind"]
    assert f"{found.curve.coils.height_mm:.2f} mm" in words
    assert "press no further" in words
    document = found.document()["coil_bind"]
    assert document["kind"] == "beginning"
    assert document["stiffness"] > 1.3
    for why in ("chosen_heights", "too_few_samples", "too_uncertain", "softer"):
        unknown = CoilBind("unknown", 27.0, why=why)
        assert describe(unknown, Units()).startswith("not known")
