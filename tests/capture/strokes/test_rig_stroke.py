"""A stroke in counts becomes a press with its own zero."""

import numpy as np
import pytest
from msgspec.structs import replace

from coilbench.capture.blocks import RAW_DTYPE, RawBlock, SampleFlag
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.polynomial import PolynomialFit
from coilbench.capture.strokes.sweep import read_stroke

NONE2 = ((0.0, 0.0), (0.0, 0.0))
RIG = Calibration(
    load=PolynomialFit((-16.0, 4e-4), NONE2, 0.0, 4e4, 1.3e6, 9),  # 0 N at 40 000 counts
    travel=PolynomialFit((70.0, -0.005), NONE2, 0.0, 0.0, 14_000.0, 7),
    flex=PolynomialFit((0.0, 8e-4), NONE2, 0.0, 20.0, 900.0, 24),
    load_u_relative=0.0005,
)


def raw(zero=42_500.0, lead=60, step=10, noise=100.0) -> RawBlock:
    """Air from 60 mm, then 16 N/mm from 53 mm down to 30 mm and back."""
    rng = np.random.default_rng(1)
    height = np.concatenate([np.linspace(60.0, 54.0, lead), np.linspace(54, 30, 200)])
    height = np.concatenate([height, height[::-1]])
    load = 16.0 * np.maximum(53.0 - height, 0.0)
    samples = np.zeros(height.size, RAW_DTYPE)
    samples["t_us"] = 10_000 * np.arange(height.size)
    samples["load_counts"] = np.rint(zero + load / 4e-4 + noise * rng.normal(size=height.size))
    travel = (70.0 - height + 8e-4 * load) / 0.005
    samples["travel_counts"] = step * np.rint(travel / step)
    return RawBlock(samples)


def test_load_counts_from_the_strokes_own_zero():
    """2500 counts of drift since the calibration are a whole newton, and leave."""
    press, rig = read_stroke(raw(), RIG, "c1")
    assert rig.zero_known
    assert rig.zero_counts == pytest.approx(42_500.0, abs=60.0)
    assert rig.zero_u_n == pytest.approx(100.0 * 4e-4 / np.sqrt(55), rel=0.3)
    height = press.height_mm(0.0, 0.0)
    deepest = int(np.argmin(height))
    assert height[deepest] == pytest.approx(30.0, abs=0.06)
    assert press.load_n[deepest] == pytest.approx(16.0 * 23.0, abs=0.2)
    assert rig.travel_step_mm == pytest.approx(0.05)
    assert press.flex_mm == pytest.approx(8e-4 * np.maximum(press.load_n, 0.0))


def test_the_captures_zero_comes_first():
    _, rig = read_stroke(raw(), RIG, "c1", 41_000.0)
    assert rig.zero_known
    assert rig.zero_counts == 41_000.0


def test_a_zero_of_the_captures_that_the_stroke_does_not_show_is_good_to_a_samples_noise():
    pressed = RawBlock(raw(noise=300.0).samples[90:-90])
    _, rig = read_stroke(pressed, RIG, "c1", 42_500.0)
    assert rig.zero_known
    assert rig.zero_u_n == pytest.approx(300.0 * 4e-4, rel=0.2)


def test_without_air_before_the_touch_the_calibrations_zero_is_taken():
    pressed = raw()
    press, rig = read_stroke(RawBlock(pressed.samples[90:-90]), RIG, "c1")
    assert not rig.zero_known
    assert rig.zero_counts == pytest.approx(40_000.0)
    assert rig.zero_u_n == 0.0  # what it may be off by is shared, and told by the chain
    assert press.load_n[0] == pytest.approx(16.0 * (53.0 - press.height_mm(0, 0)[0]) + 1.0, abs=1.0)


def test_a_spring_that_rests_pressed_is_no_zero():
    """The quill stands still on a spring under 50 N before it goes on: that is a load."""
    samples = raw().samples
    start = int(np.argmax(16.0 * (53.0 - (70.0 - 0.005 * samples["travel_counts"])) > 50.0))
    resting = np.repeat(samples[start : start + 1], 80)
    resting["load_counts"] += np.random.default_rng(2).integers(-100, 100, 80)
    stopped = np.concatenate([resting, samples[start:]])
    stopped["t_us"] = 10_000 * np.arange(stopped.size)
    assert not read_stroke(RawBlock(stopped), RIG, "c1")[1].zero_known


def test_unusable_samples_are_left_out():
    spoilt = raw()
    spoilt.samples["flags"][100] = SampleFlag.LOAD_SUSPECT
    spoilt.samples["load_counts"][100] = 8_388_607
    press, _ = read_stroke(spoilt, RIG, "c1")
    assert press.t_s.size == spoilt.samples.size - 1
    assert press.load_n.max() < 400.0


def test_a_bent_cell_has_its_zero_found():
    bent = PolynomialFit((-16.0, 4e-4, 1e-12), ((0.0,) * 3,) * 3, 0.0, 4e4, 1.3e6, 9)
    _, rig = read_stroke(RawBlock(raw().samples[90:-90]), replace(RIG, load=bent), "c1")
    assert -16.0 + 4e-4 * rig.zero_counts + 1e-12 * rig.zero_counts**2 == pytest.approx(0, abs=1e-9)
