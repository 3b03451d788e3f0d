"""A travel scale that jumps: between two samples the height is another one. Pure.

A quill has weight: what it moves in one sample it moves in the next one too, more or less. Slower
rigs do not show it; what a spring was pressed like before does. Thresholds are ours, no source.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import Finding

JUMP_MM, TIMES = 0.5, 2.0  # so much, and so many times what it moves just before and after
SLOWEST_S = 0.03  # between samples that are farther apart a hand moves by as much
BESIDE = 2  # steps on either side that are compared


class JumpWatch:
    """Feed it all usable samples in time order."""

    def __init__(self) -> None:
        self.forget()

    def forget(self) -> None:
        """The stream broke."""
        self._t_us = np.empty(0, np.int64)
        self._height_mm = np.empty(0)

    def look(self, t_us: NDArray[np.int64], height_mm: NDArray[np.float64]) -> Finding | None:
        """Take samples, shape (n,); return the largest jump that they end or show."""
        kept, before_us = 2 * BESIDE + 1, self._t_us
        height_mm = np.concatenate([self._height_mm, height_mm])
        self._height_mm = height_mm[-kept:]
        enough = t_us.size >= kept
        self._t_us = (t_us if enough else np.concatenate([before_us, t_us]))[-kept:]
        if height_mm.size <= kept:
            return None
        step_mm = height_mm[1:] - height_mm[:-1]
        moved_mm = np.abs(step_mm)
        if moved_mm[moved_mm.argmax()] <= JUMP_MM:
            return None  # as it mostly is
        t_us = np.concatenate([before_us, t_us])
        late = t_us[1:] - t_us[:-1] > SLOWEST_S * 1e6
        own, beside = np.where(late, 0.0, moved_mm), np.where(late, np.inf, moved_mm)
        most = own.size - 2 * BESIDE
        others = [beside[at : at + most] for at in range(kept) if at != BESIDE]
        own = own[BESIDE:-BESIDE]
        over = own > JUMP_MM + TIMES * np.maximum.reduce(others)
        if not over.any():
            return None
        at = BESIDE + int(np.argmax(np.where(over, own, 0.0)))
        jump_mm, before_mm = float(step_mm[at]), float(height_mm[at])
        return Finding.of("travel_jumped", jump_mm=jump_mm, height_mm=before_mm)
