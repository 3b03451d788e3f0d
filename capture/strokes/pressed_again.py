"""What a spring that is pressed once more shows of heights since its first presses. Pure.

It is a return to a reference: by how much the spring lies elsewhere, with an uncertainty. A scale
that slipped and a seat that sank move it alike at all loads; another spring, one that softened, or
a cell with another gain moves it by what grows with the load. So both ends of the way are looked
at. Thresholds are ours, no source; what is found of them on simulated rigs is in
tests/bench/RESULTS.md.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Literal

import msgspec

from coilbench.capture.strokes.alike import (
    LEAST_SD_MM,
    Alike,
    Measured,
    PressedPath,
    differ,
)

CLOSED_MM = 0.05  # a spring put in again comes back so near; what it is more is asked about
Shown = Literal["as_at_first", "widened", "moved", "other_loads"]


def shown_by(light_mm: Measured, deepest_mm: Measured, load_share: Measured) -> Shown:
    """Return what a difference shows.

    Args:
        light_mm: by how much the spring lies higher at light loads.
        deepest_mm: and at the largest one.
        load_share: by what share of the load it pushes harder.

    Returns:
        `as_at_first` where both are within their expanded uncertainties, k = 2; `widened` where one
        is not, and is no more than may be added to the uncertainty of what was pressed meanwhile;
        `moved` where it is more. `other_loads` where what differs surely grows with the load, by
        more than that: no shift of heights does so.
    """
    grows_mm = deepest_mm.value - light_mm.value
    if abs(grows_mm) > CLOSED_MM and load_share.surely_over(0.0):
        return "other_loads"
    ends = light_mm, deepest_mm
    if any(one.surely_over(CLOSED_MM) for one in ends):
        return "moved"
    within = all(widened_by_mm(one.value, 2.0 * one.u) == 0.0 for one in ends)
    return "as_at_first" if within else "widened"


def widened_by_mm(moved_mm: float, u_mm: float) -> float:
    """Return by how much heights may have moved meanwhile; 0 where nothing shows that they did.

    Args:
        u_mm: expanded uncertainty, k = 2.
    """
    return abs(moved_mm) + u_mm if abs(moved_mm) > u_mm else 0.0


def same_shift(moved_mm: float, u_mm: float, by_gauge_mm: float, gauge_u_mm: float) -> bool:
    """Tell whether a gauge makes up for just what a spring was found to lie elsewhere by.

    The scale is then known to have slipped after that spring's first presses, and to stand right by
    the gauge.

    Args:
        moved_mm: how much higher the spring lay, and its expanded uncertainty, k = 2.
        by_gauge_mm: how much higher heights are by the gauge, and its expanded uncertainty.
    """
    return abs(moved_mm + by_gauge_mm) <= math.hypot(u_mm, gauge_u_mm)


class Moved(msgspec.Struct, frozen=True):
    """By how much a spring is pressed higher than it was at first.

    Attributes:
        light_mm: at light loads, by equal loads, with its standard uncertainty.
        deepest_mm: at the largest load.
        load_share: by what share of the load it pushes harder.
        rate_n_per_mm: what a millimetre is worth where it is pressed deepest.
    """

    light_mm: Measured
    deepest_mm: Measured
    load_share: Measured
    rate_n_per_mm: float

    @property
    def moved_mm(self) -> Measured:
        """At that end where it is farther off."""
        return max(self.light_mm, self.deepest_mm, key=lambda one: abs(one.value))

    @property
    def shows(self) -> Shown:
        """What that shows."""
        return shown_by(self.light_mm, self.deepest_mm, self.load_share)

    @property
    def facts(self) -> dict[str, float]:
        """It as facts of a finding; expanded uncertainties, k = 2."""
        moved_mm, u_mm = self.moved_mm.value, 2.0 * self.moved_mm.u
        rate = self.rate_n_per_mm
        loads = {"load_n": moved_mm * rate, "load_u_n": u_mm * rate}
        share = {"load_share": self.load_share.value, "share_u": 2.0 * self.load_share.u}
        return {"moved_mm": moved_mm, "u_mm": u_mm} | loads | share


def moved_since(
    new: PressedPath,
    own: Iterable[PressedPath],
    repeats: Iterable[tuple[PressedPath, PressedPath]],
) -> Moved | None:
    """Compare a press with the first ones of its spring; None where they can't be compared.

    Args:
        own: the first ones.
        repeats: pairs of presses of one spring running: they show how well springs repeat.
    """
    found = [alike for one in own if (alike := differ(new, one)) is not None]
    if not found:
        return None
    repeated = [alike for two in repeats if (alike := differ(*two)) is not None]
    light, deepest = (_mean([end(one) for one in found]) for end in _ENDS)
    u_mm = max(light.u, deepest.u, *(_repeats(map(end, repeated), len(found)) for end in _ENDS))
    share = _mean([one.load_share for one in found])
    apart = [one.load_share.value for one in repeated]
    share_u = max(share.u, _sd(apart) * _times(len(found)))
    return Moved(
        light._replace(u=u_mm),
        deepest._replace(u=u_mm),
        share._replace(u=share_u),
        new.deep_rate_n_per_mm,
    )


def _light(alike: Alike) -> Measured:
    return alike.moved_mm


def _deepest(alike: Alike) -> Measured:
    return alike.deepest_mm


_ENDS = (_light, _deepest)


def _mean(found: Sequence[Measured]) -> Measured:
    """Return the mean; what is common to all of the new press does not become less by it."""
    value = math.fsum(one.value for one in found) / len(found)
    return Measured(value, math.sqrt(math.fsum(one.u**2 for one in found) / len(found)))


def _times(presses: int) -> float:
    """How many standard deviations of one press the difference to a mean of some has."""
    return math.sqrt(1.0 + 1.0 / presses)


def _repeats(apart: Iterable[Measured], presses: int) -> float:
    """Return the uncertainty of such a difference by how well springs repeat, mm."""
    return max(LEAST_SD_MM, _sd([one.value for one in apart])) * _times(presses)


def _sd(apart: Sequence[float]) -> float:
    """Return the standard deviation of one press, by how far pairs lie apart; 0 for none."""
    return math.sqrt(math.fsum(one**2 for one in apart) / (2 * len(apart))) if apart else 0.0
