"""A sweep's two directions, and its reduced curve for the book. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import UNUSABLE, LoadBlock
from coilbench.capture.strokes.sweep import Branch

STEP_MM = 0.25
JITTER_MM = 0.1  # ours: going back by no more than this is an unsteady hand, no pass back
BranchName = Literal["loading", "unloading"]


@dataclass(frozen=True)
class CurveRow:
    """One point of a reduced curve."""

    branch: BranchName
    point: int
    height_mm: float
    load_n: float


def split_branches(block: LoadBlock) -> tuple[Branch, Branch]:
    """Split a stroke at its lowest height: loading before and at it, unloading after it.

    Samples whose flags say that load or travel can't be used are left out.
    """
    samples = block.samples[(block.samples["flags"] & UNUSABLE) == 0]
    if samples.shape[0] == 0:
        empty = np.empty(0, np.float64)
        return Branch(empty, empty), Branch(empty, empty)
    turn = int(np.argmin(samples["height_mm"])) + 1
    down, up = samples[:turn], samples[turn:]
    return (
        Branch(down["height_mm"].astype(np.float64), down["load_n"].astype(np.float64)),
        Branch(up["height_mm"].astype(np.float64), up["load_n"].astype(np.float64)),
    )


def reduce_branch(name: BranchName, branch: Branch, step_mm: float = STEP_MM) -> list[CurveRow]:
    """Reduce a sampled branch to one row a height step: the mean height and load of the step.

    Rows come in time order of the branch (heights fall while loading, rise while unloading). A
    pass back up on the way down, or down on the way up, is left out: friction makes it read
    between the branches.

    Args:
        name: which branch it is.
        branch: samples; may be empty.
        step_mm: width of a step.
    """
    if len(branch) == 0:
        return []
    branch = _one_way(name, branch)
    steps = np.floor(branch.height_mm / step_mm).astype(np.int64)
    kinds, place = np.unique(steps, return_inverse=True)
    share = np.bincount(place).astype(np.float64)
    heights: NDArray[np.float64] = np.bincount(place, branch.height_mm) / share
    loads: NDArray[np.float64] = np.bincount(place, branch.load_n) / share
    order = range(kinds.shape[0])
    if name == "loading":
        order = order[::-1]
    return [
        CurveRow(name, point, float(heights[at]), float(loads[at]))
        for point, at in enumerate(order)
    ]


def _one_way(name: BranchName, branch: Branch) -> Branch:
    """Keep the first visit to a height on the way down and the last one on the way up."""
    height_mm = branch.height_mm if name == "loading" else branch.height_mm[::-1]
    first = height_mm <= np.minimum.accumulate(height_mm) + JITTER_MM
    keep = first if name == "loading" else first[::-1]
    return Branch(branch.height_mm[keep], branch.load_n[keep])


def points_as_rows(name: BranchName, branch: Branch) -> list[CurveRow]:
    """Return chosen points as rows, as they are."""
    pairs = zip(branch.height_mm.tolist(), branch.load_n.tolist(), strict=True)
    return [CurveRow(name, point, height, load) for point, (height, load) in enumerate(pairs)]


def reduced_curve(block: LoadBlock) -> list[CurveRow]:
    """Return both branches of a stroke, reduced."""
    loading, unloading = split_branches(block)
    return reduce_branch("loading", loading) + reduce_branch("unloading", unloading)
