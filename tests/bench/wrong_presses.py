"""Cases that were seen to go wrong at a bench, each on a simulated rig: what a screen must show.

How a case is run, and what came of it: wrong_case.py.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from bench_strokes import Reseated, Slipping, turned_into
from coilbench.capture.blocks import RawBlock, SampleFlag
from coilbench.capture.book.ratings import Ratings
from coilbench.capture.running.commands import Action, Command
from coilbench.capture.virtual.bench import (
    GaugeBlock,
    PressSpring,
    PutMass,
    Rest,
    Step,
    StrokeKind,
    ease,
)
from coilbench.capture.virtual.firmware import Faults
from coilbench.capture.virtual.instrument import ADC_MAX_COUNTS
from coilbench.capture.virtual.spring import INNER, OUTER, SpringModel, draw_set
from rig_clock import BACK_S, Alter
from wrong_case import RIG, SHOWN_S, Case, Read, Since

Array = NDArray[np.float64]

SPRINGS = draw_set(OUTER, 4, 4)
ALIEN = draw_set(INNER, 1, 4)[0]
INNERS = draw_set(INNER, 4, 4)
TO_MM = 28.0
FIRST_S = 2.0  # before the first press
LET_UP_N = 8.0  # below it a press is over
LET_UP_S = 0.6  # that a hand takes to let up what it held


def presses(
    *springs: SpringModel, times: int = 3, kind: StrokeKind = StrokeKind.STEADY
) -> list[Step]:
    """Return springs pressed one after another."""
    steps: list[Step] = [Rest(FIRST_S)]
    for spring in springs:
        steps += [PressSpring(spring, TO_MM, kind), Rest(0.5)] * times + [Rest(1.0)]
    return steps


def at(seconds: float) -> Since:
    """Return a time that is known beforehand."""
    return lambda _read: seconds


def when(wrong: Callable[[Read], NDArray[np.bool_]]) -> Since:
    """Return the first moment at which something holds."""
    return lambda read: float(read.t_s[np.argmax(wrong(read))])


def let_up(number: int) -> Since:
    """Return when that press, counted from 1, is over."""

    def since(read: Read) -> float:
        loaded = (read.load_n > LET_UP_N).astype(np.int8)
        return float(read.t_s[np.flatnonzero(np.diff(loaded) < 0)[number - 1] + 1])

    return since


def altered(change: Callable[[RawBlock], None]) -> Alter:
    """Return what changes the samples of each block in place."""

    def alter(block: RawBlock) -> RawBlock:
        samples = block.samples.copy()
        changed = replace(block, samples=samples)
        change(changed)
        return changed

    return alter


def _higher(by_mm: float) -> Alter:
    """Return heights that read so much too high."""

    def change(block: RawBlock) -> None:
        block.samples["travel_counts"] -= round(by_mm * RIG.travel_counts_per_mm)

    return altered(change)


def _times(name: str, factor: float, about: float) -> Alter:
    def change(block: RawBlock) -> None:
        block.samples[name] = about + factor * (block.samples[name] - about)

    return altered(change)


def _clip(limit_n: float) -> Alter:
    """Return an amplifier whose end stop is at a load."""

    def change(block: RawBlock) -> None:
        over = block.samples["load_counts"] > RIG.cell_counts(np.array([limit_n]))[0]
        block.samples["load_counts"][over] = ADC_MAX_COUNTS
        block.samples["flags"][over] |= np.uint8(SampleFlag.LOAD_SATURATED)

    return altered(change)


def _at(samples: NDArray[np.void], height_mm: float, load_n: float) -> None:
    noise = samples["load_counts"] % 64
    travel = (RIG.rest_height_mm - height_mm) * RIG.travel_counts_per_mm
    samples["load_counts"] = RIG.cell_counts(np.array([load_n]))[0] + noise
    samples["travel_counts"] = round(travel)


def _let_up(samples: NDArray[np.void], to_s: float, held: Array) -> None:
    """Let the quill go from where it is held, in place: a hand takes a moment."""
    share = ease((samples["t_us"] * 1e-6 - to_s) / LET_UP_S)
    late = samples["t_us"] * 1e-6 >= to_s
    for value, name in zip(held, ("load_counts", "travel_counts"), strict=True):
        there = samples[name][late]
        samples[name][late] = np.rint(value + (there - value) * share[late])


def _held(from_s: float, to_s: float, height_mm: float, load_n: float) -> Alter:
    """Return a quill that is held at a height under a load meanwhile."""

    def change(block: RawBlock) -> None:
        t_s = block.samples["t_us"] * 1e-6
        held = (t_s >= from_s) & (t_s < to_s)
        samples = block.samples[held]
        _at(samples, height_mm, load_n)
        block.samples[held] = samples
        travel = (RIG.rest_height_mm - height_mm) * RIG.travel_counts_per_mm
        _let_up(block.samples, to_s, np.array([RIG.cell_counts(np.array([load_n]))[0], travel]))

    return altered(change)


def _frozen(from_s: float, to_s: float) -> Alter:
    """Return a quill that is held where it is in mid press."""
    last = np.zeros(2)

    def change(block: RawBlock) -> None:
        t_s, names = block.samples["t_us"] * 1e-6, ("load_counts", "travel_counts")
        before, held = np.flatnonzero(t_s < from_s), (t_s >= from_s) & (t_s < to_s)
        for at, name in enumerate(names):
            last[at] = block.samples[name][before[-1]] if before.size else last[at]
            block.samples[name][held] = last[at] + t_s[held] * 1000 % 3
        _let_up(block.samples, to_s, last)

    return altered(change)


def _stopped_on(spring: SpringModel, preload_mm: float) -> Alter:
    """Return a quill whose upper stop is so far below the spring's free length."""
    stop_mm = spring.free_length_mm - preload_mm
    load_n = float(spring.pressed_load_n(np.array([stop_mm]), 0)[0])

    def change(block: RawBlock) -> None:
        height_mm = RIG.rest_height_mm - block.samples["travel_counts"] / RIG.travel_counts_per_mm
        above = height_mm > stop_mm
        samples = block.samples[above]
        _at(samples, stop_mm, load_n)
        block.samples[above] = samples

    return altered(change)


