"""Whether a reading just typed may be a slip, beside what else its set shows. Pure.

A slip is asked about, never refused: a spring may be broken, or another one. The one thing that no
spring does is push less when it is pressed deeper on the same way; there one of two readings is
wrong, and only the person knows which.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Literal, NamedTuple

from coilbench.capture.book.nominals import SetNominal
from coilbench.capture.calibration.statistics import ROBUST_SD_PER_MAD
from coilbench.capture.tables.keyed import SOLID_KEPT_MM

# All of these are our choice, no source: wide enough for a tired spring among sound ones, which
# lost a fifth of its load at most where we looked, narrow enough for a wrong first digit.
SAME_MM = 0.05  # heights nearer than this are one height
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
FALL_DEVIATIONS = 2.0  # k = 2: a fall within it may be none
STRANGE_MM = 2.0  # a height farther than this from all that are read is strange
NEAR_MM = 1.0  # and one nearer than this to one of them is meant for it
DEEP_SHARE = 0.4  # of the free length: a height below it may be a depth, where none was read


class ReadAt(NamedTuple):
    """A reading of a spring.

    Attributes:
        u_n, height_u_mm: its standard uncertainties, k = 1.
        name: how the book calls it; none where it was not keyed.
    """

    label: str
    height_mm: float
    load_n: float
    loading: bool
    u_n: float
    height_u_mm: float
    name: str = ""


Basis = Literal[
    "again", "shape", "mates", "line", "set", "nominal", "dimensions", "rate", "own_rate"
]


class Foretold(NamedTuple):
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


@dataclass(frozen=True)
class Slip:
    """What makes a reading doubtful.

    Attributes:
        kind: `falls`: less load than another reading of the spring at less depth, or the reverse;
            `far`: from what is foretold; `near solid`; `strange height`: nothing else is read
            there.
        other: the reading that cannot be right beside it.
        solid_height_mm: where it is near solid.
    """

    kind: Literal["falls", "far", "near solid", "strange height"]
    read: ReadAt
    foretold: Foretold | None = None
    other: ReadAt | None = None
    solid_height_mm: float | None = None

    @property
    def impossible(self) -> bool:
        """Whether no spring does this, so that it cannot be stored as it is."""
        return self.kind == "falls"


@dataclass(frozen=True)
class Given:
    """What is known of a spring beside its readings.

    Attributes:
        rate_n_per_mm: of its dimensions, by the handbook.
    """

    nominal: SetNominal | None = None
    free_length_mm: float | None = None
    solid_height_mm: float | None = None
    rate_n_per_mm: float | None = None


NOTHING_GIVEN = Given()


def slips(read: ReadAt, held: Sequence[ReadAt], given: Given = NOTHING_GIVEN) -> tuple[Slip, ...]:
    """Return what makes a reading doubtful; nothing where it is as it should be.

    Args:
        held: what counts of the whole set, those of the spring itself too.
    """
    found: list[Slip] = []
    fall = _fall(read, held)
    if fall is not None:
        found.append(Slip("falls", read, other=fall))
    solid_mm = given.solid_height_mm
    if solid_mm is not None and read.height_mm < solid_mm + SOLID_KEPT_MM:
        found.append(Slip("near solid", read, solid_height_mm=solid_mm))
    beside = None if fall is not None else by_rate(read, held)
    for at in (foretold(read, held, given), beside):
        if at is not None and abs(read.load_n - at.load_n) > at.allowed_n:
            found.append(Slip("far", read, foretold=at))
            break
    return tuple(found)


def strange_height(
    height_mm: float, read_mm: Collection[float], free_length_mm: float | None = None
) -> bool:
    """Tell whether a height is far from all that a set is read at; where it has none, too deep."""
    if read_mm:
        return min(abs(height_mm - one) for one in read_mm) > STRANGE_MM
    return free_length_mm is not None and height_mm < DEEP_SHARE * free_length_mm


def meant_height(height_mm: float, read_mm: Collection[float]) -> bool:
    """Tell whether a height is one of those that a set is read at."""
    return any(abs(height_mm - one) <= NEAR_MM for one in read_mm)


def foretold(read: ReadAt, held: Sequence[ReadAt], given: Given = NOTHING_GIVEN) -> Foretold | None:
    """Return what a load should be near, by the closest of what is known; None where nothing is."""
    alike = [one for one in held if one.loading == read.loading]
    own = [one for one in alike if one.label == read.label]
    mates: dict[str, list[ReadAt]] = {}
    for one in alike:
        if one.label != read.label:
            mates.setdefault(one.label, []).append(one)
    free_length_mm = given.free_length_mm
    ways = (
        _again(read, own),
        _by_shape(read, own, list(mates.values())),
        _by_mates(read, list(mates.values())),
        _by_line(read, own, free_length_mm, "line", LINE_SHARE),
        None if own else _by_line(read, _middles(mates), free_length_mm, "set", SET_LINE_SHARE),
        _by_nominal(read, given.nominal),
        _by_dimensions(read, given),
    )
    return next((one for one in ways if one is not None), None)


def by_rate(read: ReadAt, held: Sequence[ReadAt]) -> Foretold | None:
    """Return what the rate beside a reading makes of it: two figures exchanged show in that alone.

    The rate between it and its nearest neighbour is held against the one that the others have
    between the same heights, else against the one between its two neighbours; close beside the
    spring's last one, against the one from there on.
    """
    alike = [one for one in held if one.loading == read.loading]
    own = [
        one
        for one in alike
        if one.label == read.label and abs(one.height_mm - read.height_mm) > SAME_MM
    ]
    if not own:
        return None
    near = min(own, key=lambda one: abs(one.height_mm - read.height_mm))
    mates: dict[str, list[ReadAt]] = {}
    for one in alike:
        if one.label != read.label:
            mates.setdefault(one.label, []).append(one)
    ends_mm = read.height_mm, near.height_mm
    rates = [rate for each in mates.values() if (rate := _rate_between(*ends_mm, each)) is not None]
    if len(rates) >= 2:  # one other may be the wrong one
        return _at_rate(read, near, median(rates), RATE_SHARE, "rate", len(rates))
    beyond = [
        one
        for one in own
        if (one.height_mm - read.height_mm) * (near.height_mm - read.height_mm) < 0.0
    ]
    if not beyond and abs(near.height_mm - read.height_mm) <= NEAR_MM:
        beyond = [one for one in own if abs(one.height_mm - near.height_mm) > NEAR_MM]
    if not beyond:
        return None
    far = min(beyond, key=lambda one: abs(one.height_mm - read.height_mm))
    rate = (near.load_n - far.load_n) / (far.height_mm - near.height_mm)
    return _at_rate(read, near, rate, OWN_RATE_SHARE, "own_rate", 2) if rate > 0.0 else None


def _rate_between(one_mm: float, other_mm: float, readings: Sequence[ReadAt]) -> float | None:
    one_n, other_n = _there(one_mm, readings), _there(other_mm, readings)
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


def _fall(read: ReadAt, held: Sequence[ReadAt]) -> ReadAt | None:
    """Return the spring's own reading that contradicts this one most; None where none does."""
    worst, most = None, 0.0
    for one in held:
        if one.label != read.label or one.loading != read.loading:
            continue
        deep, high = (one, read) if one.height_mm < read.height_mm else (read, one)
        apart_mm = high.height_mm - deep.height_mm
        if apart_mm <= FALL_DEVIATIONS * math.hypot(deep.height_u_mm, high.height_u_mm):
            continue
        beyond = high.load_n - deep.load_n - FALL_DEVIATIONS * math.hypot(deep.u_n, high.u_n)
        if beyond > most:
            worst, most = one, beyond
    return worst


