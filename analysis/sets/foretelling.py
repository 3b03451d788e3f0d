"""What a load should be near, by what else its set shows. Pure.

By the closest of what is known: the spring's own readings, the other springs', its free length, the
nominal, its dimensions; and by the rate beside it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from statistics import median
from typing import Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.analysis.sets.courses import SAME_MM, Course, Held, ReadAt, straight
from coilbench.capture.book.nominals import SetNominal
from coilbench.capture.calibration.statistics import ROBUST_SD_PER_MAD

# All of these are our choice, no source: wide enough for a tired spring among sound ones, which
# lost a fifth of its load at most where we looked, narrow enough for a wrong first digit.
AGAIN_SHARE = 0.10  # of the load: the same spring at the same height, pressed again
SHAPE_SHARE = 0.15  # what its other reading and the others' loads at both heights foretell
MATES_SHARE = 0.20  # the others' middle at that height, where there are MATES_ENOUGH
FEW_MATES_SHARE = 0.30  # where there are fewer, but not one alone
ONE_MATE_SHARE = 0.50
LINE_SHARE = 0.35  # straight through its own readings and its free length: springs are not straight
SET_LINE_SHARE = 0.50  # the same through the others' readings, where it has none
LINE_SLACK_MM = 2.0  # and a free length may be out by this
NOMINAL_SHARE = 0.40  # used springs lie below what their maker printed
DIMENSIONS_SHARE = 0.50  # and their dimensions are measured roughly, the wire's by its 4th power
RATE_SHARE = 0.35  # of the rate between it and its neighbour: what the others have there
OWN_RATE_SHARE = 0.50  # the same through its own two neighbours: springs are not straight
RATE_DEVIATIONS = 3.0  # and of the readings that make that rate
RATE_LOAD_SHARE = 0.03  # and of the load: the Watertown springs of 1900 have up to 0.024 of it
MATES_ENOUGH = 4
MATES_DEVIATIONS = 5.0  # robust standard deviations of the others, where they scatter more
READ_DEVIATIONS = 3.0  # of the reading itself, at small loads
NEAR_MM = 1.0  # a height nearer than this to another is meant for it
MOST_TRIED = 8  # of its other readings, the nearest first
Basis = Literal[
    "again", "shape", "mates", "line", "set", "nominal", "dimensions", "rate", "own_rate"
]


class Foretold(msgspec.Struct, frozen=True):
    """What a load should be near.

    Attributes:
        basis: the spring's own at that height; its own elsewhere and the others' at both; the
            others' there; straight through its own, or through the others'; the nominal; the
            handbook's rate of its dimensions.
        said_by: how many readings, or springs, say so.
        allowed_n: how far from it nothing is asked.
    """

    basis: Basis
    load_n: float
    allowed_n: float
    said_by: int


class Given(msgspec.Struct, frozen=True):
    """What is known of a spring beside its readings.

    Attributes:
        rate_n_per_mm: of its dimensions, by the handbook.
    """

    nominal: SetNominal | None = None
    free_length_mm: float | None = None
    solid_height_mm: float | None = None
    rate_n_per_mm: float | None = None


NOTHING_GIVEN = Given()


def foretold(
    read: ReadAt, held: Sequence[ReadAt] | Held, given: Given = NOTHING_GIVEN
) -> Foretold | None:
    """Return what a load should be near, by the closest of what is known; None where nothing is."""
    beside = Held.of(held)
    own, mates = beside.own(read), beside.mates(read)
    free_mm = given.free_length_mm
    ways: tuple[Callable[[], Foretold | None], ...] = (
        lambda: _again(read, own),
        lambda: _by_shape(read, own, mates),
        lambda: _by_mates(read, mates),
        lambda: _by_line(read, own, free_mm, "line", LINE_SHARE),
        lambda: (
            None if len(own) else _by_line(read, _middles(mates), free_mm, "set", SET_LINE_SHARE)
        ),
        lambda: _by_nominal(read, given.nominal),
        lambda: _by_dimensions(read, given),
    )
    return next((one for way in ways if (one := way()) is not None), None)


def by_rate(read: ReadAt, held: Sequence[ReadAt] | Held) -> Foretold | None:
    """Return what the rate beside a reading makes of it: two figures exchanged show in that alone.

    The rate between it and its nearest neighbour is held against the one that the others have
    between the same heights, else against the one between its two neighbours; close beside the
    spring's last one, against the one from there on.
    """
    beside = Held.of(held)
    own = beside.own(read)
    own = own.only(np.flatnonzero(np.abs(own.height_mm - read.height_mm) > SAME_MM))
    if not len(own):
        return None
    (near,) = own.nearest(read.height_mm, 1)
    ends_mm = read.height_mm, near.height_mm
    rates = [
        rate for each in beside.mates(read) if (rate := _rate_between(*ends_mm, each)) is not None
    ]
    if len(rates) >= 2:  # one other may be the wrong one
        return _at_rate(read, near, median(rates), RATE_SHARE, "rate", len(rates))
    sides = (own.height_mm - read.height_mm) * (near.height_mm - read.height_mm)
    beyond = np.flatnonzero(sides < 0.0)
    if not beyond.size and abs(near.height_mm - read.height_mm) <= NEAR_MM:
        beyond = np.flatnonzero(np.abs(own.height_mm - near.height_mm) > NEAR_MM)
    if not beyond.size:
        return None
    (far,) = own.only(beyond).nearest(read.height_mm, 1)
    rate = (near.load_n - far.load_n) / (far.height_mm - near.height_mm)
    return _at_rate(read, near, rate, OWN_RATE_SHARE, "own_rate", 2) if rate > 0.0 else None


def _rate_between(one_mm: float, other_mm: float, course: Course) -> float | None:
    one_n, other_n = course.there(one_mm), course.there(other_mm)
    if one_n is None or other_n is None:
        return None
    return (one_n - other_n) / (other_mm - one_mm)


def _at_rate(
    read: ReadAt, near: ReadAt, rate: float, share: float, basis: Basis, count: int
) -> Foretold:
    change_n = rate * (near.height_mm - read.height_mm)
    height_u_mm = math.hypot(read.height_u_mm, near.height_u_mm)
    u_n = math.hypot(read.u_n, near.u_n, rate * height_u_mm)
    load_n = near.load_n + change_n
    shares_n = share * abs(change_n), RATE_LOAD_SHARE * abs(load_n)
    return Foretold(basis, load_n, max(*shares_n, RATE_DEVIATIONS * u_n), count)


def _near(
    read: ReadAt, basis: Basis, load_n: float, share: float, count: int, slack_n: float = 0.0
) -> Foretold:
    allowed_n = share * abs(load_n) + READ_DEVIATIONS * read.u_n + slack_n
    return Foretold(basis, load_n, allowed_n, count)


def _again(read: ReadAt, own: Course) -> Foretold | None:
    there = own.loads_at(read.height_mm).tolist()
    if not there:
        return None
    return _near(read, "again", median(there), AGAIN_SHARE, len(there))


def _by_shape(read: ReadAt, own: Course, mates: Sequence[Course]) -> Foretold | None:
    """Scale the spring's nearest other reading by what the others do between the two heights."""
    if len(mates) < 2:
        return None
    for one in own.nearest(read.height_mm, MOST_TRIED):
        ratios = list(_ratios(read.height_mm, one.height_mm, mates))
        if len(ratios) >= 2:
            load_n = one.load_n * median(ratios)
            return _near(read, "shape", load_n, SHAPE_SHARE, len(ratios))
    return None


