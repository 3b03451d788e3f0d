"""First-order recurrences over whole blocks, without a loop over samples. Pure."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_PIECE = 256
MAX_DECAY_EXPONENT = 2.0  # per sample; 256 of them stay far from underflow


def recur(
    exponent: NDArray[np.float64], target: NDArray[np.float64], state: float
) -> NDArray[np.float64]:
    """Let a state relax towards a moving target: y += (target - y) (1 - exp(-exponent)).

    Args:
        exponent: shape (n,), how far each sample relaxes, >= 0; above MAX_DECAY_EXPONENT it
            is taken as that.
        target: shape (n,).
        state: y before the first sample.

    Returns:
        shape (n,), y after each sample.
    """
    decay = np.exp(-np.minimum(exponent, MAX_DECAY_EXPONENT))
    drive = target * (1.0 - decay)
    out = np.empty_like(drive)
    for start in range(0, len(out), _PIECE):
        piece = slice(start, start + _PIECE)
        gain = np.cumprod(decay[piece])
        out[piece] = gain * (state + np.cumsum(drive[piece] / gain))
        state = float(out[min(start + _PIECE, len(out)) - 1])
    return out
