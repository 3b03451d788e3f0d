"""The hand on the quill's lever: smooth on the whole, never steady. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray


class StrokeKind(StrEnum):
    """How a hand presses."""

    STEADY = "steady"
    FAST = "fast"
    SLOW = "slow"
    SHORT = "short"  # lets go before the bottom
    DOUBLE = "double"  # half up and down again
    PAUSED = "paused"  # stops on the way down and on the way up


@dataclass(frozen=True)
class HandStroke:
    """One press: down through the air, press, hold, release, up.

    Attributes:
        at_s: shape (k,), moments, rising from 0.
        approach: shape (k,), 0 at the upper stop, 1 at the touch.
        press: shape (k,), 0 at the touch, 1 at the bottom.
        tremor: shape (m, 3), amplitude (sum of squares 2, so that the shake's standard
            deviation is 1), frequency in Hz and phase of the hand's shake.
    """

    at_s: NDArray[np.float64]
    approach: NDArray[np.float64]
    press: NDArray[np.float64]
    tremor: NDArray[np.float64]

    @property
    def duration_s(self) -> float:
        """How long it takes."""
        return float(self.at_s[-1])

    def approach_at(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the way through the air, 0 to 1."""
        return _smooth(t_s, self.at_s, self.approach)

    def press_at(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the way from touch to bottom, 0 to 1."""
        return _smooth(t_s, self.at_s, self.press)

    def shake_at(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the hand's shake, standard deviation about 1 over a long time."""
        amplitude, frequency_hz, phase = self.tremor.T
        waves = np.sin(2.0 * np.pi * np.outer(t_s, frequency_hz) + phase)
        return np.asarray(waves @ amplitude, dtype=np.float64)


# (seconds, approach, press) one after another; seconds scatter by a fifth.
_PLANS: dict[StrokeKind, tuple[tuple[float, float, float], ...]] = {
    StrokeKind.STEADY: ((1.5, 1, 1), (0.4, 1, 1), (1.2, 1, 0)),
    StrokeKind.FAST: ((0.5, 1, 1), (0.15, 1, 1), (0.45, 1, 0)),
    StrokeKind.SLOW: ((6.0, 1, 1), (1.0, 1, 1), (5.0, 1, 0)),
    StrokeKind.SHORT: ((0.9, 1, 0.45), (0.2, 1, 0.45), (0.7, 1, 0)),
    StrokeKind.DOUBLE: (
        (1.5, 1, 1),
        (0.3, 1, 1),
        (0.8, 1, 0.45),
        (0.8, 1, 1),
        (0.3, 1, 1),
        (1.2, 1, 0),
    ),
    StrokeKind.PAUSED: (
        (1.0, 1, 0.5),
        (1.2, 1, 0.5),
        (1.0, 1, 1),
        (0.4, 1, 1),
        (0.8, 1, 0.4),
        (0.8, 1, 0.4),
        (0.6, 1, 0),
    ),
}
_APPROACH_S = 0.45
_RETURN_S = 0.35
_TREMOR_LINES = 5


def draw_stroke(kind: StrokeKind, rng: np.random.Generator) -> HandStroke:
    """Draw one stroke; the generator's state decides how this one differs from the last."""
    rows = [(0.0, 0.0, 0.0), (_APPROACH_S, 1.0, 0.0), *_PLANS[kind], (_RETURN_S, 0.0, 0.0)]
    plan = np.array(rows)
    seconds = plan[:, 0] * rng.uniform(0.8, 1.2, size=len(plan))
    amplitude = rng.uniform(0.3, 1.0, size=_TREMOR_LINES)
    tremor = np.column_stack(
        [
            amplitude * np.sqrt(2.0 / np.sum(amplitude**2)),
            rng.uniform(0.5, 8.0, size=_TREMOR_LINES),
            rng.uniform(0.0, 2.0 * np.pi, size=_TREMOR_LINES),
        ]
    )
    return HandStroke(at_s=np.cumsum(seconds), approach=plan[:, 1], press=plan[:, 2], tremor=tremor)


def ease(fraction: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the minimum-jerk course from 0 to 1, at rest at both ends.

    Formula: Flash and Hogan, J. Neurosci. 5 (1985) 1688 (recalled from memory).
    """
    u = np.clip(fraction, 0.0, 1.0)
    return u**3 * (10.0 + u * (-15.0 + 6.0 * u))


def _smooth(
    t_s: NDArray[np.float64], at_s: NDArray[np.float64], value: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Go from value to value, each move a minimum-jerk one."""
    place = np.clip(np.searchsorted(at_s, t_s, side="right") - 1, 0, len(at_s) - 2)
    length_s = at_s[place + 1] - at_s[place]
    share = ease((t_s - at_s[place]) / length_s)
    return value[place] + (value[place + 1] - value[place]) * share