def _there(height_mm: float, readings: Sequence[ReadAt]) -> float | None:
    """Mean load of the readings at a height, else straight between the two around it."""
    loads = [one.load_n for one in readings if abs(one.height_mm - height_mm) <= SAME_MM]
    if loads:
        return sum(loads) / len(loads)
    below = max((r for r in readings if r.height_mm < height_mm), key=_height, default=None)
    above = min((r for r in readings if r.height_mm > height_mm), key=_height, default=None)
    if below is None or above is None:
        return None
    return _straight(height_mm, (below.height_mm, below.load_n), (above.height_mm, above.load_n))


def _height(read: ReadAt) -> float:
    return read.height_mm


def _straight(height_mm: float, one: tuple[float, float], other: tuple[float, float]) -> float:
    share = (height_mm - one[0]) / (other[0] - one[0])
    return one[1] + share * (other[1] - one[1])


def _near(
    read: ReadAt, basis: Basis, load_n: float, share: float, count: int, slack_n: float = 0.0
) -> Foretold:
    allowed_n = share * abs(load_n) + READ_DEVIATIONS * read.u_n + slack_n
    return Foretold(basis, load_n, allowed_n, count)


def _again(read: ReadAt, own: Sequence[ReadAt]) -> Foretold | None:
    there = [one.load_n for one in own if abs(one.height_mm - read.height_mm) <= SAME_MM]
    if not there:
        return None
    return _near(read, "again", median(there), AGAIN_SHARE, len(there))


