"""Whether more is pressed or hung than the cell and the press may bear. Pure.

One judge for a capture's strokes and for every guided command that loads the cell.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import UNUSABLE, Finding, SampleFlag
from coilbench.capture.calibration.polynomial import PolynomialFit, value

Array = NDArray[np.float64]

NEAR_SHARE = 0.8  # of a rating: from here on it warns; our choice, no source
_SATURATED = int(SampleFlag.LOAD_SATURATED)
CALM_US = 300_000  # borne well for so long, an alarm is over; our choice


def too_much(
    cell_n: float | None, press_n: float | None, on_cell_n: float, pushed_n: float
) -> Finding | None:
    """Return the worse of what cell and press bear: near its rating, or over it; None for neither.

    Args:
        cell_n, press_n: the ratings; None where they are not told.
        on_cell_n: all that lies on the cell.
        pushed_n: what the press pushes with.
    """
    borne = ((cell_n, "cell", on_cell_n), (press_n, "press", pushed_n))
    over = [(load_n / n, n, part, load_n) for n, part, load_n in borne if n is not None]
    share, rating_n, part, load_n = max(over, default=(0.0, 0.0, "", 0.0))
    if share < NEAR_SHARE:
        return None
    kind = "overload" if share >= 1.0 else "overload_near"
    return Finding.of(kind, load_n=load_n, rating_n=rating_n, part=part)


class OverloadWatch:
    """Looks at a stream while a person loads the cell, and says at once where it is too much.

    Args:
        cell_n, press_n: the ratings; None: not told, or not loaded by what is done.
        loads_n: makes loads in N of counts, shape (n,); None of it where they are not known yet.

    Attributes:
        alarm: what stands now, the worst of it; None: all is borne well.
    """

    def __init__(
        self,
        cell_n: float | None = None,
        press_n: float | None = None,
        loads_n: Callable[[Array], Array | None] = lambda _counts: None,
    ) -> None:
        self.alarm: Finding | None = None
        self._rated = (cell_n, press_n)
        self._loads_n = loads_n
        self._wrong_us = 0

    @classmethod
    def by_fit(
        cls, cell_n: float | None, press_n: float | None, fit: PolynomialFit
    ) -> OverloadWatch:
        """Return one that reads loads by a calibration."""
        return cls(cell_n, press_n, lambda counts: value(fit, counts))

    def look(self, samples: NDArray[np.void]) -> list[Finding]:
        """Take the next samples, in time order; return the alarms that are new."""
        if samples.shape[0] == 0:
            return []
        found = self._judge(samples)
        now_us = int(samples["t_us"][-1])
        if found is None:
            if not 0 <= now_us - self._wrong_us < CALM_US:
                self.alarm = None
            return []
        self._wrong_us = now_us
        before, self.alarm = self.alarm, _worse(self.alarm, found)
        return [found] if before is None or self.alarm.kind != before.kind else []

    def _judge(self, samples: NDArray[np.void]) -> Finding | None:
        if (samples["flags"] & _SATURATED).any():
            return Finding("amplifier_at_limit")
        counts = samples["load_counts"][(samples["flags"] & UNUSABLE) == 0]
        loads_n = self._loads_n(counts.astype(np.float64)) if counts.size else None
        if loads_n is None:
            return None
        largest_n = float(loads_n.max())
        return too_much(*self._rated, largest_n, largest_n)


_RANKS = ("overload_near", "overload", "amplifier_at_limit")


def _worse(standing: Finding | None, found: Finding) -> Finding:
    if standing is None:
        return found
    pair = (standing, found)
    return max(pair, key=lambda one: (_RANKS.index(one.kind), one.facts.get("load_n", 0.0)))
