"""The shapes that travel from the wire to the analysis: blocks of many samples at a time."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag

import numpy as np
from numpy.typing import NDArray

RAW_DTYPE = np.dtype(
    [
        ("seq", "<i8"),  # sample number since the rig's start, unwrapped: a step above 1 is a loss
        ("t_us", "<i8"),  # the rig's clock, unwrapped, microseconds
        ("load_counts", "<i4"),
        ("travel_counts", "<i4"),  # positive is down
        ("flags", "u1"),
    ]
)

LOAD_DTYPE = np.dtype(
    [
        ("t_s", "<f8"),
        ("load_n", "<f8"),
        ("height_mm", "<f8"),
        ("flags", "u1"),
    ]
)


class SampleFlag(IntFlag):
    """Bits of a sample's flag field, as on the wire (firmware/PROTOCOL.md)."""

    LOAD_SATURATED = 0x01
    LOAD_SUSPECT = 0x02
    TRAVEL_SUSPECT = 0x04
    TRAVEL_ABSENT = 0x08
    ACCEPT_PRESSED = 0x10
    REDO_PRESSED = 0x20
    FAULT_LATCHED = 0x40
    QUEUE_OVERRUN = 0x80


UNUSABLE = SampleFlag.LOAD_SATURATED | SampleFlag.LOAD_SUSPECT | SampleFlag.TRAVEL_ABSENT


@dataclass(frozen=True)
class RawBlock:
    """Raw samples in order, all from one start of the rig.

    Attributes:
        samples: shape (n,), dtype RAW_DTYPE.
        boot_id: which start of the rig they belong to; None where the source cannot tell.
    """

    samples: NDArray[np.void]
    boot_id: int | None = None

    def __len__(self) -> int:
        return int(self.samples.shape[0])


@dataclass(frozen=True)
class LoadBlock:
    """Calibrated samples.

    Attributes:
        samples: shape (n,), dtype LOAD_DTYPE; t_s counts from the first sample's clock.
    """

    samples: NDArray[np.void]

    def __len__(self) -> int:
        return int(self.samples.shape[0])
