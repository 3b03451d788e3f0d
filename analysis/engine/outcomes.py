"""What pairing finds: combinations with their verdicts, what each pair would take. Pure data."""

from __future__ import annotations

import math
from typing import Any, Literal

import msgspec

from coilbench.analysis.engine.cam import Cam
from coilbench.analysis.engine.placed import LoadRange, PlacedSet
from coilbench.analysis.engine.reasons import VERDICTS, Need, RateMiss, Reason, SomeBind, Verdict
from coilbench.analysis.engine.shims import SeatChoice, Window


class ValveCounts(msgspec.Struct, frozen=True):
    """How many valves are inside the card with one pair of sets over one choice.

    Attributes:
        verdict: of the valves that these springs can fill, without regard to solid heights,
            clearances and the stock of shims.
        valves: how many there are.
        as_they_come: inside on average when springs are taken as they come; None where none were
            read.
        chosen, sure: inside when springs are chosen, by value and by more than the uncertainty:
            so many at least.
        outside: by end, outside on average when springs are taken as they come; None likewise.
    """

    verdict: Verdict
    valves: int
    as_they_come: float | None
    chosen: int
    sure: int
    outside: tuple[float, float] | None


class Combination(msgspec.Struct, frozen=True):
    """One outer set, perhaps an inner set, and what is done under them.

    Attributes:
        outer, inner: names of the sets; inner is None for single springs.
        verdict: over all valves and springs; `fits_bind_unknown` where a solid height is missing.
        seat, full: loads with the valve shut and at full lift, mean over the valves and the
            springs that were read; None where none was read at a valve.
        rate_n_per_mm: (open - seat) / lift; None if unknown.
        distance: from the card, each load in its tolerance, squared and summed, mean over the
            valves; None if unknown.
        placed: the sets at their heights, outer first.
        counts: how many valves can be inside.
        stocked: there are shims enough to put the same under every valve.
        reasons: what doesn't fit, or should be known.
        needs: what to measure where it can't be judged, the most useful first.
        limit_failures: the limits of wire and valve train by which it misses, where they were
            asked for.
    """

    outer: str
    inner: str | None
    choice: SeatChoice
    verdict: Verdict
    seat: LoadRange | None
    full: LoadRange | None
    rate_n_per_mm: float | None
    distance: float | None
    placed: tuple[PlacedSet, ...]
    counts: ValveCounts
    stocked: bool
    reasons: tuple[Reason, ...]
    needs: tuple[Need, ...]
    limit_failures: tuple[Any, ...] = ()

    @property
    def set_aside(self) -> tuple[tuple[str, str], ...]:
        """Sets and labels of springs that must not be used, being too near to coil bind."""
        some = [reason for reason in self.reasons if isinstance(reason, SomeBind)]
        return tuple((each.set_name, label) for each in some for label in each.springs)

    @property
    def pair(self) -> tuple[str, str | None]:
        """The names of its sets."""
        return self.outer, self.inner

    @property
    def fits(self) -> bool:
        """Whether every valve can be inside the card, as sure as the loads are known."""
        return self.verdict in ("fits", "fits_bind_unknown")

    @property
    def coil_bind_margin_mm(self) -> float | None:
        """The smaller of both springs' at the lowest valve; None where one isn't known."""
        known = [mm for each in self.placed if (mm := each.bind_margin_mm) is not None]
        return min(known) if len(known) == len(self.placed) else None

    @property
    def limits_kept(self) -> bool:
        """Whether no known limit is in the way, and there are shims enough for every valve."""
        kinds = {reason.kind for reason in self.reasons}
        return self.stocked and not kinds & {"binds", "margin_low", "clearance_low", "loose"}

    @property
    def effort(self) -> tuple[bool, int, float]:
        """What it takes, to be compared: no cut before any cut, then shims, then depth."""
        cut_mm = self.choice.seat_cut_mm
        return cut_mm > 0.0, self.choice.count, cut_mm

    @property
    def rank(self) -> tuple[object, ...]:
        """Sort key, best first; at equal distance the least effort, then by name.

        What can't be judged is a block of its own; what the stock gives comes first. The distance
        is rounded so that ties are ties.
        """
        distance = math.inf if self.distance is None else round(self.distance, 9)
        verdict = VERDICTS.index(self.verdict)
        return verdict, not self.stocked, distance, self.effort, self.outer, self.inner or ""


class Trade(msgspec.Struct, frozen=True):
    """A combination that nothing of less or equal effort comes nearer to the card than."""

    combination: Combination
    distance: float
    card_seat_n: float
    card_open_n: float


# Why the best doesn't fit: stock and cuts don't give a change in the window; every change in it
# breaks a limit; the springs differ too much, or the valves; the rise isn't the card's; the loads
# are out of reach as far as they were read.
Obstacle = Literal["stock", "clearance", "coil_bind", "spread", "rate", "reach"]


class PairAnswer(msgspec.Struct, frozen=True):
    """What one outer set with one inner set would take to meet the card, by the sets' means.

    Attributes:
        best: the best combination that stock and cuts allow; one that can't be judged yet
            comes before those that miss.
        exact_mm: change of height at which the seat load is the card's: shims negative, a cut
            positive; None where that was not measured.
        exact_open_n: the open load there; None if unknown.
        nearest: the combination whose change is nearest to it; None with it.
        window: least and greatest change at which both loads are inside the tolerances; None
            where no change that was read is.
        obstacle: why the best neither fits nor waits for a reading.
        rate: how the rise from shut to open is off; None where that isn't known.
    """

    best: Combination
    exact_mm: float | None
    exact_open_n: float | None
    nearest: Combination | None
    window: Window | None
    obstacle: Obstacle | None
    rate: RateMiss | None

    @property
    def verdict(self) -> Verdict:
        """The best's."""
        return self.best.verdict

    @property
    def exact_shim_mm(self) -> float | None:
        """Shims for the card's seat load; 0 where that takes a cut."""
        return None if self.exact_mm is None else max(-self.exact_mm, 0.0)

    @property
    def exact_seat_cut_mm(self) -> float | None:
        """Cut for the card's seat load; 0 where that takes shims."""
        return None if self.exact_mm is None else max(self.exact_mm, 0.0)


class Pairing(msgspec.Struct, frozen=True):
    """A build file's combinations.

    Attributes:
        clearance_mm: retainer to guide at full lift; None where it isn't given.
        combinations: best first, at least one; those that can't be judged come last.
        answers: for each outer and inner what it would take, in the order of their best.
        trades: closeness against effort, least effort first: each is nearer to the card than
            all before it.
    """

    name: str
    cam: Cam
    clearance_mm: float | None
    combinations: tuple[Combination, ...]
    answers: tuple[PairAnswer, ...]
    trades: tuple[Trade, ...]

    @property
    def rank(self) -> tuple[object, ...]:
        """Sort key among several cards: the card that is met best comes first."""
        return (*self.combinations[0].rank, self.name)