def _by_shape(
    read: ReadAt, own: Sequence[ReadAt], mates: Sequence[Sequence[ReadAt]]
) -> Foretold | None:
    """Scale the spring's nearest other reading by what the others do between the two heights."""
    for one in sorted(own, key=lambda each: abs(each.height_mm - read.height_mm)):
        ratios = list(_ratios(read.height_mm, one.height_mm, mates))
        if len(ratios) >= 2:
            load_n = one.load_n * median(ratios)
            return _near(read, "shape", load_n, SHAPE_SHARE, len(ratios))
    return None


def _ratios(to_mm: float, from_mm: float, mates: Sequence[Sequence[ReadAt]]) -> Iterator[float]:
    for readings in mates:
        there, here = _there(to_mm, readings), _there(from_mm, readings)
        if there is not None and here is not None and here > 0.0:
            yield there / here


def _by_mates(read: ReadAt, mates: Sequence[Sequence[ReadAt]]) -> Foretold | None:
    known = [_there(read.height_mm, readings) for readings in mates]
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


def _middles(mates: Mapping[str, Sequence[ReadAt]]) -> list[ReadAt]:
    """Return a reading for each height that the others were read at, of their middle load."""
    found: dict[float, list[ReadAt]] = {}
    for one in (each for readings in mates.values() for each in readings):
        near = (mm for mm in found if abs(mm - one.height_mm) <= SAME_MM)
        found.setdefault(next(near, one.height_mm), []).append(one)
    return [
        same[0]._replace(height_mm=mm, load_n=median(one.load_n for one in same))
        for mm, same in found.items()
    ]


def _by_line(
    read: ReadAt, own: Sequence[ReadAt], free_length_mm: float | None, basis: Basis, share: float
) -> Foretold | None:
    points = {one.height_mm: one.load_n for one in own}
    if free_length_mm is not None:
        points[free_length_mm] = 0.0
    if not own or len(points) < 2:
        return None
    near_mm, far_mm = _two_of(points, read.height_mm)
    if abs(near_mm - far_mm) <= SAME_MM:
        return None
    near, far = (near_mm, points[near_mm]), (far_mm, points[far_mm])
    load_n = _straight(read.height_mm, near, far)
    slope = abs((near[1] - far[1]) / (near_mm - far_mm))
    return _near(read, basis, load_n, share, len(own), LINE_SLACK_MM * slope)


def _two_of(known_mm: Collection[float], height_mm: float) -> tuple[float, float]:
    """Return the nearest height, and the nearest on the other side, else the farthest of all.

    Two that lie close together would tell little of a height far from both.
    """
    near_mm = min(known_mm, key=lambda one: abs(one - height_mm))
    beyond = [one for one in known_mm if (one - height_mm) * (near_mm - height_mm) < 0.0]
    if beyond:
        return near_mm, min(beyond, key=lambda one: abs(one - height_mm))
    return near_mm, max(known_mm, key=lambda one: abs(one - height_mm))


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
        load_n = _straight(read.height_mm, ends[0], ends[1])
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
