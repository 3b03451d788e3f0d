"""The load cell's zero, from what it read before the spring was touched. Pure.

This is the zero that loads are read from, with its uncertainty, found in a whole stroke. The zero
by which a running stroke is told (`strokes.shape.read_zero`) knows only what came before, and how
clear of the spring the quill was; where the capture kept it, it comes first.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

# Common practice, no source.
TOUCH_SHARE = 0.01  # of the whole rise: above it the spring is surely touched
FEWEST = 3  # samples that make a zero
TOUCH_SDS = 3.0  # of the noise: above it the load may be rising
GUARD_S = 0.05  # before that, the load may be rising within its noise
RISE_SDS = 6.0  # from its begin to its end, by more than this, it rises: no zero
LEAST_SD_COUNTS = 0.5  # a count's own step


@dataclass(frozen=True)
class Zero:
    """Load counts with nothing pressed.

    Attributes:
        counts: the mean reading.
        u_counts: its standard uncertainty, k = 1, from its noise.
        samples: how many samples it is the mean of.
        moved_counts: how far the travel went meanwhile; far shows that the quill was clear.
    """

    counts: float
    u_counts: float
    samples: int
    moved_counts: float


def zero_before_touch(
    t_s: NDArray[np.float64],
    load_counts: NDArray[np.float64],
    travel_counts: NDArray[np.float64],
) -> Zero | None:
    """Read the zero from the samples before the load begins to rise.

    Args:
        t_s, load_counts, travel_counts: shape (n,), one stroke in time order, the deepest point
            where the load is farthest from where it began.

    Returns:
        None where the load rises from the first samples on.
    """
    if t_s.size < FEWEST:
        return None
    base = float(np.median(load_counts[:FEWEST]))
    away = load_counts - base
    rise = float(away[np.argmax(np.abs(away))])
    if rise == 0.0:
        return None
    share = away / rise
    before = int(np.argmax(share > TOUCH_SHARE))
    if before < FEWEST:
        return None
    lead = load_counts[:before]
    middle = float(np.median(lead[: max(before // 2, FEWEST)]))
    noise = _noise_sd(lead)
    still = np.flatnonzero((lead - middle) * np.sign(rise) <= TOUCH_SDS * noise)
    if still.size == 0:
        return None
    end = int(np.searchsorted(t_s, t_s[still[-1]] - GUARD_S, side="right"))
    end = max(end, min(FEWEST, before))
    kept = lead[:end]
    half = max(end // 2, 1)
    if abs(float(kept[-half:].mean() - kept[:half].mean())) > RISE_SDS * noise:
        return None
    mean = float(kept.mean())
    sd = max(float(kept.std(ddof=1)), noise)
    moved = float(np.ptp(travel_counts[:end]))
    return Zero(mean, sd / math.sqrt(end), end, moved)


def sample_noise_counts(load_counts: NDArray[np.float64]) -> float:
    """Return what a zero is good for, k = 1, of which only its counts are known: a sample's noise.

    Args:
        load_counts: shape (n,), the whole stroke.
    """
    return _noise_sd(load_counts) if load_counts.size > FEWEST else LEAST_SD_COUNTS


def _noise_sd(lead: NDArray[np.float64]) -> float:
    """Noise of a sample, blind to a steady rise: of second differences, robust.

    White noise leaves them a variance six times its own.
    """
    bend = np.diff(lead, 2)
    noise = 1.4826 * float(np.median(np.abs(bend))) / math.sqrt(6.0)
    return max(noise, LEAST_SD_COUNTS)
