"""What may go wrong with the simulated rig and its cable. Pure."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.errors import CoilbenchError


@dataclass(frozen=True)
class Faults:
    """Faults to inject; times in seconds since the rig's first start.

    Attributes:
        drop_probability, flip_probability: of each byte sent: lost, or one bit of it turned.
        restart_at_s: when the rig starts anew.
        dead_s: (from, for how long) the ADC makes no conversions.
        saturated_s: (from, for how long) the ADC's word is at its upper end.
        silent: it says nothing at all.
        unplug_at_s: when the cable comes out; None for never.
    """

    drop_probability: float = 0.0
    flip_probability: float = 0.0
    restart_at_s: tuple[float, ...] = ()
    dead_s: tuple[tuple[float, float], ...] = ()
    saturated_s: tuple[tuple[float, float], ...] = ()
    silent: bool = False
    unplug_at_s: float | None = None

    def __post_init__(self) -> None:
        for name, share in (("drop", self.drop_probability), ("flip", self.flip_probability)):
            if not 0.0 <= share <= 1.0:
                raise CoilbenchError(
                    f"a byte can't have the probability {share:g} of a {name}",
                    mend="Give a number from 0 to 1",
                )


class Damage:
    """Loses and flips bytes; the outcome does not depend on how the bytes are cut up."""

    def __init__(self, faults: Faults, seed: int) -> None:
        self._faults = faults
        self._lose, self._flip, self._bit = (
            np.random.default_rng([seed, 0xBAD, which]) for which in range(3)
        )

    def apply(self, data: bytes) -> bytes:
        """Return data as it comes out of the cable."""
        if self._faults.silent:
            return b""
        line = np.frombuffer(data, dtype=np.uint8)
        if self._faults.flip_probability > 0.0:
            line = self._flipped(line)
        if self._faults.drop_probability > 0.0:
            line = line[self._lose.random(len(line)) >= self._faults.drop_probability]
        return line.tobytes()

    def _flipped(self, line: NDArray[np.uint8]) -> NDArray[np.uint8]:
        hit = np.flatnonzero(self._flip.random(len(line)) < self._faults.flip_probability)
        flipped = line.copy()
        bit = (8.0 * self._bit.random(len(hit))).astype(np.uint8)
        flipped[hit] ^= np.left_shift(np.uint8(1), bit)
        return flipped
