"""How readings by hand repeat, pooled over a set's repeats (Type A, JCGM 100:2008, 4.2). Pure."""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterator, Mapping, Sequence
from statistics import fmean
from typing import NamedTuple

from msgspec.structs import replace

from coilbench.analysis.curves.points import PointReading, Points, readings_of
from coilbench.capture.calibration.statistics import chi_square_tail
from coilbench.capture.strokes.sweep import PointRepeat, RepeatsApart, Sweep

# Ours: with fewer, what is stated stands unless repeats clearly say more; then it counts beside
# them as so many, since one pair alone tells a scatter to no better than a factor of ten.
FEWEST_FREEDOM = 5.0
CLEARLY = 0.05  # the chance of so large a scatter if what is stated is true
# Ours: readings that scatter so many times as much as stated, and as all the others, are a slip.
SLIP_TIMES = 10.0


class _Node(NamedTuple):
    """Repeats of one load: sums of squares as seen, by steps and as stated, of so much freedom."""

    label: str
    freedom: int
    seen: float
    by_steps: float
    as_stated: float
    apart: RepeatsApart

    @classmethod
    def of(cls, readings: Sequence[PointReading], rate_n_per_mm: float) -> _Node:
        """Take the readings of one height, two at least, brought to one height by the rate."""
        loads_n = [one.load_n + rate_n_per_mm * one.height_mm for one in readings]
        mean_n, freedom = fmean(loads_n), len(readings) - 1
        variances = [_variances(one, rate_n_per_mm) for one in readings]
        return cls(
            readings[0].sweep.label,
            freedom,
            math.fsum((load_n - mean_n) ** 2 for load_n in loads_n),
            freedom * fmean([steps for steps, _ in variances]),
            freedom * fmean([stated for _, stated in variances]),
            RepeatsApart(fmean([one.height_mm for one in readings]), max(loads_n) - min(loads_n)),
        )


def _part_slips(nodes: Sequence[_Node]) -> tuple[list[_Node], list[_Node]]:
    """Part repeats that differ as readings do from those of which one reading must be wrong.

    Where most of several differ so much, that is how they repeat.
    """
    kept: list[_Node] = []
    ascending = sorted(nodes, key=lambda node: node.seen / node.freedom)
    for place, node in enumerate(ascending):
        freedom = sum(each.freedom for each in kept)
        usual = math.fsum(each.seen for each in kept) / freedom if freedom else 0.0
        most = SLIP_TIMES**2 * max(usual, node.as_stated / node.freedom)
        if node.seen / node.freedom > most:
            slips = ascending[place:]
            return (ascending, []) if len(slips) > max(1, place) else (kept, slips)
        kept.append(node)
    return kept, []


def _repeat(nodes: Sequence[_Node]) -> PointRepeat | None:
    """Return what repeats show together; None where what is stated stands.

    The steps' part is a line of its own in the budget: what is left here is the scatter beyond
    it, whose degrees of freedom are such that the whole has those of the repeats.
    """
    freedom = float(sum(node.freedom for node in nodes))
    if freedom == 0.0:
        return None
    seen = math.fsum(node.seen for node in nodes) / freedom
    by_steps = math.fsum(node.by_steps for node in nodes) / freedom
    if freedom < FEWEST_FREEDOM:
        stated = math.fsum(node.as_stated for node in nodes) / freedom
        if chi_square_tail(round(freedom), freedom * seen / stated) >= CLEARLY:
            return None
        seen = (freedom * seen + FEWEST_FREEDOM * stated) / (freedom + FEWEST_FREEDOM)
        freedom += FEWEST_FREEDOM
    return _beyond_steps(seen, by_steps, freedom)


def _beyond_steps(seen: float, by_steps: float, freedom: float) -> PointRepeat:
    beyond = seen - by_steps
    if beyond <= 0.0:
        return PointRepeat(0.0, math.inf)
    return PointRepeat(math.sqrt(beyond), freedom * (beyond / seen) ** 2)


def _of_slips(nodes: Sequence[_Node]) -> PointRepeat:
    """Return what a spring's own slips leave open: which reading is wrong is not known."""
    freedom = float(sum(node.freedom for node in nodes))
    seen = math.fsum(node.seen for node in nodes) / freedom
    repeat = _beyond_steps(seen, math.fsum(node.by_steps for node in nodes) / freedom, freedom)
    return repeat._replace(apart=tuple(node.apart for node in nodes))


def _variances(one: PointReading, rate_n_per_mm: float) -> tuple[float, float]:
    """What steps make one reading scatter, and with it what is stated, N^2."""
    sweep = one.sweep
    if sweep.hand is None:
        height_n = rate_n_per_mm * sweep.height_u_mm
        load_n = sweep.load_u_n if one.stated_u_n is None else one.stated_u_n
        return height_n**2 + load_n**2, height_n**2 + load_n**2
    setup = sweep.hand.setup
    steps = setup.step_u_n**2 + (rate_n_per_mm * setup.step_u_mm) ** 2
    return steps, steps + setup.repeat_u_n**2


def _like(sweep: Sweep) -> Hashable:
    return None if sweep.hand is None else sweep.hand.setup.like


def with_repeats(sweeps: Mapping[str, Sequence[Sweep]]) -> dict[str, list[Sweep]]:
    """Return a set's sweeps, those of chosen points with what their repeats show together.

    Readings taken alike (scale, steps, lever) are pooled, but for slips, which make their own
    spring unsure and no other; also told is what all readings of the set have in common.
    """
    pointed = [one for own in sweeps.values() for one in own if not one.dense]
    repeats: dict[Hashable, PointRepeat | None] = {}
    slipped: dict[tuple[Hashable, str], PointRepeat] = {}
    for like in dict.fromkeys(map(_like, pointed)):
        kept, slips = _part_slips(list(_nodes(sweeps, like)))
        repeats[like] = _repeat(kept)
        for label in {node.label for node in slips}:
            slipped[like, label] = _of_slips([node for node in slips if node.label == label])
    hands = [one.hand for one in pointed if one.hand is not None]
    one_run = len({hand.run for hand in hands}) == 1
    one_tare = len({(hand.day, hand.setup.tare_n) for hand in hands}) == 1

    def told(sweep: Sweep) -> Sweep:
        if sweep.dense:
            return sweep
        hand = sweep.hand
        known = None if hand is None else replace(hand, one_run=one_run, one_tare=one_tare)
        like = _like(sweep)
        repeat = slipped.get((like, sweep.label), repeats[like])
        return replace(sweep, point_repeat=repeat, hand=known)

    return {label: [told(sweep) for sweep in own] for label, own in sweeps.items()}


def _nodes(sweeps: Mapping[str, Sequence[Sweep]], like: Hashable) -> Iterator[_Node]:
    """Yield the repeats among readings that were taken alike."""
    for own in sweeps.values():
        alike = [one for one in own if not one.dense and _like(one) == like]
        for way in (True, False):
            points = Points.pooled(readings_of(alike, loading=way))
            if points is not None:
                for node, rate in zip(points.readings, points.rates(), strict=True):
                    if len(node) > 1:
                        yield _Node.of(node, float(rate))
