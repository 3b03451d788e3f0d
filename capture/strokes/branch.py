"""One direction of a sweep: its heights and loads. Pure."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray


class Branch(msgspec.Struct, frozen=True, dict=True):
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

    @cached_property
    def kept(self) -> dict[float, Any]:
        """Its bins by their width, made once: judged and fitted are the same."""
        return {}

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
