"""Each spring's solid height: its own, else what its sisters show or its set is registered with.

A spring that was not measured is taken to be as high as any that was, for that is the careful side.
Pure.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Collection, Iterable, Mapping
from typing import Literal, NamedTuple

from coilbench.analysis.engine.coil import Coil
from coilbench.analysis.engine.reasons import SolidContradicted
from coilbench.capture.calibration.statistics import coverage_factor

# Expanded, 95 %; all of them are our choice, no source.
UNSTATED_U_MM = 0.3  # of a height that came without one, as registered ones do
COUNT_U = 0.25  # of a turn, by which counted coils may be off: as much of a wire's thickness
SPREAD_U_MM = 0.3  # between the springs of a set, where too few were measured to tell
FEWEST_FOR_SPREAD = 3

SolidFrom = Literal["own", "sisters", "stated", "registered", "computed"]


class SolidHeight(NamedTuple):
    """A solid height, its expanded uncertainty and how it is known.

    The uncertainty of several together is how far the highest may reach above the height.
    """

    height_mm: float
    height_u_mm: float
    known_from: SolidFrom

    @property
    def top_mm(self) -> float:
        """How high it may be."""
        return self.height_mm + self.height_u_mm

    @staticmethod
    def highest(heights: Iterable[SolidHeight]) -> SolidHeight | None:
        """Return the highest of some; None of none. It reaches as far up as any of them may."""
        known = tuple(heights)
        if not known:
            return None
        top_mm, high = max(one.top_mm for one in known), max(known, key=lambda one: one.height_mm)
        return high._replace(height_u_mm=round(top_mm - high.height_mm, 6))


def of_unmeasured(
    sisters: Collection[SolidHeight],
    registered_mm: float | None,
    coil: Coil | None,
    registered_u_mm: float | None = None,
) -> SolidHeight | None:
    """Return the solid height of a spring that shows none itself; None where nothing tells.

    The higher of what its sisters show, with their spread, and what the set is registered with;
    with neither, that of its wire and coils.

    Args:
        registered_u_mm: expanded; None where none is stated: UNSTATED_U_MM is assumed.
    """
    known = [] if not sisters else [_of_sisters(sisters)]
    if registered_mm is not None:
        if registered_u_mm is None:
            known.append(SolidHeight(registered_mm, UNSTATED_U_MM, "registered"))
        else:
            known.append(SolidHeight(registered_mm, registered_u_mm, "stated"))
    if not known and coil is not None:
        known.append(SolidHeight(coil.solid_height_mm, COUNT_U * coil.wire_mm, "computed"))
    return SolidHeight.highest(known)


def _of_sisters(sisters: Collection[SolidHeight]) -> SolidHeight:
    """The highest of them, less sure by what springs differ (Student's where that was seen)."""
    heights_mm, spread_mm = [one.height_mm for one in sisters], SPREAD_U_MM
    if len(sisters) >= FEWEST_FOR_SPREAD:
        spread_mm = coverage_factor(len(sisters) - 1.0) * statistics.stdev(heights_mm)
    spread = (
        one._replace(height_u_mm=(one.height_u_mm**2 + spread_mm**2) ** 0.5) for one in sisters
    )
    found = SolidHeight.highest(spread)
    if found is None:
        raise ValueError("no sisters")
    return found._replace(known_from="sisters")


def surely_below(height_mm: float, registered_mm: float | None, u_mm: float | None) -> bool:
    """Tell whether a spring that was pressed to a height disproves a registered solid height.

    A height that is read may be off by UNSTATED_U_MM, too.

    Args:
        u_mm: expanded, of the registered height; None where none is stated.
    """
    if registered_mm is None:
        return False
    return height_mm < registered_mm - math.hypot(
        UNSTATED_U_MM if u_mm is None else u_mm, UNSTATED_U_MM
    )


def contradicted(
    set_name: str,
    own: Mapping[str, SolidHeight],
    pressed_mm: Mapping[str, float],
    registered_mm: float | None,
    registered_u_mm: float | None = None,
) -> SolidContradicted | None:
    """Return the springs that contradict a registered solid height by more than both may be off.

    Args:
        pressed_mm: down to where springs that show no solid height went, where that is surely
            below the registered one.
    """
    if registered_mm is None:
        return None
    u_mm = UNSTATED_U_MM if registered_u_mm is None else registered_u_mm
    off_mm = {label: abs(one.height_mm - registered_mm) for label, one in own.items()}
    found = [
        label for label, one in own.items() if off_mm[label] > math.hypot(one.height_u_mm, u_mm)
    ]
    labels = (*found, *pressed_mm)
    if not labels:
        return None
    measured_mm = None if not found else own[max(found, key=lambda label: off_mm[label])].height_mm
    lowest_mm = min(pressed_mm.values(), default=None)
    return SolidContradicted(set_name, labels, registered_mm, measured_mm, lowest_mm)
