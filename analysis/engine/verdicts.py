"""Whether every valve can be inside the card with one pair of sets over one choice. Pure.

Every valve's height and every spring counts, with the uncertainty of every load. A verdict is said
only where it holds: `fits` where springs can be given to the valves so that each valve is inside
by more than its uncertainty; `misses` where no way of giving them could bring all valves inside;
`not judged` where what was not read decides; `near` where the uncertainty does.

The matching is our own since scipy.optimize and scipy.sparse take longer to load than the whole
answer takes to work out; the tests hold it to SciPy's.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal, NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.engine.cam import ROUNDING
from coilbench.analysis.engine.outcomes import ValveCounts
from coilbench.analysis.engine.reasons import Verdict
from coilbench.analysis.engine.valve_loads import Array, EndLoads, Flags, LoadTable, Place


def largest_matching(allowed: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return for each row the column that a largest matching gives it, -1 for none.

    A row may take a column from another that finds itself a new one; where none can, the matching
    is the largest (Berge, Proc. Natl. Acad. Sci. 43, 1957, from memory). Columns are bits here.
    What a search that failed has seen leads nowhere later either.

    Args:
        allowed: shape (rows, columns).
    """
    packed = np.packbits(allowed, axis=1, bitorder="little")
    open_to = [int.from_bytes(row.tobytes(), "little") for row in packed]
    free = unseen = (1 << allowed.shape[1]) - 1
    owner_of: dict[int, int] = {}

    def find(row: int) -> bool:
        nonlocal free, unseen
        while left := open_to[row] & unseen:
            column = left & free or left
            column &= -column
            unseen ^= column
            if column & free or find(owner_of[column]):
                owner_of[column], free = row, free & ~column
                return True
        return False

    for row in range(len(open_to)):
        before = unseen
        if find(row):
            unseen = before
    found = np.full(len(open_to), -1)
    for column, row in owner_of.items():
        found[row] = column.bit_length() - 1
    return found


