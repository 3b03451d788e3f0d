"""One pair of sets over one choice of shims or cut: loads against the card, verdict, reasons. Pure.

Outer and inner act in parallel, each at its own height, so their loads add. A shim lowers both
heights, a seat cut raises both.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence

import msgspec
import numpy as np

from coilbench.analysis.engine.build_file import BuildFile
from coilbench.analysis.engine.cam import Cam, exceeds
from coilbench.analysis.engine.loads import Load
from coilbench.analysis.engine.outcomes import Combination, ValveCounts
from coilbench.analysis.engine.placed import LoadRange, SetCurves, clearance_low, place
from coilbench.analysis.engine.reasons import (
    End,
    HeightUnread,
    LoadMiss,
    LoadUnsure,
    Need,
    RateMiss,
    Reason,
    TooFewSprings,
    TooStrong,
    ValvesOutside,
)
from coilbench.analysis.engine.shims import ROLES, SeatChoice, SeatOptions
from coilbench.analysis.engine.valve_loads import (
    LoadTable,
    Place,
    Readings,
    Standing,
    candidates_of,
    places_of,
    valves_of,
)
from coilbench.analysis.engine.verdicts import count_valves


class PlacedPair(msgspec.Struct, frozen=True):
    """Two sets at every valve, over every choice.

    Attributes:
        places: where valves stand, with the valves of each.
        tables: of the outer, and of the inner where there is one.
    """

    build: BuildFile
    sets: tuple[SetCurves, ...]
    options: SeatOptions
    choices: tuple[SeatChoice, ...]
    places: Mapping[Place, Sequence[int]]
    tables: tuple[LoadTable, ...]

    @classmethod
    def of(cls, build: BuildFile, sets: tuple[SetCurves, ...], readings: Readings) -> PlacedPair:
        """Read them; readings are those made before, new ones are added."""
        valves = valves_of(build, max(min(len(list(springs.members)) for springs in sets), 1))
        options = SeatOptions.of(build, len(valves))
        choices, places = options.alike(), places_of(valves)
        limit_mm = build.limits.coil_bind_margin_mm
        tables = tuple(
            LoadTable.read(
                candidates_of([springs]),
                places,
                Standing.of(build, choices, role),
                limit_mm,
                readings,
            )
            for springs, role in zip(sets, ROLES, strict=False)
        )
        return cls(build, sets, options, choices, places, tables)

    @property
    def inner(self) -> LoadTable | None:
        """The inner's table; None for single springs."""
        return self.tables[1] if len(self.tables) > 1 else None

    @property
    def valves(self) -> int:
        """How many there are."""
        return sum(len(valves) for valves in self.places.values())

    def load_range(self, end: End, at: int) -> LoadRange | None:
        """Add the means of the springs that were read, over one choice; mean over the valves."""
        means = [getattr(table, end).means for table in self.tables]
        load_n = np.sum([mean.load_n[:, at] for mean in means], axis=0)
        own_u_n = np.sqrt(np.sum([mean.own_u_n[:, at] ** 2 for mean in means], axis=0))
        common_u_n = np.sum([mean.common_u_n[:, at] for mean in means], axis=0)
        if np.isnan(load_n).any():
            return None
        read = [getattr(table, end).load_n[:, :, at] for table in self.tables]
        lowest, highest = (
            float(extreme(np.sum([extreme_of(each, axis=1) for each in read], axis=0)))
            for extreme, extreme_of in ((np.min, np.nanmin), (np.max, np.nanmax))
        )
        mean_n = float(np.average(load_n, weights=self._weights))
        return LoadRange(mean_n, float(np.hypot(own_u_n, common_u_n).max()), lowest, highest)

    def distance(self, at: int) -> float | None:
        """Return how far the means are from the card over one choice; None where unknown."""
        ends = [
            np.sum([getattr(table, end).means.load_n[:, at] for table in self.tables], axis=0)
            for end in ("seat", "open")
        ]
        each = [
            place.cam.distance(float(seat_n), float(open_n))
            for place, seat_n, open_n in zip(self.places, *ends, strict=True)
        ]
        mean = float(np.average(each, weights=self._weights))
        return None if math.isnan(mean) else mean

    @property
    def _weights(self) -> list[int]:
        return [len(valves) for valves in self.places.values()]

    def judge(self, at: int) -> Combination:
        """Compare a pair of sets over one choice with the card and the limits, at every valve."""
        build, choice, cam = self.build, self.choices[at], self.build.cam
        inner = self.sets[1] if len(self.sets) > 1 else None
        placed = place(build, self.sets[0], inner, choice)
        counts = count_valves(self.tables[0], self.inner, self.places, at)
        seat, full = (self.load_range(end, at) for end in ("seat", "open"))
        reasons: list[Reason] = []
        rate_n_per_mm = None
        if seat is not None and full is not None:
            rate_n_per_mm = (full.load_n - seat.load_n) / cam.valve_lift_mm
            if not cam.fits(seat.load_n, full.load_n):
                reasons += _load_reasons(cam, seat.load_n, full.load_n, choice)
            reasons += _unsure(cam, seat, full)
            reasons += _outside(self, counts, (("seat", seat), ("open", full)))
        needs = tuple(_needs(self, at))
        loose = (one for table in self.tables for one in table.loose_springs(at))
        reasons += [*loose, *_unread(needs)]
        for each in placed:
            reasons += each.bind_risks(build.limits.coil_bind_margin_mm)
        near, short = clearance_low(build), self.options.shortages(choice)
        few = tuple(_few(self))
        verdict = counts.verdict
        if near or few:
            verdict = "misses"
        limit_mm = build.limits.coil_bind_margin_mm
        open_to = [p for p in placed if p.bind_margin_mm is None and not p.free_below(limit_mm)]
        unknown = [each.springs.name for each in open_to]
        if short and verdict in ("fits", "near"):
            verdict = "misses"
        if verdict == "fits" and unknown:
            verdict = "fits_bind_unknown"
            needs = tuple(
                Need("solid_height", each.springs.name, None, None, None)
                for each in open_to
                if each.springs.closing_mm is None
            )
        return Combination(
            outer=self.sets[0].name,
            inner=None if inner is None else inner.name,
            choice=choice,
            verdict=verdict,
            seat=seat,
            full=full,
            rate_n_per_mm=rate_n_per_mm,
            distance=self.distance(at),
            placed=placed,
            counts=counts,
            stocked=not short,
            reasons=(*reasons, *few, *near, *short),
            needs=needs if verdict in ("not_judged", "fits_bind_unknown") else (),
        )