def _slipped(from_s: float, by_mm: float, over_s: float = 1e-3) -> Alter:
    """Return a travel scale that slips so far, and stays there."""

    def change(block: RawBlock) -> None:
        share = np.clip((block.samples["t_us"] * 1e-6 - from_s) / over_s, 0.0, 1.0)
        slip = np.rint(share * by_mm * RIG.travel_counts_per_mm)
        block.samples["travel_counts"] -= slip.astype(np.int32)

    return altered(change)


def _hand(from_s: float, to_s: float, below_mm: float) -> Alter:
    """Return a still hand that holds the quill so far below its stop, or lower, meanwhile."""

    def change(block: RawBlock) -> None:
        t_s = block.samples["t_us"] * 1e-6
        share = ease((t_s - from_s) / LET_UP_S) - ease((t_s - to_s) / LET_UP_S)
        held = np.rint(share * below_mm * RIG.travel_counts_per_mm)
        travel = block.samples["travel_counts"]
        block.samples["travel_counts"] = np.maximum(travel, held.astype(np.int32))

    return altered(change)


def _load_stands(from_s: float, to_s: float, noise_counts: int) -> Alter:
    """Return a load that stands still meanwhile, with noise or without."""
    last = np.zeros(1)

    def change(block: RawBlock) -> None:
        t_s, counts = block.samples["t_us"] * 1e-6, block.samples["load_counts"]
        before, held = np.flatnonzero(t_s < from_s), (t_s >= from_s) & (t_s < to_s)
        last[:] = counts[before[-1]] if before.size else last
        counts[held] = last[0] + np.round(noise_counts * np.sin(1e5 * t_s[held]))

    return altered(change)


def _moved(from_s: float, by_mm: float) -> Since:
    """Return when the height has moved by so much since then."""

    def since(read: Read) -> float:
        after = read.t_s >= from_s
        moved = np.abs(read.height_mm[after] - read.height_mm[after][0]) > by_mm
        return float(read.t_s[after][np.argmax(moved)])

    return since


def _flagged(from_s: float, flag: SampleFlag) -> Alter:
    """Return samples that bear a flag from a moment on."""

    def change(block: RawBlock) -> None:
        late = block.samples["t_us"] * 1e-6 >= from_s
        block.samples["flags"][late] |= np.uint8(flag)

    return altered(change)


def _bound(spring: SpringModel, kind: StrokeKind = StrokeKind.STEADY) -> tuple[list[Step], Since]:
    """Return a press beyond where the coils touch, and when the load has leapt."""
    to_mm = spring.solid_height_mm - 0.2
    line_n = 1.4 * spring.rate_n_per_mm * (spring.free_length_mm - spring.solid_height_mm)
    steps: list[Step] = [Rest(FIRST_S), PressSpring(spring, to_mm, kind), Rest(1.5)]
    return steps, when(lambda r: r.load_n > line_n)


