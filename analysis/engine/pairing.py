"""Which outer goes with which inner over which shim: loads against the cam card, ranked. Pure.

Outer and inner act in parallel, each at its own height, so their loads add. A shim lowers both
heights, a seat cut raises both. For each pair of sets also what would meet the card exactly, and
for all of them how close to the card each effort gets.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from coilbench.analysis.engine.build_file import BuildFile, Cam
from coilbench.analysis.engine.placed import (
    LoadRange,
    PlacedSet,
    SetCurves,
    SetLoads,
    chosen_set,
    clearance_low,
    exceeds,
    loads_by_change,
    place,
    reaches_over,
)
from coilbench.analysis.engine.reasons import End, LoadMiss, LoadUnsure, RateMiss, Reason, TooStrong
from coilbench.analysis.engine.shims import ROLES, SeatChoice, SeatOptions

LEAST_GAIN = 1e-9  # in distance from the card: less is no nearer
Window = tuple[float, float]  # changes of height, least and greatest, mm


@dataclass(frozen=True)
class Combination:
    """One outer set, perhaps an inner set, and what is done under them.

    Attributes:
        outer, inner: names of the sets; inner is None for single springs.
        seat, full: loads with the valve shut and at full lift; None if unknown.
        rate_n_per_mm: (open - seat) / lift; None if unknown.
        distance: from the card, each load in its tolerance, squared and summed; None if unknown.
        placed: the sets at their heights, outer first.
        limits_kept: no known coil bind margin and no known clearance is under its limit.
        stocked: there are shims enough to put the same under every valve.
        fits: both loads are inside the card's tolerances, and the limits are kept. The values
            decide; where the uncertainty reaches over a tolerance a reason says so.
        reasons: what doesn't fit, or should be known.
    """

    outer: str
    inner: str | None
    choice: SeatChoice
    seat: LoadRange | None
    full: LoadRange | None
    rate_n_per_mm: float | None
    distance: float | None
    placed: tuple[PlacedSet, ...]
    limits_kept: bool
    stocked: bool
    fits: bool
    reasons: tuple[Reason, ...]

    @property
    def coil_bind_margin_mm(self) -> float | None:
        """The smaller of both springs' at the lowest valve; None where one isn't known."""
        known = [mm for each in self.placed if (mm := each.bind_margin_mm) is not None]
        return min(known) if len(known) == len(self.placed) else None

    @property
    def effort(self) -> tuple[bool, int, float]:
        """What it takes, to be compared: no cut before any cut, then shims, then depth."""
        cut_mm = self.choice.seat_cut_mm
        return cut_mm > 0.0, self.choice.count, cut_mm

    @property
    def rank(self) -> tuple[object, ...]:
        """Sort key, best first; at equal distance the least effort, then by name.

        The distance is rounded so that ties are ties.
        """
        distance = 0.0 if self.distance is None else round(self.distance, 9)
        unknown, inner = self.distance is None, self.inner or ""
        return unknown, not self.fits, distance, self.effort, self.outer, inner


def _judge(
    build: BuildFile, placed: Sequence[PlacedSet], choice: SeatChoice, options: SeatOptions
) -> Combination:
    """Compare placed sets with the card and the limits."""
    cam, limit_mm = build.cam, build.limits.coil_bind_margin_mm
    seat_load = LoadRange.of([each.seat for each in placed])
    open_load = LoadRange.of([each.open for each in placed])
    reasons: list[Reason] = []
    loads_fit, rate_n_per_mm, distance = False, None, None
    if seat_load is not None and open_load is not None:
        seat_n, open_n = seat_load.load_n, open_load.load_n
        rate_n_per_mm = (open_n - seat_n) / cam.valve_lift_mm
        distance = cam.distance(seat_n, open_n)
        loads_fit = cam.fits(seat_n, open_n)
        if not loads_fit:
            reasons += _load_reasons(cam, seat_n, open_n, choice)
        reasons += _unsure(cam, seat_load, open_load)
    for each in placed:
        reasons += [*each.unread_heights(), *each.bind_risks(limit_mm)]
    near = clearance_low(build)
    short = options.shortages(choice)
    bound = any(
        (mm := each.bind_margin_mm) is not None and exceeds(limit_mm, mm) for each in placed
    )
    return Combination(
        outer=placed[0].springs.name,
        inner=placed[1].springs.name if len(placed) > 1 else None,
        choice=choice,
        seat=seat_load,
        full=open_load,
        rate_n_per_mm=rate_n_per_mm,
        distance=distance,
        placed=tuple(placed),
        limits_kept=not bound and not near,
        stocked=not short,
        fits=loads_fit and not bound and not near,
        reasons=(*reasons, *near, *short),
    )


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
        yield _rate_miss(cam, open_n - seat_n)
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


def _rate_miss(cam: Cam, rise_n: float) -> RateMiss:
    card_rise_n = cam.open_load_n - cam.seat_load_n
    kind: Literal["rate_low", "rate_high"] = "rate_high" if rise_n > card_rise_n else "rate_low"
    return RateMiss(kind, rise_n, card_rise_n, cam.valve_lift_mm)


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


@dataclass(frozen=True)
class Trade:
    """A combination that nothing of less or equal effort comes nearer to the card than."""

    combination: Combination
    distance: float
    card_seat_n: float
    card_open_n: float


def _trade_off(combinations: Sequence[Combination], cam: Cam) -> tuple[Trade, ...]:
    """List what can be chosen, least effort first, each nearer to the card than all before it.

    Only what keeps the limits, and of which there are shims enough for every valve.
    """
    trades: list[Trade] = []
    for each in sorted(combinations, key=lambda one: (one.effort, one.distance or 0.0)):
        distance = each.distance
        if distance is None or not each.limits_kept or not each.stocked:
            continue
        if not trades or distance < trades[-1].distance - LEAST_GAIN:
            trades.append(Trade(each, distance, cam.seat_load_n, cam.open_load_n))
    return tuple(trades)


# It fits; a shim or cut that isn't to be had would do; a limit is in the way; nothing helps;
# it can't be known before more is measured.
Verdict = Literal["fits", "nearly", "limits", "no", "unknown"]
VERDICTS: tuple[Verdict, ...] = get_args(Verdict)


@dataclass(frozen=True)
class PairAnswer:
    """What one outer set with one inner set would take to meet the card.

    Attributes:
        best: the best combination that stock and cuts allow.
        exact_mm: change of height at which the seat load is the card's: shims negative, a cut
            positive; None where that was not measured.
        exact_open_n: the open load there; None if unknown.
        nearest: the combination whose change is nearest to it; None with it.
        window_mm: least and greatest change at which both loads are inside the tolerances;
            None where there is none.
        limit: which limit prevents a change in the window.
        rate: why there is no window; None where that isn't known.
    """

    outer: str
    inner: str | None
    verdict: Verdict
    best: Combination
    exact_mm: float | None
    exact_open_n: float | None
    nearest: Combination | None
    window_mm: Window | None
    limit: Literal["clearance", "coil_bind"] | None
    rate: RateMiss | None

    @property
    def exact_shim_mm(self) -> float | None:
        """Shims for the card's seat load; 0 where that takes a cut."""
        return None if self.exact_mm is None else max(-self.exact_mm, 0.0)

    @property
    def exact_seat_cut_mm(self) -> float | None:
        """Cut for the card's seat load; 0 where that takes shims."""
        return None if self.exact_mm is None else max(self.exact_mm, 0.0)