def whole_matching(allowed: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return a largest matching whose other rows are given columns too, allowed or not.

    Args:
        allowed: shape (rows, columns), no more rows than columns.
    """
    found = largest_matching(allowed)
    empty = found < 0
    left = np.delete(np.arange(allowed.shape[1]), found[~empty])
    found[empty] = left[: np.count_nonzero(empty)]
    return found


MOST_ROUNDS = 20  # of giving outers to inners and inners to outers again; it settles in a few
END_NAMES: tuple[Literal["seat", "open"], ...] = ("seat", "open")


class EndSums(NamedTuple):
    """Loads of every outer with every inner at one place and end, shape (O, I).

    NaN where one was not read; least and most: between which the sum must lie, as sure as the
    uncertainty of those that were read.
    """

    load_n: Array
    load_u_n: Array
    known_u_n: Array
    least_n: Array
    most_n: Array


def end_sums(outer: EndLoads, inner: EndLoads | None, place: int, choice: int) -> EndSums:
    """Add what acts in parallel.

    The springs' own uncertainties by root sum of squares, what the bench's errors have in common
    linearly (JCGM 100:2008, 5.2.2, correlation 0 and 1).
    """
    at = (place, slice(None), choice)

    def both(name: str) -> Array:
        first: Array = getattr(outer, name)[at][:, None]
        return first if inner is None else first + getattr(inner, name)[at][None, :]

    own_n = outer.own_u_n[at][:, None]
    if inner is not None:
        own_n = np.hypot(own_n, inner.own_u_n[at][None, :])
    load_u_n = np.hypot(own_n, both("common_u_n"))
    return EndSums(both("load_n"), load_u_n, both("known_u_n"), both("least_n"), both("most_n"))


class PlaceFit(msgspec.Struct, frozen=True):
    """Every outer with every inner at one place, flags of shape (O, I).

    Attributes:
        inside: both loads inside their tolerances, by value; sure: by more than the uncertainty.
        possible: not surely outside; open: it depends on what was not read.
        read: known, or known to be impossible.
        outside: by end, one load outside by value.
    """

    inside: Flags
    sure: Flags
    possible: Flags
    open: Flags
    read: Flags
    outside: tuple[Flags, Flags]


def place_fit(
    outer: LoadTable, inner: LoadTable | None, place: Place, at: int, choice: int
) -> PlaceFit:
    """Compare all pairs of springs at one place with its card."""
    barred, unread = (
        _either(getattr(outer, name), None if inner is None else getattr(inner, name), at, choice)
        for name in ("barred", "unread")
    )
    kept = outer.margin_kept[at, :, choice][:, None]
    if inner is not None:
        kept = kept & inner.margin_kept[at, :, choice][None, :]
    cam, inside, sure = place.cam, ~barred, ~barred & kept
    possible, open_to, outside = ~barred & ~unread, ~barred & unread, []
    card = ((cam.seat_load_n, cam.seat_tolerance_n), (cam.open_load_n, cam.open_tolerance_n))
    for end, (card_n, tolerance_n) in zip(END_NAMES, card, strict=True):
        sums = end_sums(
            getattr(outer, end), None if inner is None else getattr(inner, end), at, choice
        )
        off_n, room_n = np.abs(sums.load_n - card_n), tolerance_n + ROUNDING
        inside &= off_n <= room_n  # a load that was not read is never inside
        sure &= off_n + sums.load_u_n <= room_n
        possible &= off_n - sums.load_u_n <= room_n
        open_to &= sums.least_n - sums.known_u_n <= card_n + room_n
        open_to &= sums.most_n + sums.known_u_n >= card_n - room_n
        outside.append(off_n > room_n)
    return PlaceFit(inside, sure, possible, open_to, barred | ~unread, (outside[0], outside[1]))


def _either(first: Flags, second: Flags | None, place: int, choice: int) -> Flags:
    one = first[place, :, choice][:, None]
    return one if second is None else one | second[place, :, choice][None, :]


def count_valves(
    outer: LoadTable, inner: LoadTable | None, places: Mapping[Place, Sequence[int]], choice: int
) -> ValveCounts:
    """Count the valves that can be inside the card."""
    fits = [place_fit(outer, inner, place, at, choice) for at, place in enumerate(places)]
    shares = np.array([len(valves) for valves in places.values()])
    count = int(shares.sum())
    fillable = min(count, *(len(t.springs) for t in (outer, inner) if t is not None))

    def at_valves(flags: Sequence[Flags]) -> Flags:
        return np.repeat(np.array(flags), shares, axis=0)

    strength = _strength(outer, choice), None if inner is None else _strength(inner, choice)
    chosen, sure, possible = (
        filled(at_valves([getattr(fit, name) for fit in fits]), strength)
        for name in ("inside", "sure", "possible")
    )
    hopes = at_valves([fit.possible | fit.open for fit in fits])
    surely = at_valves([fit.sure for fit in fits])
    verdict: Verdict = "near"
    every = fillable == count  # with too few springs the bounds alone decide
    if sure == fillable or (every and _can_be_filled(surely, strength)):
        verdict, sure, chosen = "fits", fillable, fillable
    elif at_most(hopes, has_inner=inner is not None) < fillable or (
        every and possible < count and not _can_be_filled(hopes, strength)
    ):
        verdict = "misses"
    elif possible < fillable and any(fit.open.any() for fit in fits):
        verdict = "not_judged"
    average = [_share(fit.inside, fit.read) for fit in fits]
    outside = [[_share(fit.outside[end], fit.read) for fit in fits] for end in (0, 1)]
    if any(share is None for share in average):
        return ValveCounts(verdict, count, None, chosen, sure, None)
    inside = float(np.dot(np.array(average, dtype=float), shares))
    ends = [float(np.dot(np.array(end, dtype=float), shares)) for end in outside]
    return ValveCounts(verdict, count, inside, chosen, sure, (ends[0], ends[1]))


def _share(flags: Flags, read: Flags) -> float | None:
    return float(flags[read].mean()) if read.any() else None


def _strength(table: LoadTable, choice: int) -> Array:
    """Return what sorts springs from weak to strong: their loads at full lift, unread ones last."""
    load_n = table.open.load_n[0, :, choice]
    return np.where(np.isnan(load_n), np.inf, load_n)


def filled(allowed: Flags, strength: tuple[Array, Array | None]) -> int:
    """Return how many valves certainly can be given springs of their own that are allowed.

    Args:
        allowed: shape (V, O, I).
        strength: what sorts outers and inners. Strong outers start with weak inners, which makes
            the sums even; then inners are given anew, and outers, while that fills more valves.
    """
    outers, inners = strength
    if inners is None:
        return int(np.sum(largest_matching(allowed[:, :, 0]) >= 0))
    if not allowed.any():
        return 0
    valves, best = len(allowed), 0
    short = [(0, 0), *((0, max(valves - count, 0)) for count in allowed.shape[1:])]
    allowed, valve = np.pad(allowed, short), np.arange(valves)  # springs that are not there
    strong, weak = (
        np.argsort(np.pad(n, pad)) for n, pad in zip((-outers, inners), short[1:], strict=True)
    )
    pairs = min(len(strong), len(weak))
    start = allowed[:, strong[:pairs], weak[:pairs]]
    outer_of = strong[whole_matching(start)]
    for _ in range(MOST_ROUNDS):
        inner_of = whole_matching(allowed[valve, outer_of])
        by_outer = allowed[valve, :, inner_of]
        outer_of = whole_matching(by_outer)
        count = int(by_outer[valve, outer_of].sum())
        if count <= best:
            break
        best = count
        if best == valves:
            break
    return best


def _can_be_filled(allowed: Flags, strength: tuple[Array, Array | None]) -> bool:
    """Tell exactly whether all valves can be given allowed springs of their own, (V, O, I)."""
    valves, _, inners = allowed.shape
    if at_most(allowed, has_inner=strength[1] is not None) < valves:
        return False
    if strength[1] is None or filled(allowed, strength) == valves:
        return True  # two sides are matched exactly; and what was found is there
    # imported late: slow to load
    from coilbench.analysis.engine.three_index import ThreeIndexProblem
    from coilbench.analysis.engine.three_index_search import solve

    problem = ThreeIndexProblem(
        costs=lambda at: np.where(allowed[at], 0.0, np.inf)[:, :, None],
        wanted=np.ones(valves, dtype=np.intp),
        inner_uses=np.array([valves]) if inners == 1 else np.ones(inners, dtype=np.intp),
        uses=np.zeros((1, 0)),
        stock=np.zeros(0),
        effort=np.zeros(1),
    )
    return solve(problem).picks != ()


def at_most(allowed: Flags, *, has_inner: bool) -> int:
    """Return a bound that no way of giving springs to valves can exceed."""
    sides = (2, 1) if has_inner else (2,)
    return min(int(np.sum(largest_matching(np.any(allowed, axis=axis)) >= 0)) for axis in sides)
