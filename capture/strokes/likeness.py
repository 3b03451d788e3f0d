"""Whether a spring presses like those it is said to belong to. Pure.

All thresholds are our choice, no source. A spring that is weak by 5 to 15 % is to pass as the one
it is; another make or size is to be asked about.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import Finding
from coilbench.capture.strokes.branch import Branch

Array = NDArray[np.float64]

LEVEL_OFF = 0.20  # of the load, at the middle of the well pressed heights
SHAPE_OFF = (
    0.30  # of the rate, in the deeper or the lighter half of them: a cracked coil takes 25 %
)
NOMINAL_OFF = 0.35  # of the nominal: a whole used set may be well below it
FEWEST_FOR_SHAPE = 2  # springs known
FROM_SHARE = 0.25  # of the others' largest load: above it a spring is well pressed
LEAST_SPAN_MM = 3.0
HEIGHTS = 40


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
    heights = _shared_heights(pressed, others)
    if heights is None:
        return None
    loads = np.interp(heights, pressed.height_mm, pressed.load_n)
    usual = np.median([np.interp(heights, one.height_mm, one.load_n) for one in others], axis=0)
    share = loads / usual - 1.0
    off = float(np.median(share))
    at = int(np.argmin(np.abs(share - off)))
    facts = {
        "height_mm": float(heights[at]),
        "load_n": float(loads[at]),
        "usual_n": float(usual[at]),
        "others": len(others),
    }
    if abs(off) > LEVEL_OFF:
        return Finding.of("another_spring", reason="level", off_share=off, **facts)
    bent = max(_rates_off(heights, loads, usual), key=abs)
    if len(others) >= FEWEST_FOR_SHAPE and abs(bent) > SHAPE_OFF:
        return Finding.of("another_spring", reason="shape", off_share=bent, **facts)
    return None


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
    return np.linspace(low, high, HEIGHTS) if high - low >= LEAST_SPAN_MM else None


def _rates_off(heights: Array, loads: Array, usual: Array) -> tuple[float, float]:
    """Return by what share the rate departs, in the deeper half and in the lighter one."""
    half = heights.size // 2
    deep, light = (
        float(np.polyfit(heights[part], loads[part], 1)[0])
        / float(np.polyfit(heights[part], usual[part], 1)[0])
        - 1.0
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