def _answer(
    build: BuildFile,
    pair: tuple[SetCurves, SetCurves | None],
    combinations: Sequence[Combination],
    loads: SetLoads,
) -> PairAnswer:
    """Work out what an outer and an inner set would take; combinations are theirs, best first."""
    cam, best = build.cam, combinations[0]
    seat, full = loads_by_change(build, *pair, loads)
    exact_mm = seat.change_mm(cam.seat_load_n)
    window_mm = _in_both(
        seat.window_mm(cam.seat_load_n, cam.seat_tolerance_n),
        full.window_mm(cam.open_load_n, cam.open_tolerance_n),
    )
    nearest = exact_open_n = rate = None
    if exact_mm is not None:
        alike = (one for one in combinations if one.choice.alike)
        nearest = min(alike, key=lambda c: abs(c.choice.height_change_mm - exact_mm))
        exact_open_n = full.load_n(exact_mm)
    if window_mm is None and exact_mm is not None and best.seat and best.full:
        rise_n = best.full.load_n - best.seat.load_n
        rate = _rate_miss(cam, rise_n if exact_open_n is None else exact_open_n - cam.seat_load_n)
    limit = None if window_mm is None else _limit(build, best, window_mm)
    return PairAnswer(
        best.outer,
        best.inner,
        _verdict(cam, best, window_mm, limit),
        best,
        exact_mm,
        exact_open_n,
        nearest,
        window_mm,
        limit,
        rate,
    )


