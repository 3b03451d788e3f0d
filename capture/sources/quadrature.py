"""Counting the edges of a linear scale's two outputs, a quarter period apart: x4. Pure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

LINE_A = 0
LINE_B = 1

# Both outputs seen in turn: index previous * 4 + present, A being bit 0 and B bit 1. A before B is
# positive. Where both changed at once an edge was missed, and nobody knows which way it went.
_STEPS = np.array([0, 1, -1, 0, -1, 0, 0, 1, 1, 0, 0, -1, 0, -1, 1, 0], dtype=np.int64)
_BOTH_CHANGED = np.array([0, 0, 0, 1, 0, 0, 1, 0, 0, 1, 0, 0, 1, 0, 0, 0], dtype=np.bool_)


def steps_between(
    states: NDArray[np.uint8], before: int
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return the count each state adds to the one before it, and where that is impossible.

    Args:
        states: shape (n,), the outputs as seen in turn, A + 2 B.
        before: the state before the first.

    Returns:
        Steps of -1, 0 or 1, shape (n,), and a mask of the impossible ones, whose step is 0.
    """
    index = np.append(np.uint8(before), states[:-1]) << 2 | states if len(states) else states
    return _STEPS[index], _BOTH_CHANGED[index]


class Quadrature:
    """A scale followed by edge reports, each of which tells one output's new level.

    A report that repeats the level its output already had betrays a lost edge: it counts as an
    impossible step, like both outputs changing at once.

    Args:
        a: level of output A at the start, 0 or 1.
        b: level of output B at the start, 0 or 1.

    Attributes:
        count: quarter periods since the start, positive where A leads B.
        impossible_steps: how often edges must have been lost; only grows.
    """

    def __init__(self, a: int, b: int) -> None:
        self.count = 0
        self.impossible_steps = 0
        self._levels = [a, b]

    def follow(self, lines: NDArray[np.uint8], levels: NDArray[np.uint8]) -> None:
        """Take edges in order of time.

        Args:
            lines: shape (n,), LINE_A or LINE_B: whose edge it is.
            levels: shape (n,), 0 or 1: the level after it.
        """
        if len(lines) == 0:
            return
        start = self._levels[LINE_A] | self._levels[LINE_B] << 1
        a, b = (self._levels_after(line, lines, levels) for line in (LINE_A, LINE_B))
        states = (a | b << 1).astype(np.uint8)
        steps, impossible = steps_between(states, start)
        repeated = np.append(np.uint8(start), states[:-1]) == states
        self.count += int(steps.sum())
        self.impossible_steps += int((impossible | repeated).sum())
        self._levels = [int(a[-1]), int(b[-1])]

    def _levels_after(
        self, line: int, lines: NDArray[np.uint8], levels: NDArray[np.uint8]
    ) -> NDArray[np.uint8]:
        """Return the level of one output after each of the edges, shape (n,)."""
        known = np.append(np.uint8(self._levels[line]), levels)
        own = np.where(lines == line, np.arange(1, len(lines) + 1), 0)
        return known[np.maximum.accumulate(own)]
