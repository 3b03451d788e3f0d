"""Which pair of sets over which shims or cut comes nearest to the card, and how sure that is. Pure.

All the loads that any choice needs are interpolated from each set's mean load at a few heights, its
knots, whose errors are jointly normal. So how far a choice is from the card is drawn, not bounded.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

import msgspec
import numpy as np

from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.cam import ROUNDING, exceeds
from coilbench.analysis.engine.placed import SetCurves, clearance_low
from coilbench.analysis.engine.press_model import Array, Loads
from coilbench.analysis.engine.presses import STOP_RISK, PairChoice, Rival
from coilbench.analysis.engine.shims import ROLES, Role, SeatChoice, SeatOptions
from coilbench.analysis.engine.valve_loads import Place, places_of, valves_of
from coilbench.capture.unit_factors import KGF_N

MARGIN_N = 0.2 * KGF_N  # nearer to the card by less is no better
DRAWS = 4000
SEED = 20
KNOTS = 5  # in each window
MOST_NUMBERS = 4_000_000  # loads drawn at a time, to save memory
FLAT = 0.1  # in tolerances: how round the bottom of the distance is where its slope is taken
MATTERS = 1e-3  # chance of being better from which a rival counts


class Standing(msgspec.Struct, frozen=True):
    """A set's knots.

    Attributes:
        knots_mm: ascending: at full lift, then with the valve shut, each over its window.
    """

    name: str
    knots_mm: Array

    @classmethod
    def over(cls, name: str, windows_mm: Sequence[tuple[float, float]]) -> Standing:
        """Spread knots over windows that ascend and don't overlap."""
        knots = [np.linspace(low_mm, high_mm, KNOTS) for low_mm, high_mm in windows_mm]
        return cls(name, np.unique(np.concatenate(knots)))

    def weights(self, height_mm: float) -> Array | None:
        """Return what each knot counts for at a height; None outside all windows."""
        knots = self.knots_mm
        if not knots[0] - ROUNDING <= height_mm <= knots[-1] + ROUNDING:
            return None
        each = [np.interp(height_mm, knots, row) for row in np.eye(len(knots))]
        return np.array(each)


class Ruling(msgspec.Struct, frozen=True):
    """How the choices stand.

    Attributes:
        best: index of the choice that is least likely to be bettered by more than the margin; of
            equally likely ones the one that is nearest to the card on average.
        risk: chance that any other is nearer by more than the margin.
        chances: of each choice to be nearer than the best by more than the margin, shape (c,).
        miss_n: how far each is from the card, mean of the draws, shape (c,).
    """

    best: int
    risk: float
    chances: Array
    miss_n: Array


