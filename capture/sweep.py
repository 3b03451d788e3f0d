"""A sweep: one press of one spring that was kept, as the analysis reads it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray


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
    """

    height_mm: NDArray[np.float64]
    load_n: NDArray[np.float64]

    def __len__(self) -> int:
        return int(self.height_mm.shape[0])


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

    @property
    def dense(self) -> bool:
        """Whether the samples are a sampled curve rather than a few chosen points."""
        return self.origin in (Origin.RIG, Origin.RAW_FILE, Origin.CONVERTED_FILE)