MID_S = 3.5  # in the first press, on its way down
ONE = presses(SPRINGS[0], times=1)
_TWO_RATE = {"crack_depth_mm": 12.0, "crack_rate_ratio": 2.5}
_WEAKER = replace(SPRINGS[0], rate_n_per_mm=0.83 * SPRINGS[0].rate_n_per_mm)
_LITTLE_WEAKER = replace(SPRINGS[0], rate_n_per_mm=0.97 * SPRINGS[0].rate_n_per_mm)
TWO = presses(*SPRINGS[:2])
_SLIPPING = turned_into(SPRINGS[1], Slipping)
_AGAIN = [PressSpring(SPRINGS[1], TO_MM), Rest(0.5)]
_ANOTHER: list[Step] = [*presses(SPRINGS[0]), *presses(SPRINGS[1])]
_GAUGE_S = 9.0
_STILL_S = 12.5
_GAUGED_S = 20.5
_GAUGED: list[Step] = [*presses(SPRINGS[0]), Rest(1.0), GaugeBlock(30.0, 6.0), Rest(2.0)]
_SHORTER = SpringModel(free_length_mm=49.0, rate_n_per_mm=20.5, solid_height_mm=24.0)
_TWICE_S = 11.5
HELD_S = 9.0  # until then it is held
_THEN = [Rest(HELD_S), *presses(SPRINGS[0])]
_PRESSED: list[Step] = [*ONE, Rest(HELD_S), *presses(SPRINGS[0])]
SUNK = turned_into(SPRINGS[0], Reseated, by_mm=-0.35)
_HALF_SHORTER = replace(SPRINGS[0], free_length_mm=SPRINGS[0].free_length_mm - 0.5)
_BLAMES = ("travel_dead", "travel_reversed", "load_dead")
_LOADED = ("load_n", HELD_S - SHOWN_S)
_SLOW_HAND = [Rest(FIRST_S), *[PressSpring(SPRINGS[0], TO_MM), Rest(5.0)] * 3]
_IN_AIR: list[Step] = [*ONE, Rest(6.0), *presses(SPRINGS[0])]
_HAND_S = 2.5  # in the first press
_SPRING_S = 15.0  # by then the first spring is done
_UP_S = 21.5
_HELD_TWO = [*presses(SPRINGS[0]), Rest(2.0), *presses(SPRINGS[1], times=1), Rest(3.0),
             *presses(SPRINGS[1], times=2)]  # fmt: skip
_GAUGE_TWO: list[Step] = [*_GAUGED, *presses(SPRINGS[1])]
_BAD_FIRST = turned_into(SPRINGS[0], Slipping, slip_mm=0.19)
_SLOW_ADC = replace(RIG, rate_hz=10.0, nominal_rate_hz=10.0, filter_conversions=14)
_AFTER_RESTART: list[Step] = [*ONE, Rest(1.0), GaugeBlock(30.0, 6.0), *presses(SPRINGS[0])]
_FOUR: list[Step] = [*presses(*SPRINGS), Rest(2.0)]


def _closed(*springs: SpringModel) -> list[Step]:
    """Return a set of which the first spring is pressed once more at its end."""
    return [*presses(*springs), Rest(2.0), PressSpring(springs[0], TO_MM), Rest(3.0)]


def _sunk(by_mm: float) -> list[Step]:
    """Return a set under which the seat moves between its second and third springs."""
    late = [turned_into(one, Reseated, by_mm=by_mm) for one in (*SPRINGS[2:], SPRINGS[0])]
    again = PressSpring(late[2], TO_MM)
    return [*presses(*SPRINGS[:2]), *presses(*late[:2]), Rest(2.0), again, Rest(6.0)]


_BETWEEN_S = 15.0  # the first spring is done, and the quill is up
# Each capture has a bench of its own: as three presses at the one before left it.
_SECOND: list[Step] = [
    *presses(*SPRINGS[1:3]),
    Rest(4.0),
    PressSpring(SPRINGS[0].after(3), TO_MM),
    Rest(3.0),
]
_ENDS = ((29.0, Command(Action.FINISH)), (30.5, Command(Action.ACCEPT)))

