"""What a set is held against besides itself: loads and a rate asked for. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from coilbench.analysis.curves.curve import SpringCurve
from coilbench.analysis.sets.rulings import Aim
from coilbench.capture.book.nominals import SAME_HEIGHT_MM, SetNominal
from coilbench.capture.errors import CoilbenchError


@dataclass(frozen=True)
class Nominal:
    """The load asked for at a height, and its tolerance; None takes the set's share of it."""

    load_n: float
    tolerance_n: float | None = None

    def __post_init__(self) -> None:
        if not 0.0 < self.load_n < math.inf:
            raise CoilbenchError(
                f"a nominal load of {self.load_n:g} N is not above 0", mend="Correct it"
            )

    def aim(self, tolerance: float) -> Aim:
        """Return it as something to hold a load against; tolerance is the set's share."""
        allowed_n = tolerance * self.load_n if self.tolerance_n is None else self.tolerance_n
        return Aim("nominal", "the nominal", self.load_n, allowed_n)


Asked = tuple[float, Nominal | None]  # a height, mm, and the load asked for there


def with_nominal(asked: Sequence[Asked], kept: SetNominal | None) -> list[Asked]:
    """Add what is kept with the set to the heights asked for.

    A height asked for without a load gets the kept one; kept heights that nobody asked for come
    after those that were, so that a wholly tired set shows wherever it is judged.
    """
    found = list(asked)
    for load in () if kept is None else kept.loads:
        nominal = Nominal(load.load_n, _share(kept, load.load_n))
        at = [i for i, (mm, _) in enumerate(found) if abs(mm - load.height_mm) < SAME_HEIGHT_MM]
        if not at:
            found.append((load.height_mm, nominal))
        for i in at:
            height_mm, given = found[i]
            found[i] = (height_mm, nominal if given is None else given)
    return found


def measured_there(
    asked: Sequence[Asked], typed: int, curves: Sequence[SpringCurve]
) -> tuple[list[Asked], list[float]]:
    """Leave away kept heights at which no spring was measured; they must not bar the others.

    Args:
        asked: heights that somebody asked for first, then the kept ones.
        typed: how many were asked for: these stay; where there is none, all stay.
        curves: the springs.

    Returns:
        What is left, and the heights left away, mm.
    """
    away = [
        mm
        for mm, _ in asked[typed:]
        if not any(curve.lowest_mm <= mm <= curve.highest_mm for curve in curves)
    ]
    if len(away) == len(asked):
        return list(asked), []
    return [one for one in asked if one[0] not in away], away


def rate_aim(kept: SetNominal | None, tolerance: float) -> Aim | None:
    """Return the kept rate as something to hold a rate against; None where there is none."""
    if kept is None or kept.rate_n_per_mm is None:
        return None
    share = tolerance if kept.tolerance_relative is None else kept.tolerance_relative
    return Aim("nominal", "the nominal", kept.rate_n_per_mm, share * kept.rate_n_per_mm)


def _share(kept: SetNominal | None, value: float) -> float | None:
    if kept is None or kept.tolerance_relative is None:
        return None
    return kept.tolerance_relative * value
