"""Whether a spring presses like those it is said to belong to. Pure.

All thresholds are our choice, no source. A spring that is weak by 5 to 15 % is to pass as the one
it is; another make or size is to be asked about.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from coilbench.capture.blocks import Finding
from coilbench.capture.calibration.statistics import median, medians, slope_through
from coilbench.capture.strokes.branch import Branch

Array = NDArray[np.float64]

LEVEL_OFF = 0.20  # of the load, at the middle of the well pressed heights
SAID_OFF = 0.05  # of the set's: what the check of a set calls weak or stiff, common practice
TWO = 2  # springs known: where they are not alike, either may be the odd one
FEWEST_FOR_SET = 2  # springs known, for that
SHAPE_OFF = (
    0.30  # of the rate, in the deeper or the lighter half of them: a cracked coil takes 25 %
)
NOMINAL_OFF = 0.35  # of the nominal: a whole used set may be well below it
FEWEST_FOR_SHAPE = 2  # springs known
CROSS_OFF = (0.08, 0.05)  # where they are light and where deep: softer there, stiffer here
FROM_SHARE = 0.25  # of the others' largest load: above it a spring is well pressed
LEAST_SPAN_MM = 3.0
HEIGHTS = 40
_SHARES = np.linspace(0.0, 1.0, HEIGHTS)


class Known(NamedTuple):
    """What a spring should press like: its own presses before, else the others', else nominal.

    Attributes:
        only: the label of the other spring, where a single one is known: either may be the odd one.
    """

    label: str
    own: bool
    others: tuple[Branch, ...]
    nominal: tuple[tuple[float, float], ...]
    only: str | None = None

    @property
    def level_off(self) -> float:
        """The share of the load from which it is asked about."""
        return LEVEL_OFF if self.others else NOMINAL_OFF

    def unlike(self, pressed: Branch) -> Finding | None:
        """Say how a stroke departs from it; None where it does not, or little."""
        found = unlike(pressed, self.others, self.nominal)
        facts = {"label": self.label, "own": self.own, "other": self.only}
        return None if found is None else replace(found, facts=facts | dict(found.facts))


def unlike(
    pressed: Branch, others: Sequence[Branch], nominal: Sequence[tuple[float, float]] = ()
) -> Finding | None:
    """Say how a stroke departs from other springs' strokes; None where it does not, or little.

    Args:
        pressed: the mean of both ways over height, as are the others; heights ascending.
        others: one a spring that is known.
        nominal: (height_mm, load_n) that a spring of the set should push; judged by only where no
            other spring is known.
    """
    if not others:
        return _unlike_nominal(pressed, nominal)
    if len(others) != TWO or alike(*others):
        return _unlike_usual(pressed, others)
    # between two that are not alike nothing is usual: it is to be like one of them
    each = [_unlike_usual(pressed, [one]) for one in others]
    departs = [one for one in each if one is not None]
    if len(departs) < TWO:
        return None
    nearer = min(departs, key=lambda one: abs(one["off_share"]))
    return replace(nearer, facts={**nearer.facts, "others": TWO, "nearer": True})


def _unlike_usual(pressed: Branch, others: Sequence[Branch]) -> Finding | None:
    """Say how a stroke departs from the others' median."""
    compared = _compare(pressed, others)
    if compared is None:
        return None
    heights, loads, usual = compared
    share = loads / usual - 1.0
    found = _departs(heights, loads, usual, share, len(others))
    if found is None:
        return None
    reason, off = found
    facts = _shown(*compared, share, len(others))
    return Finding.of("another_spring", reason=reason, off_share=off, **facts)


def _departs(
    heights: Array, loads: Array, usual: Array, share: Array, others: int
) -> tuple[str, float] | None:
    """Return in what a stroke departs, and by what share; None where it does not, or little."""
    off = median(share)
    if abs(off) > LEVEL_OFF:
        return "level", off
    light, deep = _ends_off(share)
    if light * deep < 0.0 and abs(light) > CROSS_OFF[0] and abs(deep) > CROSS_OFF[1]:
        return "crosses", deep
    if others < FEWEST_FOR_SHAPE:
        return None
    bent = max(_rates_off(heights, loads, usual), key=abs)
    return ("shape", bent) if abs(bent) > SHAPE_OFF else None


