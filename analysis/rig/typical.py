"""The uncertainty budget of a typical reading by a calibration, for its card. Pure."""

from __future__ import annotations

import math

import numpy as np

from coilbench.analysis.curves.budget import Budget, BudgetLine
from coilbench.capture.calibration import Calibration
from coilbench.capture.regression import PolynomialFit, evaluate, slope, value

TYPICAL_RATE_N_PER_MM = 20.0  # of a valve spring of a road engine; common practice, no source
TYPICAL_SHARE = 0.5  # of the largest mass


def typical_load_n(calibration: Calibration) -> float:
    """Return the load that the budget is drawn up for: half of the largest calibrated one."""
    load = calibration.load
    return TYPICAL_SHARE * float(np.max(value(load, [load.x_min, load.x_max])))


def typical_budget(calibration: Calibration) -> Budget:
    """Return the budget of a steady load on a spring of TYPICAL_RATE_N_PER_MM.

    At typical_load_n, in the middle of the gauged heights. A height's error counts with the
    spring's rate. What a moving press adds (lag, friction, the strokes' scatter) is not in it.
    """
    load, travel, flex = calibration.load, calibration.travel, calibration.flex
    load_n, rate = typical_load_n(calibration), TYPICAL_RATE_N_PER_MM
    counts = 0.5 * (load.x_min + load.x_max)
    ends = np.array([load.x_min, load.x_max])
    zero = float(ends[np.argmin(np.abs(value(load, ends)))])
    curve_u_n = float(evaluate(load, counts, minus_x=zero)[1])
    middle = 0.5 * (travel.x_min + travel.x_max)
    lines = [
        BudgetLine("load curve, from zero", "A", curve_u_n, "N", 1.0),
        BudgetLine("scatter of a load", "A", load.residual_sd, "N", 1.0, _spare(load)),
        BudgetLine("reference masses", "B", calibration.load_u_relative, "1", load_n),
        BudgetLine("a count of load", "B", _count(load, counts), "N", 1.0),
        BudgetLine("travel curve", "A", float(evaluate(travel, middle)[1]), "mm", rate),
        BudgetLine("scatter of a travel", "A", travel.residual_sd, "mm", rate, _spare(travel)),
        BudgetLine("a count of travel", "B", _count(travel, middle), "mm", rate),
    ]
    if flex is not None:
        at_n = min(load_n, flex.x_max)
        lines += [
            BudgetLine("press flex", "A", float(evaluate(flex, at_n)[1]), "mm", rate),
            BudgetLine("scatter of the flex", "A", flex.residual_sd, "mm", rate, _spare(flex)),
        ]
    return Budget(tuple(lines))


def _spare(fit: PolynomialFit) -> float:
    return float(max(fit.points - fit.degree - 1, 1))


def _count(fit: PolynomialFit, x: float) -> float:
    """A count's even spread, standard uncertainty (JCGM 100:2008, F.2.2.1)."""
    return abs(float(slope(fit, x))) / math.sqrt(12.0)