def _outside(
    pair: PlacedPair, counts: ValveCounts, ends: Sequence[tuple[End, LoadRange]]
) -> Iterator[ValvesOutside]:
    """Yield at which end valves are outside though the mean is inside, springs as they come."""
    cam, heights_mm = pair.build.cam, [place.height_mm for place in pair.places]
    card = {
        "seat": (cam.seat_load_n, cam.seat_tolerance_n),
        "open": (cam.open_load_n, cam.open_tolerance_n),
    }
    for (at, load), outside in zip(ends, counts.outside or (0.0, 0.0), strict=True):
        card_n, tolerance_n = card[at]
        if exceeds(outside, 0.0) and not exceeds(abs(load.load_n - card_n), tolerance_n):
            yield ValvesOutside(
                at,
                outside,
                counts.chosen,
                counts.valves,
                load.lowest_n,
                load.highest_n,
                max(heights_mm) - min(heights_mm),
            )


def _few(pair: PlacedPair) -> Iterator[TooFewSprings]:
    for table, role in zip(pair.tables, ("outer", "inner"), strict=False):
        if len(table.springs) < pair.valves:
            yield TooFewSprings(role, len(table.springs), pair.valves)


def _needs(pair: PlacedPair, at: int) -> Iterator[Need]:
    """Yield the readings that are missing over one choice: deepest first, set by set."""
    for table in pair.tables:
        gaps = np.flatnonzero(table.unread[:, :, at].any(axis=0)).tolist()
        found = [need for index in gaps for need in table.needs(index, [at])]
        yield from sorted(found, key=lambda need: need.height_mm or 0.0)


def _unread(needs: Sequence[Need]) -> Iterator[HeightUnread]:
    grouped: dict[tuple[str, float | None], list[Need]] = {}
    for need in needs:
        grouped.setdefault((need.set_name, need.height_mm), []).append(need)
    for (name, height_mm), of_height in grouped.items():
        labels = tuple(need.label or "" for need in of_height)
        depths_mm = [need.depth_mm for need in of_height if need.depth_mm is not None]
        yield HeightUnread(name, labels, height_mm or 0.0, max(depths_mm, default=None))


def _load_reasons(cam: Cam, seat_n: float, open_n: float, choice: SeatChoice) -> Iterator[Reason]:
    """Yield which load misses the card and which way, and whether a shim can help.

    A shim moves both loads the same way. So where the rise from shut to open is away from the
    card's by more than both tolerances together, or where a load is too high without a shim,
    no shim helps.
    """
    too_high: list[End] = []
    for at, load_n, card_n, tolerance_n in _against_card(cam, seat_n, open_n):
        if exceeds(abs(load_n - card_n), tolerance_n):
            above = load_n > card_n
            yield LoadMiss("load_high" if above else "load_low", at, load_n, card_n, tolerance_n)
            too_high += [at] if above else []
    rise_over_n = (open_n - cam.open_load_n) - (seat_n - cam.seat_load_n)
    if exceeds(abs(rise_over_n), cam.seat_tolerance_n + cam.open_tolerance_n):
        yield RateMiss.of(cam, open_n - seat_n)
    elif too_high and choice.count == 0:
        yield TooStrong(tuple(too_high))


def _against_card(
    cam: Cam, seat: float, full: float
) -> tuple[tuple[End, float, float, float], tuple[End, float, float, float]]:
    """Pair both loads with the card's and its tolerances."""
    return (
        ("seat", seat, cam.seat_load_n, cam.seat_tolerance_n),
        ("open", full, cam.open_load_n, cam.open_tolerance_n),
    )


def _unsure(cam: Cam, seat: LoadRange, full: LoadRange) -> Iterator[LoadUnsure]:
    """Yield where a load's uncertainty reaches over a tolerance, from inside or from outside."""
    for load, (at, load_n, card_n, tolerance_n) in zip(
        (seat, full), _against_card(cam, seat.load_n, full.load_n), strict=True
    ):
        if reaches_over(load, card_n, tolerance_n):
            outside = exceeds(abs(load_n - card_n), tolerance_n)
            yield LoadUnsure(
                "unsure_outside" if outside else "unsure_inside",
                at,
                load_n,
                load.load_u_n,
                card_n,
                tolerance_n,
            )


def reaches_over(load: Load | LoadRange, card_n: float, tolerance_n: float) -> bool:
    """Tell whether a load's uncertainty reaches over the card's tolerance, in or out of it."""
    return exceeds(load.load_u_n, abs(tolerance_n - abs(load.load_n - card_n)))
