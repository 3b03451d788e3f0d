"""A stroke's two branches and its reduced curve, against SciPy's binned means."""

import numpy as np
import pytest
from scipy.stats import binned_statistic

from coilbench.capture.blocks import LOAD_DTYPE, LoadBlock, SampleFlag
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.strokes.stored import (
    STRAIGHT_SHARE,
    CurveRow,
    points_as_rows,
    reduce_branch,
    reduced_curve,
    split_branches,
)


def stroke(*heights, per_leg=400, friction=0.0):
    """Samples along straight legs from height to height; load 10 N/mm from 50 mm down."""
    height = np.interp(
        np.linspace(0, len(heights) - 1, per_leg * (len(heights) - 1)),
        np.arange(len(heights)),
        heights,
    )
    samples = np.zeros(height.shape[0], LOAD_DTYPE)
    samples["t_s"] = np.arange(height.shape[0]) / 93.0
    samples["height_mm"] = height
    drag = -friction * np.sign(np.gradient(height))
    samples["load_n"] = 10.0 * np.maximum(50.0 - height, 0.0) * (1.0 + drag)
    return LoadBlock(samples)


def test_branches_part_after_the_lowest_height_and_keep_every_sample():
    block = stroke(55, 25, 55)
    down, up = split_branches(block)
    assert len(down) + len(up) == len(block)
    assert down.height_mm[-1] == block.samples["height_mm"].min()
    assert (np.diff(down.height_mm) < 0).all()
    assert (np.diff(up.height_mm) > 0).all()
    np.testing.assert_array_equal(np.concatenate([down.load_n, up.load_n]), block.samples["load_n"])


def test_unusable_samples_are_in_neither_branch():
    block = stroke(55, 25, 55)
    block.samples["load_n"][5] = 1e6
    block.samples["flags"][5] = SampleFlag.LOAD_SUSPECT
    block.samples["height_mm"][9] = -100.0
    block.samples["flags"][9] = SampleFlag.TRAVEL_ABSENT
    down, up = split_branches(block)
    assert len(down) + len(up) == len(block) - 2
    assert max(row.load_n for row in reduced_curve(block)) < 300.0


def test_an_empty_stroke_has_empty_branches():
    empty = LoadBlock(np.empty(0, LOAD_DTYPE))
    assert [len(branch) for branch in split_branches(empty)] == [0, 0]
    assert reduced_curve(empty) == []


def test_rows_are_the_means_of_the_steps_that_scipy_gives():
    down, _ = split_branches(stroke(55, 25, 55))
    points = reduce_branch("loading", down, step_mm=0.25)
    edges = np.arange(25.0, 55.26, 0.25)
    mean = binned_statistic(down.height_mm, [down.height_mm, down.load_n], "mean", edges)
    heights, loads = (side[np.isfinite(side)][::-1] for side in mean.statistic)
    np.testing.assert_allclose(points.height_mm, heights)
    np.testing.assert_allclose(points.load_n, loads, atol=1e-9)


def test_rows_come_in_the_order_of_time():
    rows = reduced_curve(stroke(55, 25, 55))
    down = [row.height_mm for row in rows if row.branch == "loading"]
    up = [row.height_mm for row in rows if row.branch == "unloading"]
    assert down == sorted(down, reverse=True)
    assert up == sorted(up)


def test_a_double_press_does_not_mix_the_branches():
    friction = 0.02
    rows = reduced_curve(stroke(55, 26, 40, 25, 38, 26, 55, friction=friction))
    for row in rows:
        if 27.0 < row.height_mm < 49.0:
            drag = friction if row.branch == "loading" else -friction
            assert row.load_n == pytest.approx(10.0 * (50.0 - row.height_mm) * (1.0 + drag))


def test_an_unsteady_hand_keeps_its_samples():
    block = stroke(55, 25, 55)
    block.samples["height_mm"] += 0.04 * np.sin(np.arange(len(block)))
    down, _ = split_branches(block)
    kept = reduce_branch("loading", down, step_mm=0.25)
    assert len(kept) >= 119


def test_a_straight_branch_needs_few_points_and_lines_between_them_miss_none():
    """Held to NumPy's own interpolation of the means of all steps."""
    block = stroke(55, 25, 55, friction=0.02)
    noise = np.random.default_rng(3).normal(0.0, 0.05, len(block))
    bent = LoadBlock(block.samples.copy())
    bent.samples["load_n"] += 0.05 * np.maximum(40.0 - block.samples["height_mm"], 0.0) ** 2 + noise
    kept = reduced_curve(bent)
    highest_n = max(row.load_n for row in kept)
    for name, branch in zip(("loading", "unloading"), split_branches(bent), strict=True):
        every = reduce_branch(name, branch)
        few = [row for row in kept if row.branch == name]
        assert [row.point for row in few] == list(range(len(few)))
        means = set(zip(every.height_mm.tolist(), every.load_n.tolist(), strict=True))
        assert means >= {(row.height_mm, row.load_n) for row in few}
        ascending = sorted(few, key=lambda row: row.height_mm)
        lines_n = np.interp(
            every.height_mm,
            [row.height_mm for row in ascending],
            [row.load_n for row in ascending],
        )
        off_n = np.abs(lines_n - every.load_n)
        assert off_n.max() <= STRAIGHT_SHARE * highest_n
        assert len(few) < len(every) / 2
        ends = [few[0], few[-1]]
        assert [row.height_mm for row in ends] == every.height_mm[[0, -1]].tolist()


def test_points_stay_as_they_are():
    none = Branch(np.empty(0), np.empty(0))
    rows = points_as_rows(none, Branch(np.array([30.0, 28.5]), np.array([200.0, 215.0])))
    assert rows == [CurveRow("unloading", 0, 30.0, 200.0), CurveRow("unloading", 1, 28.5, 215.0)]