def _in_both(seat: Window | None, full: Window | None) -> Window | None:
    if seat is None or full is None:
        return None
    low_mm, high_mm = max(seat[0], full[0]), min(seat[1], full[1])
    return (low_mm, high_mm) if low_mm <= high_mm else None


def _limit(
    build: BuildFile, best: Combination, window_mm: Window
) -> Literal["clearance", "coil_bind"] | None:
    """Return the limit that every change in a window breaks."""
    if clearance_low(build):
        return "clearance"
    if best.coil_bind_margin_mm is None:
        return None
    bare_mm = min(
        (each.bind_margin_mm or 0.0) - best.choice.change_mm(role)
        for role, each in zip(ROLES, best.placed, strict=False)
    )
    binds = exceeds(build.limits.coil_bind_margin_mm - bare_mm, window_mm[1])
    return "coil_bind" if binds else None


def _verdict(cam: Cam, best: Combination, window_mm: Window | None, limit: str | None) -> Verdict:
    if best.fits:
        return "fits"
    if best.seat is None or best.full is None:
        return "unknown"
    if window_mm is None:
        return "limits" if cam.fits(best.seat.load_n, best.full.load_n) else "no"
    return "nearly" if limit is None else "limits"


@dataclass(frozen=True)
class Pairing:
    """A build file's combinations.

    Attributes:
        clearance_mm: retainer to guide at full lift; None where it isn't given.
        combinations: best first, at least one.
        answers: for each outer and inner what it would take; what fits first, then what nearly
            does.
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


def pair_sets(build: BuildFile, sets: Mapping[str, SetCurves]) -> Pairing:
    """Compare every outer x inner x shim (or cut) with the card, and rank them.

    What fits comes first, then what is nearest to the card, then no cut, fewest shims, least cut,
    and names; what can't be known comes last.

    Raises:
        CoilbenchError: a candidate set is unknown, has no measured spring, or the wrong role.
    """
    outers = [chosen_set(build, sets, "outer", name) for name in build.springs.outer]
    inners = [chosen_set(build, sets, "inner", name) for name in build.springs.inner]
    loads: SetLoads = {}
    combinations: list[Combination] = []
    answers: list[PairAnswer] = []
    for outer in outers:
        options = SeatOptions.of(build, build.head.valve_count or len(outer.curves))
        choices = options.alike()
        for inner in inners if inners else [None]:
            of_pair = sorted(
                (
                    _judge(build, place(build, outer, inner, choice, loads), choice, options)
                    for choice in choices
                ),
                key=lambda each: each.rank,
            )
            answers.append(_answer(build, (outer, inner), of_pair, loads))
            combinations += of_pair
    combinations.sort(key=lambda each: each.rank)
    answers.sort(key=lambda each: (VERDICTS.index(each.verdict), each.best.rank))
    return Pairing(
        build.name,
        build.cam,
        build.clearance_mm,
        tuple(combinations),
        tuple(answers),
        _trade_off(combinations, build.cam),
    )
