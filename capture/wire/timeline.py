"""Unwrapping the wire's sequence and clock, counting what was lost, noticing restarts."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import RawBlock
from coilbench.capture.messages import Restarted

_SEQ_MASK = 0xFFFF
_CLOCK_TURN = 1 << 32
_HALF_TURN = 1 << 31


class Timeline:
    """Where the rig stands in its own count of samples and microseconds.

    A clock that moved by less than half a turn (35.8 min) forward or back is taken at its word:
    forward it is the same start of the rig, back it is another. Tallies come each second, so a
    long stop is followed too.

    Attributes:
        boot_id: this start of the rig; None while the rig has not said.
        samples_lost: by gaps in the sequence.
        restarts: starts of the rig since the first one seen.
    """

    def __init__(self) -> None:
        self.boot_id: int | None = None
        self.samples_lost = 0
        self.restarts = 0
        self._named_since_sample = False
        self._last_seq: int | None = None
        self._last_t_us: int | None = None  # of a sample; a message may overtake queued samples
        self._latest_us: int | None = None  # of anything

    def place(self, wrapped: NDArray[np.void]) -> Iterator[RawBlock | Restarted]:
        """Unwrap samples that followed each other on the wire.

        Args:
            wrapped: shape (n,) with n at least 1, dtype RAW_DTYPE, seq and t_us as on the wire.
        """
        backward = _signed_turn(np.diff(wrapped["t_us"])) < 0
        starts = [0, *(np.flatnonzero(backward) + 1), len(wrapped)]
        for start, stop in pairwise(starts):
            piece = wrapped[start:stop]
            if self._last_t_us is not None and self._follow(piece["t_us"][0]) < self._last_t_us:
                yield self._restart(self.boot_id if self._named_since_sample else None)
            yield RawBlock(self._unwrap(piece), self.boot_id)

    def meet(self, boot_id: int) -> Restarted | None:
        """Learn which start of the rig speaks; Restarted if it is another than before."""
        if self.boot_id == boot_id:
            return None
        if self.boot_id is not None:
            return self._restart(boot_id)
        self.boot_id = boot_id
        self._named_since_sample = True
        return None

    def clock(self, wrapped_us: int) -> int:
        """Return a message's clock unwrapped, and follow it."""
        self._latest_us = self._follow(wrapped_us)
        return self._latest_us

    def _restart(self, boot_id: int | None) -> Restarted:
        self._last_seq = self._last_t_us = self._latest_us = None
        self.boot_id = boot_id
        self.restarts += 1
        return Restarted(boot_id)

    def _follow(self, wrapped_us: int) -> int:
        if self._latest_us is None:
            return int(wrapped_us)
        step = (int(wrapped_us) - self._latest_us + _HALF_TURN) % _CLOCK_TURN - _HALF_TURN
        return self._latest_us + step

    def _unwrap(self, piece: NDArray[np.void]) -> NDArray[np.void]:
        samples = piece.copy()
        # Between two samples 0 to 65535 are missing: a sequence never stands or goes back.
        missing = (np.diff(piece["seq"]) - 1) & _SEQ_MASK
        first = int(piece["seq"][0])
        if self._last_seq is not None:
            missing_before = (first - self._last_seq - 1) & _SEQ_MASK
            first = self._last_seq + 1 + missing_before
            self.samples_lost += missing_before
        self.samples_lost += int(missing.sum())
        samples["seq"] = first + np.append(0, np.cumsum(missing + 1))
        steps_us = _signed_turn(np.diff(piece["t_us"]))
        samples["t_us"] = self._follow(piece["t_us"][0]) + np.append(0, np.cumsum(steps_us))
        self._last_seq = int(samples["seq"][-1])
        self._last_t_us = int(samples["t_us"][-1])
        self.clock(self._last_t_us)
        self._named_since_sample = False
        return samples


def _signed_turn(steps_us: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return clock steps as the nearer way round, from -2^31 to 2^31 - 1."""
    return (steps_us + _HALF_TURN) % _CLOCK_TURN - _HALF_TURN
