"""First readings of every spring of a role: loads at many heights out of the stored curves.

The mean over the strokes of both branches, read between the rows. No stroke is judged and no lag
undone, so a load may be off by what its strokes and branches differ, and by what the spring changes
over SHIFT_MM; between readings far apart it is anywhere between theirs.

The mean of both branches cancels a lag as far as the press went up as fast as down, and friction as
far as both ways have the same: what is left is a share of half the loop between them. How large a
share is not known from the curves, but it is seen on the springs that are judged (`Looks`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import compress

import msgspec
import numpy as np
from msgspec.structs import replace

from coilbench.analysis.engine.three_index import Array
from coilbench.capture.book.connection import Database
from coilbench.capture.book.shelf import ShelfSpring, StoredBranch, shelf_branches, shelf_springs
from coilbench.capture.strokes.stored import STEP_MM, STRAIGHT_SHARE

SHIFT_MM = STEP_MM  # ours: how far off a stored height may be from that of a judged curve
FAR_MM = 1.0  # ours: readings further apart do not say how the curve runs between them
NOISE_SHARE = 0.005  # ours: of the highest load, that counts as loop where there is hardly any
OFF_SHARE = 0.5  # ours: of half the loop, that the mean of both branches is off by; not yet seen
ENOUGH_SEEN = 36  # ours: springs, fewer of which make no share narrower than that
WIDER = 1.5  # ours: how much more than seen looks at other springs are taken to be off


class Looks(msgspec.Struct, frozen=True):
    """How far the means of both branches are off, in shares of half the loop between them.

    Attributes:
        low, high: shape (H,), between what shares a judged load is taken to lie from the mean.
        springs: how many that are judged were compared.
    """

    low: Array
    high: Array
    springs: int

    @classmethod
    def seen(cls, shares: Array) -> Looks:
        """Return them from the shares of judged springs, shape (n, H), NaN where there is none."""
        known = ~np.isnan(shares)
        count = known.sum(axis=0)
        least = np.where(known, shares, np.inf).min(axis=0, initial=np.inf)
        most = np.where(known, shares, -np.inf).max(axis=0, initial=-np.inf)
        least, most = (np.where(count > 0, each, 0.0) for each in (least, most))
        middle, half = (least + most) / 2.0, WIDER * (most - least) / 2.0
        few = count < ENOUGH_SEEN
        low = np.where(few, np.fmin(middle - half, -OFF_SHARE), middle - half)
        high = np.where(few, np.fmax(middle + half, OFF_SHARE), middle + half)
        return cls(low, high, int(known.any(axis=1).sum()))


class FirstLoads(msgspec.Struct, frozen=True):
    """Springs of a role at some heights.

    Attributes:
        springs: N of them.
        heights_mm: H of them, ascending.
        load_n, least_n, most_n: shape (N, H), the load and between what it lies; NaN: not read.
        half_n: shape (N, H), half the loop between the branches; NaN where a stroke shows one only.
        lowest_mm, highest_mm: shape (N,), between what each was read; NaN where it was not.
    """

    springs: tuple[ShelfSpring, ...]
    heights_mm: Array
    load_n: Array
    least_n: Array
    most_n: Array
    half_n: Array
    lowest_mm: Array
    highest_mm: Array

    @classmethod
    def read(
        cls, db: Database, roles: tuple[str, str], mark: str | None, heights_mm: Array
    ) -> FirstLoads:
        """Read all springs of sets of these roles, with a mark or None for any."""
        springs = tuple(shelf_springs(db, roles, mark))
        at = {spring.row: number for number, spring in enumerate(springs)}
        total = np.zeros((len(springs), len(heights_mm)))
        half_n = total.copy()
        count, least_n, most_n = total.copy(), total + np.inf, total - np.inf
        ends = np.full((2, len(springs)), np.nan)
        for spring, branches in _by_spring(shelf_branches(db, roles)):
            number = at.get(spring)
            if number is None:
                continue
            branches = _keyed_as_one(branches)
            for stroke in {branch.stroke for branch in branches}:
                ways = [branch for branch in branches if branch.stroke == stroke]
                own = [_between(branch, heights_mm) for branch in ways]
                loads = np.array([load for load, _ in own])
                unsure = np.array([half for _, half in own])
                read = ~np.isnan(loads)
                seen = read.any(axis=0)
                shared = np.where(seen, read.sum(axis=0), 1)
                total[number] += np.where(read, loads, 0.0).sum(axis=0) / shared
                count[number] += seen
                both = (read.sum(axis=0) == 2) & all(way.sampled for way in ways)
                noise_n = NOISE_SHARE * float(ways[0].load_n.max())
                loop_n = np.abs(loads[0] - loads[-1]) + noise_n
                half_n[number] += np.where(both | ~seen, np.where(seen, loop_n / 2.0, 0.0), np.nan)
                least_n[number] = np.fmin(least_n[number], np.fmin.reduce(loads - unsure))
                most_n[number] = np.fmax(most_n[number], np.fmax.reduce(loads + unsure))
            ends[0, number] = min(branch.height_mm[0] for branch in branches)
            ends[1, number] = max(branch.height_mm[-1] for branch in branches)
        load_n = total / np.where(count > 0.0, count, np.nan)
        read_at = ~np.isnan(load_n)
        least_n, most_n = (np.where(read_at, each, np.nan) for each in (least_n, most_n))
        half_n = half_n / np.where(count > 0.0, count, np.nan)
        return cls(
            springs, heights_mm, load_n, np.fmax(least_n, 0.0), most_n, half_n, ends[0], ends[1]
        )

    def of(self, chosen: Sequence[int] | np.ndarray) -> FirstLoads:
        """Return some of the springs."""
        some = np.asarray(chosen, dtype=np.intp)
        springs = tuple(self.springs[number] for number in some)
        return FirstLoads(
            springs,
            self.heights_mm,
            self.load_n[some],
            self.least_n[some],
            self.most_n[some],
            self.half_n[some],
            self.lowest_mm[some],
            self.highest_mm[some],
        )

    def shares(self, load_n: Array) -> Array:
        """Return in what shares of half the loop loads, shape (N, H), lie from the means."""
        return (load_n - self.load_n) / self.half_n

    def within(self, looks: Looks) -> FirstLoads:
        """Return them lying where looks say, if both branches were read."""
        least_n, most_n = (self.load_n + one * self.half_n for one in (looks.low, looks.high))
        one_way = np.isnan(self.half_n)
        least_n = np.where(one_way, self.least_n, np.fmax(least_n, 0.0))
        return replace(self, least_n=least_n, most_n=np.where(one_way, self.most_n, most_n))

    @property
    def sets(self) -> tuple[str, ...]:
        """Names of their sets, each once."""
        return tuple(dict.fromkeys(spring.set_name for spring in self.springs))


def _by_spring(branches: Iterable[StoredBranch]) -> Iterable[tuple[int, list[StoredBranch]]]:
    """Gather the branches of each spring; they come one spring after the other."""
    own: list[StoredBranch] = []
    for branch in branches:
        if own and own[0].spring_row != branch.spring_row:
            yield own[0].spring_row, own
            own = []
        own.append(branch)
    if own:
        yield own[0].spring_row, own


def _keyed_as_one(branches: list[StoredBranch]) -> list[StoredBranch]:
    """Take all of a spring's strokes of a single reading for one curve, as a judgement does.

    Each height at the mean of its readings. Else one would be read at its own height alone.
    """
    alone = [not one.sampled and len(one.height_mm) == 1 for one in branches]
    single = list(compress(branches, alone))
    if len(single) < 2:
        return branches
    heights_mm, which = np.unique([one.height_mm[0] for one in single], return_inverse=True)
    loads_n = np.array([one.load_n[0] for one in single])
    mean_n = np.bincount(which, loads_n) / np.bincount(which)
    spread_n = float(np.abs(loads_n - mean_n[which]).max())
    pooled = single[0]._replace(height_mm=heights_mm, load_n=mean_n, spread_n=spread_n)
    return [*(one for one, lone in zip(branches, alone, strict=True) if not lone), pooled]


def _between(branch: StoredBranch, heights_mm: Array) -> tuple[Array, Array]:
    """Read one branch at heights, and how far each load may be off; NaN outside its rows."""
    height_mm, load_n = branch.height_mm, branch.load_n
    above = np.clip(np.searchsorted(height_mm, heights_mm), 1, max(len(height_mm) - 1, 1))
    if len(height_mm) == 1:
        same = np.abs(heights_mm - height_mm[0]) < 1e-6  # one row is read at its height alone
        return np.where(same, load_n[0], np.nan), np.where(same, branch.spread_n, np.nan)
    gap_mm = height_mm[above] - height_mm[above - 1]
    rise_n = load_n[above] - load_n[above - 1]
    safe_mm = np.where(gap_mm > 0.0, gap_mm, 1.0)
    loads_n = load_n[above - 1] + rise_n * (heights_mm - height_mm[above - 1]) / safe_mm
    unsure_n = np.abs(rise_n) * SHIFT_MM / safe_mm + STRAIGHT_SHARE * float(np.abs(load_n).max())
    if not branch.sampled:
        unsure_n = np.where(gap_mm > FAR_MM, np.abs(rise_n), unsure_n) + branch.spread_n
    inside = (heights_mm >= height_mm[0]) & (heights_mm <= height_mm[-1])
    return np.where(inside, loads_n, np.nan), np.where(inside, unsure_n, np.nan)
