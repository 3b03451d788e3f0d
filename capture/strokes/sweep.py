"""A sweep: one press of one spring that was kept, as the analysis reads it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.calibration.lag import Lag, Press
from coilbench.capture.strokes.rig_stroke import RigReading


class SweepStatus(StrEnum):
    """How a stroke ended; stored with it in the same transaction."""

    COMPLETE = "complete"
    ABORTED = "aborted"  # too short, or redone by the user
    INTERRUPTED = "interrupted"  # the rig restarted, the cable came out, the program was killed
    GAPPED = "gapped"  # samples were lost inside it


class Origin(StrEnum):
    """Where a sweep's numbers came from."""

    RIG = "rig"
    RAW_FILE = "raw file"
    CONVERTED_FILE = "converted file"
    POINTS_FILE = "points file"
    KEYED = "keyed"


@dataclass(frozen=True)
class Branch:
    """One direction of a sweep, in time order.

    Attributes:
        height_mm: shape (n,), distance between the faces that hold the spring.
        load_n: shape (n,), same length.
        by_lag: shape (n, 2), how the heights move with the lag's delay and spread, mm/s and
            mm/s^2; None where no lag was undone.
    """

    height_mm: NDArray[np.float64]
    load_n: NDArray[np.float64]
    by_lag: NDArray[np.float64] | None = None

    def __len__(self) -> int:
        return int(self.height_mm.shape[0])

    def at(self, rows: NDArray[np.bool_] | slice) -> Branch:
        """Return some of its samples."""
        by_lag = None if self.by_lag is None else self.by_lag[rows]
        return Branch(self.height_mm[rows], self.load_n[rows], by_lag)

    def split(self) -> tuple[Branch, Branch]:
        """Part a whole stroke into the way down, with the lowest height, and the way up."""
        turn = int(np.argmin(self.height_mm)) + 1 if len(self) else 0
        return self.at(slice(turn)), self.at(slice(turn, None))


@dataclass(frozen=True)
class Sweep:
    """One sweep of one spring, calibrated.

    Attributes:
        sweep_id: UUID in the book.
        label: the spring's name inside its set.
        origin: where the numbers came from. Dense samples for RIG, RAW_FILE and CONVERTED_FILE;
            a few points at chosen heights for POINTS_FILE and KEYED.
        loading: samples on the way down; may be empty.
        unloading: samples on the way up; may be empty.
        load_u_n: standard uncertainty (k = 1) of a load, common to all samples of the
            instrument (calibration residual, the scale's resolution), N.
        load_u_relative: standard uncertainty (k = 1) proportional to the load (reference
            masses, lever ratio), as a fraction.
        height_u_mm: standard uncertainty (k = 1) of a height, mm.
        press: the stroke in time order, for the lag; None for chosen points.
        rig: by which calibration and zero; where it is known it tells the uncertainties, and the
            three above are not used. None where the numbers came converted.
        lag: what was undone in the branches; None where nothing was.
        turned_mm: the height on the way up above which friction has turned round and the filter
            has forgotten the turn; None where it is not known.
        too_fast: whether it was over before the rig's filter could follow.
        dense: True where samples are a sampled curve, False where they are chosen points.
    """

    sweep_id: str
    label: str
    origin: Origin
    loading: Branch
    unloading: Branch
    load_u_n: float
    load_u_relative: float
    height_u_mm: float
    press: Press | None = None
    rig: RigReading | None = None
    lag: Lag | None = None
    turned_mm: float | None = None
    too_fast: bool = False

    @property
    def dense(self) -> bool:
        """Whether the samples are a sampled curve rather than a few chosen points."""
        return self.origin in (Origin.RIG, Origin.RAW_FILE, Origin.CONVERTED_FILE)