CASES = (
    Case("overload of the cell", ONE, when(lambda r: r.load_n >= 300.0), "STOP", "overload", 0,
         ratings=Ratings(300.0, 900.0)),
    Case("overload of the press", ONE, when(lambda r: r.load_n >= 300.0), "STOP", "overload", 0,
         ratings=Ratings(900.0, 300.0)),
    Case("80 % of a rating", ONE, when(lambda r: r.load_n >= 0.8 * r.load_n.max() / 0.9), "",
         "overload_near", 1, ratings=Ratings(cell_n=450.0)),
    Case("amplifier at its end stop", ONE, when(lambda r: r.load_n >= 250.0), "STOP",
         "amplifier_at_limit", 0, alter=_clip(250.0), most_n=251.0),
    Case("datum 40 mm out", ONE, when(lambda r: r.height_mm < 0.0), "STOP", "below_faces", 0,
         alter=_higher(-40.0)),
    Case("below the solid height", ONE, when(lambda r: r.height_mm < 32.0), "STOP",
         "below_solid", 0, solid_mm=32.0),
    Case("loaded above the free length", ONE,
         when(lambda r: (r.height_mm > 47.0) & (r.load_n > 20.0)), "STOP", "above_free", 0,
         free_mm=45.0),
    Case("travel stands still", ONE, when(lambda r: r.load_n > 100.0), "STOP", "travel_dead", 0,
         alter=_times("travel_counts", 0.0, 0.0)),
    Case("travel runs backwards", ONE, when(lambda r: r.load_n > 30.0), "STOP",
         "travel_reversed", 0, alter=_times("travel_counts", -1.0, 0.0)),
    Case("travel stands still, free length told", ONE, when(lambda r: r.load_n > 100.0), "STOP",
         "travel_dead", 0, alter=_times("travel_counts", 0.0, 0.0),
         free_mm=SPRINGS[0].free_length_mm, never=("above_free", "touched_low")),
    Case("travel runs backwards, free length told", ONE, when(lambda r: r.load_n > 30.0), "STOP",
         "travel_reversed", 0, alter=_times("travel_counts", -1.0, 0.0),
         free_mm=SPRINGS[0].free_length_mm, never=("above_free", "touched_low")),
    Case("coils bind, nothing is told", *_bound(SPRINGS[0]), "STOP", "coils_bind", 0),
    Case("coils bind, the cell's rating is told", *_bound(SPRINGS[0]), "STOP", "coils_bind", 0,
         ratings=Ratings(cell_n=2000.0)),
    Case("coils of an inner spring bind", *_bound(INNERS[0]), "STOP", "coils_bind", 0),
    Case("coils bind, 10 samples/s", *_bound(SPRINGS[0], StrokeKind.SLOW), "STOP", "coils_bind", 0,
         rig=replace(RIG, rate_hz=10.0, nominal_rate_hz=10.0)),
    Case("coils of a two-rate spring bind", *_bound(replace(SPRINGS[0], **_TWO_RATE)), "STOP",
         "coils_bind", 0),
    *(
        Case(f"the load stands still {way}, noise {noise}", ONE, _moved(from_s, 3.5), "STOP",
             "load_still", 0, alter=_load_stands(from_s, from_s + 2.0, noise))
        for way, from_s in (("on the way down", 3.0), ("on the way up", 4.1))
        for noise in (0, 300)
    ),
    Case("no load comes", ONE,
         when(lambda r: r.height_mm < SPRINGS[0].free_length_mm - 5.0), "STOP", "load_dead", 0,
         alter=_times("load_counts", 0.0, RIG.zero_counts), free_mm=SPRINGS[0].free_length_mm),
    Case("the cell is wired backwards", ONE, when(lambda r: r.load_n < -30.0), "STOP",
         "load_reversed", 0, alter=_times("load_counts", -1.0, RIG.zero_counts)),
    Case("another spring, before it is let up", [*TWO, *presses(ALIEN, times=1)],
         when(lambda r: (r.t_s > 30.0) & (r.height_mm < 37.0)), "WRONG SPRING?",
         "another_spring", 6),
    Case("another spring, by its touch", presses(ALIEN, times=1),
         when(lambda r: r.height_mm < ALIEN.free_length_mm - 4.0), "WRONG SPRING?",
         "touched_low", 0, free_mm=SPRINGS[0].free_length_mm),
    Case("another spring in the same label", [*presses(SPRINGS[0], times=2),
         PressSpring(_WEAKER, TO_MM), Rest(1.5)], let_up(3), "WRONG SPRING?", "another_spring", 2),
    Case("a spring 3 % weaker in the same label", [*presses(SPRINGS[0], times=2),
         PressSpring(_LITTLE_WEAKER, TO_MM), Rest(1.5)], let_up(3), "WRONG SPRING?",
         "another_spring", 2),
    Case("the travel scale slips by 0.3 mm, slowly, with nothing in the press",
         [*presses(SPRINGS[0], times=2), Rest(2.0), *presses(SPRINGS[0], times=2)],
         at(_STILL_S + 1.1), "LET IT UP", "quill_low", 2,
         alter=_slipped(_STILL_S, -0.3, 1.0)),
    Case("the travel scale slips by 0.3 mm up, slowly, with nothing in the press",
         [*presses(SPRINGS[0], times=2), Rest(2.0), *presses(SPRINGS[0], times=2)],
         at(_STILL_S + 1.1), "DATUM RIGHT?", "stop_moved", 2, alter=_slipped(_STILL_S, 0.3, 1.0)),
    Case("the travel scale slips by 0.3 mm between two springs", [*presses(SPRINGS[0]), Rest(3.0),
         *presses(SPRINGS[1]), *presses(SPRINGS[2], times=1)], at(_GAUGED_S - 4.0), "LET IT UP",
         "quill_low", 3, alter=_slipped(15.0, -0.3, 1.0)),
    Case("another spring, first press", [*TWO, *presses(ALIEN, times=1)], let_up(7),
         "WRONG SPRING?", "another_spring", 6),
    Case("another spring, taken out", [*TWO, *presses(ALIEN, times=1), Rest(4.0),
         *presses(SPRINGS[2])], let_up(7), "WRONG SPRING?", "another_spring", 9,
         commands=((44.0, Command(Action.TAKE_OUT)),)),
    Case("a slip", [*presses(SPRINGS[0]), PressSpring(SPRINGS[1], TO_MM), Rest(0.5),
         PressSpring(_SLIPPING, TO_MM), Rest(1.5), *_AGAIN, *_AGAIN], let_up(5), "DATUM RIGHT?",
         "slipped", 6),
    Case("the travel scale slips in a conditioning press", presses(SPRINGS[0], times=4), at(MID_S),
         "STOP", "travel_jumped", 0, alter=_slipped(MID_S, 2.0)),
    Case("the travel scale slips slowly in a conditioning press", presses(SPRINGS[0], times=4),
         let_up(1), "DATUM RIGHT?", "slipped", 0, alter=_slipped(3.0, 2.0, 0.7)),
    Case("the travel scale slips with nothing in the press", [*presses(SPRINGS[0], times=2),
         Rest(2.0), *presses(SPRINGS[0], times=2)], at(_STILL_S), "DATUM RIGHT?", "travel_jumped",
         2, alter=_slipped(_STILL_S, -2.0)),
    Case("the travel scale slips up on the way to the first press of a spring", _ANOTHER, at(22.0),
         "DATUM RIGHT?", "stop_moved", 3, alter=_slipped(18.5, 0.4, 0.15), never=("datum_holds",)),
    Case("the travel scale slips up between two presses, and a yes says that the spring sits"
         " otherwise", _ANOTHER, let_up(5), "DATUM RIGHT?", "stop_moved", 4,
         alter=_slipped(22.75, 0.4, 0.15), commands=((27.0, Command(Action.ACCEPT)),),
         never=("datum_said", "datum_holds")),
    Case("the travel scale slips down, a spring is pressed, then the right gauge", [
         *presses(SPRINGS[0]), *presses(SPRINGS[1], times=1), GaugeBlock(30.0, 8.0), Rest(3.0)],
         at(27.0), "KEEP THEM?", "strokes_in_doubt", 3, alter=_slipped(16.0, -0.4),
         commands=((23.0, Command(Action.GAUGE)),
                   (27.0, Command(Action.DATUM, height_mm=30.0)),
                   (29.0, Command(Action.ACCEPT)))),
    Case("a gauge stays after its length was typed", [*presses(SPRINGS[0]), Rest(1.0),
         GaugeBlock(30.0, 14.0), Rest(2.0)], at(_GAUGED_S), "GAUGE OUT", "", 3,
         commands=((_GAUGED_S - 4.0, Command(Action.GAUGE)),
                   (_GAUGED_S, Command(Action.DATUM, height_mm=30.0))),
         never=("load_dead", "zero_moved", "datum_differs")),
    Case("a first press that sat otherwise, and three that agree",
         [*presses(turned_into(SPRINGS[0], Reseated, by_mm=0.4), times=1), *presses(SPRINGS[0]),
          Rest(4.0)],
         let_up(2), "DATUM RIGHT?", "datum_moved", 3, measured=3, conditioning=0,
         commands=((24.0, Command(Action.ACCEPT)),)),
    *(
        Case(f"the seat sinks under a spring by 0.35 mm, {worked} conditioning presses",
             [*presses(SPRINGS[0], times=worked + 1), *presses(SUNK, times=4)], let_up(worked + 2),
             "DATUM RIGHT?", "datum_moved", worked + 1, measured=4, conditioning=worked)
        for worked in (0, 1)
    ),
    Case("the seat sinks by 0.35 mm, and the spring's turn is passed on",
         [*presses(SPRINGS[0], times=2), *presses(SUNK, times=1), Rest(3.0),
          *presses(SPRINGS[1], times=2)], let_up(3), "DATUM RIGHT?", "datum_moved", 2,
         measured=4, commands=((18.0, Command(Action.SKIP)),)),
    Case("a shorter spring of the same rate, in the second press", [*presses(SPRINGS[0], times=1),
         *presses(_HALF_SHORTER, times=3)], let_up(2), "DATUM RIGHT?", "datum_moved", 1,
         measured=4, conditioning=0),
    Case("a datum that stands, on a gauge that is typed half a millimetre short", _GAUGED,
         at(_GAUGED_S), "GAUGE RIGHT?", "datum_differs", 3,
         commands=((_GAUGED_S - 4.0, Command(Action.GAUGE)),
                   (_GAUGED_S, Command(Action.DATUM, height_mm=29.5))),
         never=("datum_set", "load_dead")),
    Case("in doubt of a slip, a gauge that is typed half a millimetre short",
         [*presses(SPRINGS[0]), PressSpring(_SLIPPING, TO_MM), Rest(3.0), GaugeBlock(30.0, 6.0),
          Rest(2.0)], at(26.0), "GAUGE RIGHT?", "datum_differs", 3,
         commands=((22.0, Command(Action.GAUGE)), (26.0, Command(Action.DATUM, height_mm=29.5))),
         never=("datum_set", "load_dead")),
    Case("a gauge comes for a datum that stands", _GAUGED, at(_GAUGED_S - 4.0), "GAUGE", "", 3,
         commands=((_GAUGED_S - 4.0, Command(Action.GAUGE)),
                   (_GAUGED_S, Command(Action.DATUM, height_mm=30.0))), never=("load_dead",)),
    *(
        Case(f"a stiffer, shorter spring, {known} known", [*presses(*SPRINGS[:known]),
             *presses(_SHORTER, times=1)], let_up(3 * known + 1), "WRONG SPRING?",
             "another_spring", 3 * known, never=("pressed_short",))
        for known in (1, 2)
    ),
    Case("10 samples/s, a fast hand", presses(SPRINGS[0], times=2, kind=StrokeKind.FAST), let_up(2),
         "larch-01", "too_fast", 1, rig=replace(RIG, rate_hz=10.0, nominal_rate_hz=10.0)),
    Case("10 samples/s, a hurried first press, then slow ones",
         [*presses(SPRINGS[0], times=1), *presses(SPRINGS[0], kind=StrokeKind.SLOW)],
         let_up(1), "larch-01", "hasty", 3, conditioning=0, measured=3,
         rig=replace(RIG, rate_hz=10.0, nominal_rate_hz=10.0),
         never=("another_spring", "datum_moved", "slipped")),
    *(
        Case(f"8 samples/s, a filter of {over}, a hurried press that works the spring", [
             *presses(SPRINGS[0], times=1, kind=kind), *presses(SPRINGS[0], times=3,
             kind=StrokeKind.SLOW)], at(0.0), "larch-01", "", 4,
             rig=replace(_SLOW_ADC, rate_hz=8.0, nominal_rate_hz=8.0, filter_conversions=over),
             measured=3, never=("another_spring", "datum_moved", "slipped", "datum_doubted"))
        for over, kind in ((14, StrokeKind.STEADY), (4, StrokeKind.STEADY), (4, StrokeKind.FAST))
    ),
    Case("the press that works the first spring goes half-way only", [
         *presses(SPRINGS[0], times=1, kind=StrokeKind.SHORT), *presses(SPRINGS[0], times=3)],
         let_up(2), "larch-01", "worked_short", 4),
    Case("a stroke far hastier than the others", [*presses(SPRINGS[0], times=2),
         PressSpring(SPRINGS[0], TO_MM, StrokeKind.HASTY), Rest(1.5)], let_up(3), "larch-01",
         "hasty", 2),
    Case("the travel scale is absent, and no fault line says so", presses(SPRINGS[0]), at(MID_S),
         "LOAD UNKNOWN", "no_travel", 0, alter=_flagged(MID_S, SampleFlag.TRAVEL_ABSENT),
         unknown=("load_n", 99.0), never=("no_reading",)),
    Case("a fast hand, 10 samples/s, the free length told",
         presses(SPRINGS[0], times=2, kind=StrokeKind.FAST), let_up(2), "larch-01", "too_fast", 1,
         rig=replace(RIG, rate_hz=10.0, nominal_rate_hz=10.0),
         free_mm=SPRINGS[0].free_length_mm, never=("touched_low", "another_spring")),
    Case("board restarts in mid stroke", presses(SPRINGS[0]), at(MID_S), "SET THE DATUM",
         "datum_lost", 0, faults=Faults(restart_at_s=(MID_S,)), unknown=("height_mm", 99.0)),
    Case("unplugged, back as another start", presses(SPRINGS[0]), at(MID_S), "LOAD UNKNOWN",
         "datum_lost", 0, faults=Faults(unplug_at_s=MID_S), restarts=True,
         unknown=("height_mm", 99.0)),
    Case("cable pulled in mid stroke", presses(SPRINGS[0]), at(MID_S), "LOAD UNKNOWN",
         "link_lost", 3, faults=Faults(unplug_at_s=MID_S), unknown=("load_n", BACK_S)),
    Case("amplifier silent in mid stroke", presses(SPRINGS[0]), at(MID_S), "LOAD UNKNOWN",
         "rig_fault", 0, faults=Faults(dead_s=((MID_S, 30.0),)), unknown=("load_n", 99.0)),
    Case("end with springs unfinished", ONE, at(6.0), "END NOW?", "finish_unfinished", 1,
         commands=((6.0, Command(Action.FINISH)),)),
    *(
        Case(f"datum set on a gauge that is typed {by_mm:g} mm long", [
             *presses(SPRINGS[0], times=2), Rest(3.0), GaugeBlock(30.0, 6.0),
             *presses(SPRINGS[0], times=1)], at(_TWICE_S + since_s), large, kind, 2,
             faults=Faults(restart_at_s=(_TWICE_S,)), never=never,
             commands=((_TWICE_S + 6.0, Command(Action.DATUM, height_mm=30.0 + by_mm)),))
        for by_mm, since_s, large, kind, never in (
            (-1.0, 9.0, "LET IT UP", "quill_low", ()),
            (0.5, 6.0, "GAUGE RIGHT?", "datum_differs", ("datum_set",)),
        )
    ),
    Case("datum set again on a gauge", _AFTER_RESTART, at(MID_S), "SET THE DATUM", "datum_lost", 3,
         faults=Faults(restart_at_s=(MID_S,)), unknown=("height_mm", 5.0),
         commands=((_GAUGE_S + 3.0, Command(Action.DATUM, height_mm=30.0)),)),
    *(
        Case(f"begun on a spring that is held under {load_n:.0f} N", _THEN, at(0.1),
             "LOAD UNKNOWN", "loaded_from_start", 3, alter=_held(0.0, HELD_S, 30.0, load_n),
             unknown=_LOADED, never=_BLAMES)
        for load_n in (39.2, 147.1, 369.9)
    ),
    Case("restarted with the quill held down", _PRESSED, at(MID_S), "SET THE DATUM", "datum_lost",
         0, faults=Faults(restart_at_s=(MID_S,)), alter=_frozen(MID_S, HELD_S),
         unknown=("load_n", HELD_S - MID_S - SHOWN_S), never=_BLAMES),
    Case("amplifier back with the quill held down", _PRESSED, at(MID_S), "LOAD UNKNOWN",
         "loaded_from_start", 3, faults=Faults(dead_s=((MID_S, 2.0),)),
         alter=_frozen(MID_S, HELD_S), unknown=("load_n", HELD_S - MID_S - SHOWN_S),
         never=_BLAMES),
    Case("the quill's stop 2 mm below the free length", _SLOW_HAND, at(0.1), "LOAD UNKNOWN",
         "loaded_from_start", 0, alter=_stopped_on(SPRINGS[0], 2.0), unknown=("load_n", 99.0)),
    Case("the quill's stop 1 mm below a free length that is told", _SLOW_HAND, at(0.1),
         "LOAD UNKNOWN", "loaded_from_start", 0, alter=_stopped_on(SPRINGS[0], 1.0),
         free_mm=SPRINGS[0].free_length_mm, unknown=("load_n", 99.0)),
    Case("the quill's stop 1 mm below a free length nobody told", [Rest(4.0), *_SLOW_HAND],
         at(0.1), "LOAD UNKNOWN", "loaded_from_start", 0, alter=_stopped_on(SPRINGS[0], 1.0),
         unknown=("load_n", 99.0)),
    Case("a datum is set in the air", _IN_AIR, at(MID_S), "SET THE DATUM", "datum_refused", 0,
         faults=Faults(restart_at_s=(MID_S,)), unknown=("height_mm", 99.0),
         commands=((10.0, Command(Action.DATUM, height_mm=30.0)),), never=("datum_set",)),
    Case("a datum is set on a spring that is held", _PRESSED, at(MID_S), "SET THE DATUM",
         "datum_refused", 0, faults=Faults(restart_at_s=(MID_S,)),
         alter=_frozen(MID_S, HELD_S), unknown=("height_mm", 99.0),
         commands=((8.0, Command(Action.DATUM, height_mm=30.0)),), never=("datum_set",)),
    *(
        Case(f"a hand holds the quill {mm:g} mm below its stop between presses", _HELD_TWO,
             at(5.6), "LET IT UP", "quill_low", 6, alter=_hand(_HAND_S, _UP_S, mm),
             never=("datum_doubted",))
        for mm in (0.2, 0.5, 2.9)
    ),
    Case("a hand holds the quill below its stop before the first press of a spring",
         [Rest(3.0), *presses(SPRINGS[0])], at(4.6), "LET IT UP", "quill_low", 3,
         alter=_hand(3.0, 6.0, 0.5), never=("datum_doubted", "stroke_refused")),
    Case("a hand held the quill from the start where its stop was taken to be",
         presses(SPRINGS[0], times=3), at(7.5), "larch-01", "", 3, alter=_hand(-9.0, 5.0, 0.5),
         never=("datum_doubted", "stroke_refused")),
    Case("the travel scale slips up between the first rest and the first press",
         [Rest(FIRST_S), *[PressSpring(SPRINGS[0], TO_MM), Rest(1.5)] * 3], let_up(2),
         "larch-01", "stop_was_lower", 3,
         alter=_slipped(2.1, 0.4, 0.15), never=("datum_holds", "datum_doubted")),
    Case("a hand holds the quill after a gauge", _GAUGE_TWO, at(23.0), "LET IT UP", "quill_low", 6,
         commands=((_GAUGED_S - 4.0, Command(Action.GAUGE)),
                   (_GAUGED_S, Command(Action.DATUM, height_mm=30.0))),
         alter=_hand(_GAUGED_S + 0.1, 26.0, 1.0), never=("datum_doubted",)),
    Case("a hand holds the quill after a restart", _AFTER_RESTART, at(14.0), "LET IT UP",
         "quill_low", 3, faults=Faults(restart_at_s=(MID_S,)),
         commands=((_GAUGE_S + 3.0, Command(Action.DATUM, height_mm=30.0)),),
         alter=_hand(4.5, 17.0, 1.0), never=("datum_doubted",)),
    Case("a first spring is the wrong one, taken back by r", [*presses(ALIEN, times=1),
         *presses(SPRINGS[0], times=1), Rest(3.0), *presses(SPRINGS[0])], let_up(2),
         "WRONG SPRING?", "another_spring", 3, commands=((13.0, Command(Action.REDO)),)),
    Case("a first press that slipped a little, and three that agree",
         [*presses(_BAD_FIRST, times=1), *presses(SPRINGS[0])], let_up(2), "DATUM RIGHT?",
         "slipped", 4, measured=4, conditioning=0, commands=((14.0, Command(Action.ACCEPT)),)),
    Case("a filter of 14 conversions at 10 samples/s, slow presses",
         presses(SPRINGS[0], times=3, kind=StrokeKind.SLOW), at(0.0), "larch-01", "", 3,
         rig=_SLOW_ADC, never=("slipped", "another_spring", "load_still", "datum_doubted")),
    Case("a filter of 14 conversions at 10 samples/s, a hand that is too fast",
         presses(SPRINGS[0], times=2), let_up(2), "larch-01", "too_fast", 1, rig=_SLOW_ADC,
         never=("slipped", "another_spring", "load_still", "datum_doubted")),
    Case("a tool of 3 kg lies on the cell", [Rest(4.0), PutMass(3.0, 6.0), PutMass(0.0, 3.0),
         *presses(SPRINGS[0])], at(6.1), "LOAD UNKNOWN", "lies_on_cell", 3),
    Case("something lies on the cell", [Rest(FIRST_S), PutMass(2.0, 9.0), *presses(SPRINGS[0])],
         at(FIRST_S + 7.0), "larch-01", "zero_moved", 3),
    *(
        Case(f"the travel scale slips by {by_mm:+g} mm while no capture runs", presses(SPRINGS[1]),
             at(1.0), large, kind, 3, alter=_slipped(-1.0, by_mm), before=presses(SPRINGS[0]),
             never=("datum_holds", "datum_at_stop"))
        for by_mm, large, kind in (
            (0.12, "DATUM RIGHT?", "stop_moved"),
            (9.0, "DATUM RIGHT?", "stop_moved"),
            (-0.12, "LET IT UP", "quill_low"),
            (-9.0, "LET IT UP", "quill_low"),
        )
    ),
    *(
        Case(f"the travel scale slips by {by_mm:g} mm while no capture runs",
             _SECOND,
             let_up(7), large, kind, counts, alter=_slipped(-1.0, by_mm), closes=True,
             before=presses(SPRINGS[0]), commands=_ENDS,
             never=("quill_low", never))
        for by_mm, large, kind, counts, never in (
            (0.0, "larch-01", "set_closed", 9, "strokes_in_doubt"),
            (0.08, "KEEP THEM?", "strokes_in_doubt", 3, "set_closed"),
            (-0.08, "KEEP THEM?", "strokes_in_doubt", 3, "set_closed"),
        )
    ),
    Case("the travel scale slips up before the first press, with the quill at rest",
         [Rest(2.0), *presses(SPRINGS[0])], at(2.4), "larch-01", "quill_rose", 3,
         alter=_slipped(1.8, 0.2, 0.1), never=("datum_holds", "datum_doubted")),
    *(
        Case(f"the travel scale slips by {by_mm:+g} mm between two springs, then the closing press",
             _closed(*SPRINGS), let_up(13), "KEEP THEM?", "strokes_in_doubt", 3,
             alter=_slipped(_BETWEEN_S, by_mm, 1.0), closes=True)
        for by_mm in (0.08, -0.08)
    ),
    *(
        Case(f"the seat moves by {by_mm:+g} mm between two springs, then the closing press",
             _sunk(by_mm), let_up(13), "KEEP THEM?", "strokes_in_doubt", 3, closes=True,
             never=("datum_moved",))
        for by_mm in (-0.35, -0.08, 0.2)
    ),
    Case("the seat sinks, and a yes keeps the presses", _sunk(-0.35), let_up(13), "KEEP THEM?",
         "presses_kept", 12, closes=True, commands=((70.0, Command(Action.ACCEPT)),),
         never=("set_closed",)),
    Case("the seat sinks, and the presses are left out", _sunk(-0.35), at(70.0),
         "SET THE DATUM", "datum_doubted", 3, closes=True, unknown=("height_mm", 9.0),
         commands=((70.0, Command(Action.TAKE_OUT)),)),
    Case("another spring at the closing press", [*_FOUR, PressSpring(ALIEN, TO_MM), Rest(2.0),
         PressSpring(SPRINGS[0], TO_MM), Rest(3.0)], let_up(13), "larch-01", "set_closed", 12,
         closes=True, never=("strokes_in_doubt", "datum_doubted")),
    Case("no closing press", [*_FOUR, Rest(4.0)], at(58.0), "larch-01", "closing_wanted", 12,
         closes=True, commands=((60.0, Command(Action.FINISH)),),
         never=("set_closed", "strokes_in_doubt")),
    Case("nothing is wrong, and the closing press", _closed(*SPRINGS), at(0.0), "larch-01",
         "set_closed", 12, closes=True),
    Case("nothing is wrong, a two-rate spring",
         presses(*(replace(one, **_TWO_RATE) for one in SPRINGS)), at(0.0), "larch-01", "", 12),
    Case("nothing is wrong", presses(*SPRINGS), at(0.0), "larch-01", "", 12),
    Case("nothing is wrong, inner springs", presses(*INNERS, times=5), at(0.0), "larch-01", "", 20,
         measured=4),
)  # fmt: skip
