"""Closeness to the card against effort: each step up in effort must come nearer. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from coilbench.analysis.engine.build_file import Cam
from coilbench.analysis.engine.combination import Combination, card_distance
from coilbench.analysis.engine.pair_words import choice_words, closeness_words
from coilbench.capture.units import Units

NEARER = 1e-9
BAR_CELLS = 16


@dataclass(frozen=True)
class Trade:
    """A combination that nothing of less or equal effort comes nearer than.

    Attributes:
        distance: from the card, see `card_distance`.
        words: "no shims: 3.0 % high at full lift, …".
    """

    combination: Combination
    distance: float
    words: str


def trade_off(combinations: Sequence[Combination], cam: Cam, units: Units) -> tuple[Trade, ...]:
    """List what can be chosen knowingly, least effort first, each nearer than all before it.

    Only what keeps the limits, and of which there are shims enough for every valve.
    """
    able = [
        (each.effort, distance, at, each)
        for at, each in enumerate(combinations)
        if each.limits_kept and each.stocked and (distance := card_distance(each, cam)) is not None
    ]
    trades: list[Trade] = []
    for _, distance, _, each in sorted(able, key=lambda one: one[:3]):
        if not trades or distance < trades[-1].distance - NEARER:
            words = f"{choice_words(each.choice, units)}: {closeness_words(cam, each)}"
            trades.append(Trade(each, distance, words))
    return tuple(trades)


def bars(trades: Sequence[Trade]) -> list[str]:
    """Draw how far each is from the card, the farthest as a full bar, all equally wide.

    The number is the root of the distance: 1 where one load is off by its tolerance.
    """
    misses = [math.sqrt(trade.distance) for trade in trades]
    most = max(misses, default=0.0)
    cells = [math.ceil(BAR_CELLS * miss / most) if most > NEARER else 0 for miss in misses]
    return [
        f"{'#' * count:<{BAR_CELLS}} {miss:5.2f}" for count, miss in zip(cells, misses, strict=True)
    ]


def trade_document(trade: Trade) -> dict[str, object]:
    """Return one step of the JSON document of `pair`."""
    each = trade.combination
    return {
        "outer": each.outer,
        "inner": each.inner,
        "shim_mm": each.choice.shim_mm,
        "seat_cut_mm": each.choice.seat_cut_mm,
        "shims": len(each.choice.shims_mm),
        "distance": trade.distance,
        "fits": each.fits,
        "words": trade.words,
    }
