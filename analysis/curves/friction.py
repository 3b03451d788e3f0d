"""The friction loop: by how much the load on the way down exceeds that on the way up. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from coilbench.analysis.curves.branches import Array
from coilbench.analysis.curves.budget import Budget, BudgetLine
from coilbench.analysis.curves.chain import budget_lines
from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.curves.rates import GAUSS, pointed
from coilbench.analysis.curves.sweep_fit import Look, Side, SweepFit
from coilbench.analysis.curves.uncertainty import scatter_lines

WAYS: tuple[Side, ...] = ("loading", "unloading")


class Loop(NamedTuple):
    """The mean loop over some heights, loading less unloading.

    Attributes:
        loop_n, loop_u_n: and its expanded uncertainty, 95 %.
        share, share_u: as fractions of the mean load there. Friction is half of it each way.
    """

    loop_n: float
    loop_u_n: float
    share: float
    share_u: float


def friction_loop(curve: SpringCurve, top_mm: float, bottom_mm: float) -> Loop | None:
    """Mean loop between two heights; None where not both branches were measured there.

    What moves both branches alike leaves their difference; the lag moves them apart and stays.
    """
    heights = bottom_mm + 0.5 * (top_mm - bottom_mm) * (1.0 + GAUSS[0])
    dense = [sweep for sweep in curve.sweeps if sweep.dense]
    strokes = [_both(sweep, heights) for sweep in dense or [pointed(curve)]]
    found = [stroke for stroke in strokes if stroke is not None]
    if not found:
        return None
    weight = 0.5 * GAUSS[1]
    loads = np.array([[[look.load_n for look in way] for way in ways] for ways in found])
    noises = np.array([[[look.se_n for look in way] for way in ways] for ways in found])
    loops = (loads[:, 0] - loads[:, 1]) @ weight
    load_n = float(np.mean(loads.mean(axis=1) @ weight))
    noise = np.sqrt(np.square(noises).sum(axis=1) @ weight**2)
    lines = _rig_lines(found, weight, dense=bool(dense))
    budget = Budget((*lines, *scatter_lines(loops.tolist(), noise.tolist())))
    loop_n, u_n = float(np.mean(loops)), budget.expanded_u_n
    return Loop(loop_n, u_n, loop_n / load_n, u_n / load_n) if load_n > 0.0 else None


def _both(sweep: SweepFit, heights: Array) -> tuple[list[Look], list[Look]] | None:
    """Both branches at some heights; None where one of them is missing."""
    down, up = (
        [look for h in heights if (look := sweep.look(side, float(h))) is not None] for side in WAYS
    )
    return (down, up) if len(down) == len(up) == len(heights) else None


def _rig_lines(
    strokes: Sequence[tuple[list[Look], list[Look]]], weight: Array, *, dense: bool
) -> list[BudgetLine]:
    """What the rig does to the difference; chosen points are each read for themselves."""
    down, up = (
        [
            (sign * float(w) / len(strokes), look)
            for both in strokes
            for w, look in zip(weight, both[way], strict=True)
        ]
        for way, sign in ((0, 1.0), (1, -1.0))
    )
    return budget_lines([*down, *up]) if dense else [*budget_lines(down), *budget_lines(up)]