class Contest(msgspec.Struct, frozen=True):
    """Choices with the loads they need.

    Attributes:
        choices: c of them, that break no known limit.
        sets: that some choice uses; their knots are counted one set after the other, k in all.
        rows: what each knot counts for in each load, shape (c, r, k).
        card_n, tolerance_n, share: of each load, shape (r,); the shares of both ends sum to 1 each.
    """

    choices: tuple[PairChoice, ...]
    sets: tuple[Standing, ...]
    rows: Array
    card_n: Array
    tolerance_n: Array
    share: Array

    @property
    def miss_unit_n(self) -> float:
        """What one tolerance counts for: the narrowest of the card."""
        return float(self.tolerance_n.min())

    def part(self, name: str) -> slice:
        """Return where a set's knots are."""
        start = 0
        for each in self.sets:
            if each.name == name:
                return slice(start, start + len(each.knots_mm))
            start += len(each.knots_mm)
        raise KeyError(name)

    def miss_n(self, knot_n: Array) -> Array:
        """Return how far choices are from the card, N: both ends, root of the squares' sum.

        Args:
            knot_n: loads at the knots, shape (d, k).

        Returns:
            shape (d, c).
        """
        at_once = max(MOST_NUMBERS // self.rows[:, :, 0].size, 1)
        parts = []
        for start in range(0, len(knot_n), at_once):
            loads = np.tensordot(knot_n[start : start + at_once], self.rows, axes=(1, 2))
            off = (loads - self.card_n) / self.tolerance_n
            parts.append(np.sqrt(np.square(off) @ self.share))
        return np.asarray(self.miss_unit_n * np.concatenate(parts))

    def slope(self, knot_n: Array) -> Array:
        """Return how each choice's miss moves with each knot's load, shape (c, k)."""
        off = (self.rows @ knot_n - self.card_n) / self.tolerance_n
        miss = np.sqrt(np.square(off) @ self.share + FLAT**2)
        per_load = self.share * off / self.tolerance_n / miss[:, None]
        return self.miss_unit_n * np.asarray(np.einsum("cr,crk->ck", per_load, self.rows))

    def rule(
        self, loads: Mapping[str, Loads], common_u: float = 0.0, best: int | None = None
    ) -> Ruling:
        """Draw what the loads may be and rule.

        Args:
            loads: of each set at its knots.
            common_u: standard uncertainty, as a fraction, of what all loads have in common.
            best: the choice that is taken, where that is settled.
        """
        rng = np.random.default_rng(SEED)
        drawn = [loads[each.name].drawn(DRAWS, rng) for each in self.sets]
        scale = 1.0 + common_u * rng.standard_normal((DRAWS, 1))
        miss_n = self.miss_n(np.concatenate(drawn, axis=1) * scale)
        mean_n = miss_n.mean(axis=0)
        beaten = (miss_n > miss_n.min(axis=1, keepdims=True) + MARGIN_N).mean(axis=0)
        if best is None:
            best = int(np.lexsort((np.round(mean_n, 6), beaten))[0])
        better = miss_n < miss_n[:, [best]] - MARGIN_N
        return Ruling(best, float(beaten[best]), better.mean(axis=0), mean_n)

    def ties(self, ruling: Ruling) -> tuple[PairChoice, ...]:
        """List the choices that can't be told from the best, the likeliest to be better first.

        They are expected to be farther from the card by no more than the margin; or the others
        alone would leave too much risk.
        """
        order = np.argsort(-ruling.chances, kind="stable")
        left = np.cumsum(ruling.chances[order][::-1])[::-1]
        near = ruling.miss_n[order] <= ruling.miss_n[ruling.best] + MARGIN_N
        open_still = (left >= STOP_RISK) & (ruling.risk >= STOP_RISK)
        alike = order[(near | open_still) & (order != ruling.best)]
        return tuple(self.choices[at] for at in alike)

    def rivals(self, ruling: Ruling) -> tuple[Rival, ...]:
        """List the choices that may be better, the likeliest first."""
        order = np.argsort(-ruling.chances, kind="stable")
        return tuple(
            Rival(
                self.choices[at],
                float(ruling.chances[at]),
                float(ruling.miss_n[at] - ruling.miss_n[ruling.best]),
            )
            for at in order
            if ruling.chances[at] >= MATTERS
        )


def contest_of(
    build: BuildFile, sets: Mapping[str, SetCurves], standing: Mapping[str, Standing]
) -> Contest | None:
    """List every choice that keeps the known limits and can be read; None where there is none.

    Args:
        build: names the candidate sets.
        sets: as far as they are known.
        standing: the knots of each set that has any.
    """
    known = tuple(standing.values())
    places = places_of(valves_of(build, 1))
    choices: list[PairChoice] = []
    rows: list[Array] = []
    for outer, inner in _pairs(build):
        options = _options(build, sets[outer], None if inner is None else sets[inner])
        for choice in () if clearance_low(build) else options.alike():
            if options.shortages(choice) or _binds(build, sets, outer, inner, choice):
                continue
            offsets = {outer: choice.change_mm("outer")}
            if inner is not None:
                offsets[inner] = choice.change_mm("inner") - build.head.inner_offset_mm
            needed = _rows(known, tuple(places), offsets)
            if needed is not None:
                choices.append(PairChoice(outer, inner, choice))
                rows.append(needed)
    if not choices:
        return None
    used = {name for each in choices for name in (each.outer, each.inner)}
    kept = np.repeat([each.name in used for each in known], [len(e.knots_mm) for e in known])
    cams = [at.cam for at in places]
    seat, full = (
        [(cam.seat_load_n, cam.seat_tolerance_n) for cam in cams],
        [(cam.open_load_n, cam.open_tolerance_n) for cam in cams],
    )
    card_n, tolerance_n = np.array([*seat, *full]).T
    counts = [len(those) for those in places.values()]
    share = np.array(counts) / sum(counts)
    return Contest(
        tuple(choices),
        tuple(each for each in known if each.name in used),
        np.array(rows)[:, :, kept],
        card_n,
        tolerance_n,
        np.tile(share, 2),
    )


def _options(build: BuildFile, outer: SetCurves, inner: SetCurves | None) -> SeatOptions:
    """Return what can be done under as many valves as a pair of sets can fill."""
    fewest = min(len(list(each.members)) for each in (outer, inner) if each is not None)
    return SeatOptions.of(build, len(valves_of(build, max(fewest, 1))))


def _pairs(build: BuildFile) -> Iterator[tuple[str, str | None]]:
    for outer in build.springs.outer:
        yield from ((outer, inner) for inner in build.springs.inner or (None,))


def _binds(
    build: BuildFile,
    sets: Mapping[str, SetCurves],
    outer: str,
    inner: str | None,
    choice: SeatChoice,
) -> bool:
    """Tell whether springs can't be given to valves so that each keeps the coil bind margin."""
    names = zip(ROLES, (outer, inner), strict=True)
    return any(
        binds_with_any(build, sets[name], role, choice) for role, name in names if name is not None
    )


def _rows(
    known: Sequence[Standing], places: Sequence[Place], changes_mm: Mapping[str, float]
) -> Array | None:
    """Return what each knot counts for in a choice's loads, shut then open at every place.

    None where a set that is used has no knots there.

    Args:
        changes_mm: by set that is used, what is added to a place's height.
    """
    if not changes_mm.keys() <= {each.name for each in known}:
        return None
    rows = []
    for opened in (0.0, 1.0):
        for at in places:
            row = []
            for each in known:
                weights: Array | None = np.zeros(len(each.knots_mm))
                if each.name in changes_mm:
                    height_mm = at.height_mm + changes_mm[each.name]
                    weights = each.weights(height_mm - opened * at.cam.valve_lift_mm)
                if weights is None:
                    return None
                row.append(weights)
            rows.append(np.concatenate(row))
    return np.array(rows)


def binds_with_any(build: BuildFile, springs: SetCurves, role: Role, choice: SeatChoice) -> bool:
    """Tell whether one spring a valve can't all keep the coil bind margin, by value.

    The springs that close highest go under the valves that open least far down: where so given
    they don't keep it, no other way keeps it.
    """
    change_mm = choice.change_mm(role) - (build.head.inner_offset_mm if role == "inner" else 0.0)
    solids = [springs.solid_of(label) for label, _ in springs.members] or [springs.solid]
    solids_mm = sorted(-math.inf if one is None else one.height_mm for one in solids)
    opened_mm = sorted(
        valve.height_mm + change_mm - valve.cam.valve_lift_mm
        for valve in valves_of(build, len(solids_mm))
    )[-len(solids_mm) :]
    limit_mm = build.limits.coil_bind_margin_mm
    return any(
        exceeds(limit_mm, open_mm - solid_mm)
        for open_mm, solid_mm in zip(opened_mm, solids_mm, strict=False)
    )