def _ratios(to_mm: float, from_mm: float, mates: Sequence[Course]) -> Iterator[float]:
    for course in mates:
        there, here = course.there(to_mm), course.there(from_mm)
        if there is not None and here is not None and here > 0.0:
            yield there / here


def _by_mates(read: ReadAt, mates: Sequence[Course]) -> Foretold | None:
    known = [course.there(read.height_mm) for course in mates]
    loads = [load for load in known if load is not None]
    if not loads:
        return None
    middle = median(loads)
    if len(loads) < MATES_ENOUGH:
        share = ONE_MATE_SHARE if len(loads) == 1 else FEW_MATES_SHARE
        return _near(read, "mates", middle, share, len(loads))
    spread_n = ROBUST_SD_PER_MAD * median(abs(load - middle) for load in loads)
    share = max(MATES_SHARE, MATES_DEVIATIONS * spread_n / middle if middle > 0.0 else 0.0)
    return _near(read, "mates", middle, share, len(loads))


def _middles(mates: Sequence[Course]) -> Course:
    """Return a reading for each height that the others were read at, of their middle load."""
    found: dict[float, list[ReadAt]] = {}
    for one in (each for course in mates for each in course):
        near = (mm for mm in found if abs(mm - one.height_mm) <= SAME_MM)
        found.setdefault(next(near, one.height_mm), []).append(one)
    return Course(
        same[0]._replace(height_mm=mm, load_n=median(one.load_n for one in same))
        for mm, same in found.items()
    )


