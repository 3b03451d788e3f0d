"""Which springs of a points file were closed down until their coils touched. Pure.

The rule is ours, no source: a file has no column that says "solid", so that the springs
themselves must show that they, and not a stop, ended the presses.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from coilbench.capture.strokes.sweep import Branch
from coilbench.capture.tables.points_file import SpringPoints

FEWEST_SPRINGS = 3
FEWEST_SHARED_HEIGHTS = 2
FEWEST_TURNS = 3
_SAME_MM = 4  # decimals to which two heights are the same, for units change the last bits


@dataclass(frozen=True)
class SolidHeight:
    """A spring's solid height, as far as its points tell.

    Attributes:
        label: the spring's name inside its set.
        solid_height_mm: None where they do not tell.
        reason: why, in words, without a full stop.
    """

    label: str
    solid_height_mm: float | None
    reason: str


def find_solid_heights(
    springs: Sequence[SpringPoints], closed_down: bool | None = None
) -> tuple[SolidHeight, ...]:
    """Find each spring's solid height from its row with the largest load.

    Without a word from the user the presses count as closed down when there are at least three
    springs with points both ways, at least two loading heights that all springs but one share
    (stated heights), and at least three different lowest heights, most of them below the lowest
    shared one: each press went on past the stated heights until its own spring stopped it.

    Args:
        springs: the springs of one file.
        closed_down: the user's word: True closed down, False not, None look.

    Returns:
        One entry a spring, in the same order.
    """
    if closed_down is None:
        closed_down, why = _presses_end_at_springs(springs)
    else:
        why = "said to be closed down" if closed_down else "said not to be closed down"
    return tuple(
        _solid_height(spring, why) if closed_down else SolidHeight(spring.label, None, why)
        for spring in springs
    )


def _solid_height(spring: SpringPoints, why: str) -> SolidHeight:
    if not len(spring.loading):
        return SolidHeight(spring.label, None, "no points on the way down")
    largest_n = max(float(branch.load_n.max()) for branch in _branches(spring))
    lowest_mm = _turning_height_mm(spring)
    at_lowest = np.isclose(spring.loading.height_mm, lowest_mm, rtol=0.0, atol=10.0**-_SAME_MM)
    if not np.any(spring.loading.load_n[at_lowest] == largest_n):
        reason = "its largest load is not at its lowest height on the way down"
        return SolidHeight(spring.label, None, reason)
    return SolidHeight(spring.label, lowest_mm, f"its row with the largest load: {why}")


def _presses_end_at_springs(springs: Sequence[SpringPoints]) -> tuple[bool, str]:
    """Judge whether the springs ended the presses, with the reason in words."""
    if len(springs) < FEWEST_SPRINGS:
        return False, f"fewer than {FEWEST_SPRINGS} springs cannot show where presses end"
    if not all(len(spring.loading) and len(spring.unloading) for spring in springs):
        return False, "not every spring has points both ways"
    counted: Counter[float] = Counter()
    for spring in springs:
        counted.update({round(float(mm), _SAME_MM) for mm in spring.loading.height_mm})
    shared = [mm for mm, times in counted.items() if times >= len(springs) - 1]
    if len(shared) < FEWEST_SHARED_HEIGHTS:
        return False, "the springs share no two heights that were stated beforehand"
    turns = [round(_turning_height_mm(spring), _SAME_MM) for spring in springs]
    if len(set(turns)) < FEWEST_TURNS:
        return False, "the presses end at the same height, so a stop may have ended them"
    below = sum(mm < min(shared) for mm in turns)
    if 2 * below <= len(springs):
        return False, "most presses end at a stated height, so a stop may have ended them"
    return True, "the presses went past the stated heights, each to an end of its own"


def _branches(spring: SpringPoints) -> list[Branch]:
    return [branch for branch in (spring.loading, spring.unloading) if len(branch)]


def _turning_height_mm(spring: SpringPoints) -> float:
    return min(float(branch.height_mm.min()) for branch in _branches(spring))