def alike(pressed: Branch, other: Branch) -> bool:
    """Tell whether two strokes, which share heights, may be of springs of one set."""
    return _compare(pressed, [other]) is not None and unlike(pressed, [other]) is None


def beside_the_set(pressed: Branch, others: Sequence[Branch]) -> Finding | None:
    """Say where a spring is weaker or stiffer than the others, further than a check lets pass."""
    compared = _compare(pressed, others) if len(others) >= FEWEST_FOR_SET else None
    if compared is None:
        return None
    share = compared[1] / compared[2] - 1.0
    off = median(share)
    if abs(off) <= SAID_OFF:
        return None
    return Finding.of("beside_the_set", off_share=off, **_shown(*compared, share, len(others)))


def _compare(pressed: Branch, others: Sequence[Branch]) -> tuple[Array, Array, Array] | None:
    """Return heights that all share, the load there, and the others' median."""
    heights = _shared_heights(pressed, others)
    if heights is None:
        return None
    loads = np.interp(heights, pressed.height_mm, pressed.load_n)
    known = np.array([np.interp(heights, one.height_mm, one.load_n) for one in others])
    usual = known[0] if len(known) == 1 else medians(known.T)
    return heights, loads, usual


def _shown(heights: Array, loads: Array, usual: Array, share: Array, others: int) -> dict[str, Any]:
    """Return where it shows by what share the load departs in the middle."""
    at = int(np.argmin(np.abs(share - median(share))))
    shown = {"height_mm": heights[at], "load_n": loads[at], "usual_n": usual[at]}
    return {name: float(one) for name, one in shown.items()} | {"others": others}


def _ends_off(share: Array) -> tuple[float, float]:
    """Return by what share the load departs in the highest quarter of heights and the lowest."""
    quarter = share.size // 4
    return median(share[-quarter:]), median(share[:quarter])


def _unlike_nominal(pressed: Branch, nominal: Sequence[tuple[float, float]]) -> Finding | None:
    found = []
    for height_mm, usual_n in nominal:
        if pressed.height_mm[0] <= height_mm <= pressed.height_mm[-1]:
            load_n = float(np.interp(height_mm, pressed.height_mm, pressed.load_n))
            found.append((load_n / usual_n - 1.0, height_mm, load_n, usual_n))
    if not found or min(abs(one[0]) for one in found) <= NOMINAL_OFF:
        return None
    off, height_mm, load_n, usual_n = max(found, key=lambda one: abs(one[0]))
    facts = {"height_mm": height_mm, "load_n": load_n, "usual_n": usual_n, "others": 0}
    return Finding.of("another_spring", reason="nominal", off_share=off, **facts)


def _shared_heights(pressed: Branch, others: Sequence[Branch]) -> Array | None:
    """Return heights where all were pressed and the others push well; None where too few."""
    everyone = [pressed, *others]
    low = max(float(one.height_mm[0]) for one in everyone)
    tops = [float(one.height_mm[-1]) for one in everyone]
    for one in others:
        well = one.height_mm[one.load_n > FROM_SHARE * one.load_n.max()]
        tops.append(float(well.max(initial=low)))
    high = min(tops)
    return low + _SHARES * (high - low) if high - low >= LEAST_SPAN_MM else None


def _rates_off(heights: Array, loads: Array, usual: Array) -> tuple[float, float]:
    """Return by what share the rate departs, in the deeper half and in the lighter one."""
    half = heights.size // 2
    deep, light = (
        slope_through(heights[part], loads[part]) / slope_through(heights[part], usual[part]) - 1.0
        for part in (slice(None, half), slice(half, None))
    )
    return deep, light


def mean_of_ways(down: Branch, up: Branch) -> Branch:
    """Return the mean load of both ways over height, ascending: the lag's part cancels.

    Where one way is missing the other stands alone; heights of the way down.
    """
    ways = [(one, np.argsort(one.height_mm, kind="stable")) for one in (down, up) if len(one)]
    if not ways:
        return down
    heights = ways[0][0].height_mm[ways[0][1]]
    loads = [np.interp(heights, one.height_mm[order], one.load_n[order]) for one, order in ways]
    return Branch(heights, np.mean(loads, axis=0))