def _by_line(
    read: ReadAt, own: Course, free_length_mm: float | None, basis: Basis, share: float
) -> Foretold | None:
    if not len(own):
        return None
    heights_mm, loads_n = own.height_mm, own.load_n
    if free_length_mm is not None:
        heights_mm, loads_n = np.append(heights_mm, free_length_mm), np.append(loads_n, 0.0)
    near, far = _two_of(heights_mm, read.height_mm)
    ends = [(float(heights_mm[at]), float(loads_n[at])) for at in (near, far)]
    if abs(ends[0][0] - ends[1][0]) <= SAME_MM:
        return None
    load_n = straight(read.height_mm, ends[0], ends[1])
    slope = abs((ends[0][1] - ends[1][1]) / (ends[0][0] - ends[1][0]))
    return _near(read, basis, load_n, share, len(own), LINE_SLACK_MM * slope)


def _two_of(known_mm: NDArray[np.float64], height_mm: float) -> tuple[int, int]:
    """Return the place of the nearest height, and of the nearest on the other side, else farthest.

    Two that lie close together would tell little of a height far from both.
    """
    off_mm = known_mm - height_mm
    near = int(np.argmin(np.abs(off_mm)))
    beyond = np.flatnonzero(off_mm * off_mm[near] < 0.0)
    if beyond.size:
        return near, int(beyond[np.argmin(np.abs(off_mm[beyond]))])
    return near, int(np.argmax(np.abs(off_mm)))


def _by_nominal(read: ReadAt, nominal: SetNominal | None) -> Foretold | None:
    if nominal is None or not nominal.loads:
        return None
    loads = sorted(nominal.loads, key=lambda one: abs(one.height_mm - read.height_mm))
    first = loads[0]
    away_mm = first.height_mm - read.height_mm
    if nominal.rate_n_per_mm is not None:
        load_n = first.load_n + nominal.rate_n_per_mm * away_mm
    elif len(loads) > 1:
        ends = [(one.height_mm, one.load_n) for one in loads[:2]]
        load_n = straight(read.height_mm, ends[0], ends[1])
    elif abs(away_mm) <= NEAR_MM:
        load_n = first.load_n
    else:
        return None
    return _near(read, "nominal", load_n, NOMINAL_SHARE, 1) if load_n > 0.0 else None


def _by_dimensions(read: ReadAt, given: Given) -> Foretold | None:
    if given.rate_n_per_mm is None or given.free_length_mm is None:
        return None
    load_n = given.rate_n_per_mm * (given.free_length_mm - read.height_mm)
    slack_n = LINE_SLACK_MM * given.rate_n_per_mm
    return _near(read, "dimensions", load_n, DIMENSIONS_SHARE, 1, slack_n)
