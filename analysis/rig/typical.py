"""The uncertainty budget of a typical reading by a calibration, for its card. Pure."""

from __future__ import annotations

import numpy as np

from coilbench.analysis.curves.budget import Budget
from coilbench.analysis.curves.chain import budget_lines
from coilbench.analysis.curves.sweep_fit import Look, SweepFit
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.regression import slope, value
from coilbench.capture.strokes.rig_stroke import RigReading, StrokeRepeat

TYPICAL_RATE_N_PER_MM = 20.0  # of a valve spring of a road engine; common practice, no source
TYPICAL_SHARE = 0.5  # of the largest mass


def typical_load_n(calibration: Calibration) -> float:
    """Return the load that the budget is drawn up for: half of the largest calibrated one."""
    load = calibration.load
    return TYPICAL_SHARE * float(np.max(value(load, [load.x_min, load.x_max])))


def typical_budget(calibration: Calibration) -> Budget:
    """Return the budget of a load of typical_load_n on a spring of TYPICAL_RATE_N_PER_MM.

    In the middle of the gauged heights, by the very chain that a stroke's load goes through. What
    a moving press adds (lag, friction, the strokes' scatter) is not in it.
    """
    load, travel = calibration.load, calibration.travel
    ends = np.array([load.x_min, load.x_max])
    rig = RigReading(
        calibration=calibration,
        calibration_id="",
        zero_counts=float(ends[np.argmin(np.abs(value(load, ends)))]),
        zero_u_n=0.0,
        zero_known=True,
        travel_step_mm=abs(float(slope(travel, travel.x_min))),
        repeat=StrokeRepeat(u_mm=0.0),
    )
    load_n = typical_load_n(calibration)
    middle_mm = float(value(travel, 0.5 * (travel.x_min + travel.x_max)))
    look = Look(
        height_mm=middle_mm + float(calibration.flex_mm(load_n)),
        load_n=load_n,
        slope_n_per_mm=TYPICAL_RATE_N_PER_MM,
        se_n=0.0,
        loop_n=0.0,
        turn_u_n=0.0,
        by_lag=np.zeros(2),
        sweep=SweepFit(None, None, 0.0, 0.0, 0.0, dense=True, rig=rig),
    )
    return Budget(tuple(budget_lines([(1.0, look)])))
