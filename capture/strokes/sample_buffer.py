"""A row of raw samples that grows at its end and is trimmed at its beginning. Pure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import RAW_DTYPE

_FIRST_ROOM = 1024


class SampleBuffer:
    """Holds samples in one piece: adding n costs n, however many are there already."""

    def __init__(self) -> None:
        self._room: NDArray[np.void] = np.empty(_FIRST_ROOM, RAW_DTYPE)
        self._start = 0
        self._end = 0

    def __len__(self) -> int:
        return self._end - self._start

    @property
    def samples(self) -> NDArray[np.void]:
        """What is held, shape (n,), RAW_DTYPE: a view that holds until the next change."""
        return self._room[self._start : self._end]

    def add(self, samples: NDArray[np.void]) -> None:
        """Put samples at the end."""
        count = samples.shape[0]
        if self._end + count > self._room.shape[0]:
            self._make_room(count)
        self._room[self._end : self._end + count] = samples
        self._end += count

    def drop(self, count: int) -> None:
        """Let the first count samples go."""
        self._start += count

    def _make_room(self, count: int) -> None:
        held = self.samples
        room = np.empty(max(_FIRST_ROOM, 2 * (len(held) + count)), RAW_DTYPE)
        room[: len(held)] = held
        self._room, self._start, self._end = room, 0, len(held)
