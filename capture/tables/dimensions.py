"""Whether a spring's lengths can be: beside each other, by a handbook, by what was read. Pure.

A length that is out by a factor (an inch taken for a millimetre, a decimal) disarms every check
that is made with it, coil bind first. What no spring can be is refused; what few are is asked.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterator, Sequence
from typing import Any

import msgspec
from msgspec.structs import replace

from coilbench.capture.errors import CoilbenchError, Doubtful

INCH_MM = 25.4
MOST_INCHES = 3.0  # hardly a length of a valve spring is as many inches; ours, no source
STORE_AS_IT_IS = "Check it; --yes stores it as it is"
# What valve springs and their heads are like, wide; our choice, no source.
PLAUSIBLE_MM = {
    "free_length_mm": (15.0, 200.0),
    "solid_height_mm": (5.0, 120.0),
    "wire_mm": (0.8, 10.0),
    "coil_diameter_mm": (6.0, 80.0),
}
INSTALLED_MM = (12.0, 150.0)  # likewise
SHIM_MM = (0.05, 6.0)
SOLID_SHARES = (0.2, 0.75)  # solid height over free length; our choice, no source
INDEX = (3.0, 20.0)  # coil diameter over wire: EN 13906-1 has 4 to 20, recalled from memory
COILS = (1.5, 20.0)  # active ones: EN 13906-1 asks for 2 at least, from memory; the most is ours
# Total coils over active ones, by how the ends are made, and the turns that solid height has:
# from (plain, ground) 1 to (closed, not ground) 3 more than the active ones (Shigley, table 10-1).
SOLID_TURNS_MORE = (1.0, 3.0)
SOLID_SLACK = 0.15  # on that: how well wire and turns are known; our choice, no source
FREE_SHARE = 0.25  # how far a free length may be from where its readings run out; ours, no source
APART_MM = 2.0  # readings nearer than this tell nothing of where they run out; ours, no source
OTHER_SHARE = 0.25  # a spring's own solid height beside its set's; our choice, no source
LOADED_DEVIATIONS = 3.0  # a load this many times its uncertainty (k = 1) is one


class Pressed(msgspec.Struct, frozen=True):
    """A height that a spring was read at by hand, its load, and standard uncertainties (k = 1)."""

    height_mm: float
    load_n: float
    load_u_n: float = 0.0
    height_u_mm: float = 0.0
    loading: bool = True


class Sizes(msgspec.Struct, frozen=True):
    """A spring's dimensions, None where not known.

    Attributes:
        free_u_mm, solid_u_mm: standard uncertainties (k = 1).
        set_solid_mm: the solid height of its set, where it has one of its own.
    """

    free_length_mm: float | None = None
    solid_height_mm: float | None = None
    wire_mm: float | None = None
    coil_diameter_mm: float | None = None
    active_coils: float | None = None
    free_u_mm: float = 0.0
    solid_u_mm: float = 0.0
    set_solid_mm: float | None = None


class Doubt(msgspec.Struct, frozen=True):
    """What contradicts a length.

    Attributes:
        what: the words, quantities in braces as in CoilbenchError.
        about: the dimensions that it is about.
        impossible: whether no spring can be so, or its readings say otherwise.
    """

    what: str
    about: frozenset[str]
    impossible: bool = False
    facts: dict[str, Any] = msgspec.field(default_factory=dict)


def doubts(sizes: Sizes, read: Sequence[Pressed] = ()) -> list[Doubt]:
    """Return what contradicts a spring's dimensions; nothing where they can be together.

    Args:
        read: what the spring was read at by hand.
    """
    return [
        *_against_each_other(sizes),
        *_against_readings(sizes, read),
        *_out_of_range(sizes),
        *_against_handbook(sizes),
    ]


def refuse_sizes(
    sizes: Sizes,
    read: Sequence[Pressed] = (),
    changed: Collection[str] | None = None,
    *,
    sure: bool = False,
    where: str | None = None,
) -> None:
    """Refuse dimensions that can't be; those that are doubtful, too, unless somebody is sure.

    Args:
        changed: the dimensions that were just given; None: all of them. What is said of others
            alone is of no matter now.

    Raises:
        CoilbenchError: they can't be.
        Doubtful: they can, but look like a slip.
    """
    found = [
        one for one in doubts(sizes, read) if changed is None or one.about.intersection(changed)
    ]
    for one in found:
        if one.impossible:
            hint = "Check both; a reading that is wrong: coilbench note --remove READING"
            own = hint if "{read_mm}" in one.what else "Check both values"
            raise CoilbenchError(one.what, where=where, hint=own, **one.facts)
    if found and not sure:
        words, facts = found[0].what, found[0].facts
        meant = _meant(sizes, read, found[0], changed)
        hint = STORE_AS_IT_IS
        if meant is not None:
            hint = f"Perhaps {{perhaps_mm}} is meant ({meant[0]}). {hint}"
            facts = facts | {"perhaps_mm": meant[1]}
        raise Doubtful(words, where=where, hint=hint, **facts)


def refuse_length(length_mm: float, within_mm: tuple[float, float]) -> None:
    """Ask about a length of an engine that is outside what such lengths are.

    Raises:
        Doubtful: it is.
    """

    def fits(mm: float) -> bool:
        return within_mm[0] <= mm <= within_mm[1]

    if not fits(length_mm):
        _ask_of(length_mm, "{given_mm} would be unusual", fits)


def refuse_installed(height_mm: float, springs: Sequence[Sizes]) -> None:
    """Ask about an installed height that no spring of those that are to be tried can stand at.

    Raises:
        Doubtful: it is as high as every free length that is known, as low as every solid height,
            or unusual at all.
    """

    def fits(mm: float) -> bool:
        return not springs or any(
            (one.solid_height_mm or 0.0) < mm < (one.free_length_mm or math.inf) for one in springs
        )

    refuse_length(height_mm, INSTALLED_MM)
    if not fits(height_mm):
        free_mm = max(one.free_length_mm or math.inf for one in springs)
        loose = height_mm >= free_mm
        words = "every spring would be loose" if loose else "every spring would be solid"
        limits = "{free_mm} free at most" if loose else "{solid_mm} solid at least"
        solid_mm = min(one.solid_height_mm or 0.0 for one in springs)
        facts = {"free_mm": free_mm, "solid_mm": solid_mm}
        _ask_of(height_mm, f"at {{given_mm}} {words} ({limits})", fits, **facts)


def _ask_of(length_mm: float, what: str, fits: Callable[[float], bool], **facts: Any) -> None:
    meant = next((one for one in _slipped(length_mm) if fits(one[1])), None)
    facts |= {"given_mm": length_mm}
    hint = "Check it"
    if meant is not None:
        hint = f"Perhaps {{perhaps_mm}} is meant ({meant[0]})"
        facts |= {"perhaps_mm": meant[1]}
    raise Doubtful(what, hint=hint, **facts)


def _slipped(length_mm: float) -> list[tuple[str, float]]:
    """Return what a length may have been: how, and in mm."""
    unit = [
        (f"{length_mm:.4g} in", length_mm * INCH_MM),
        (f"{length_mm / INCH_MM:.4g} in mm", length_mm / INCH_MM),
    ]
    decimal = [("the decimal", length_mm * 10.0), ("the decimal", length_mm / 10.0)]
    return [*unit, *decimal] if length_mm < MOST_INCHES else [*decimal, *unit]


def _meant(
    sizes: Sizes, read: Sequence[Pressed], of: Doubt, changed: Collection[str] | None
) -> tuple[str, float] | None:
    """Return the first slip of one length without which nothing would be asked."""
    for name in sorted(of.about.intersection(of.about if changed is None else changed)):
        value = getattr(sizes, name, None)
        if value is None or not name.endswith("_mm"):
            continue
        for how, length_mm in _slipped(value):
            if not doubts(replace(sizes, **{name: length_mm}), read):
                return how, length_mm
    return None


def _doubt(what: str, *about: str, impossible: bool = False, **facts: Any) -> Doubt:
    return Doubt(what, frozenset(about), impossible, facts)


def words_of(name: str) -> str:
    """Write a dimension's name."""
    return name.removesuffix("_mm").replace("_", " ")


def _against_each_other(sizes: Sizes) -> Iterator[Doubt]:
    for name in (*PLAUSIBLE_MM, "active_coils"):
        value = getattr(sizes, name)
        if value is not None and not 0.0 < value < math.inf:
            yield _doubt(f"the {words_of(name)} of {value:g} is not above 0", name, impossible=True)
    for small, large in (("solid_height_mm", "free_length_mm"), ("wire_mm", "coil_diameter_mm")):
        less_mm, more_mm = getattr(sizes, small), getattr(sizes, large)
        if less_mm is not None and more_mm is not None and less_mm >= more_mm:
            words = f"the {words_of(small)} of {{small_mm}} is not below the {words_of(large)} of"
            facts = {"small_mm": less_mm, "large_mm": more_mm}
            yield _doubt(f"{words} {{large_mm}}", small, large, impossible=True, **facts)


def _against_readings(sizes: Sizes, read: Sequence[Pressed]) -> Iterator[Doubt]:
    if not read:
        return
    solid_mm, free_mm = sizes.solid_height_mm, sizes.free_length_mm
    lowest = min(read, key=lambda one: one.height_mm)
    if solid_mm is not None:
        slack_mm = 2.0 * math.hypot(sizes.solid_u_mm, lowest.height_u_mm)
        if lowest.height_mm < solid_mm - slack_mm:
            words = "the solid height {given_mm} is above the {read_mm} that it was read at"
            facts = {"given_mm": solid_mm, "read_mm": lowest.height_mm}
            yield _doubt(words, "solid_height_mm", impossible=True, **facts)
    loaded = [one for one in read if one.load_n > LOADED_DEVIATIONS * one.load_u_n]
    highest = max(loaded, key=lambda one: one.height_mm, default=None)
    if free_mm is None or highest is None:
        return
    about = {"given_mm": free_mm, "read_mm": highest.height_mm, "read_n": highest.load_n}
    if free_mm < highest.height_mm - 2.0 * math.hypot(sizes.free_u_mm, highest.height_u_mm):
        words = "the free length {given_mm} is below {read_mm}, where it was read to push {read_n}"
        yield _doubt(words, "free_length_mm", impossible=True, **about)
        return
    ends_mm = _runs_out_mm([one for one in loaded if one.loading])
    if ends_mm is not None and abs(free_mm - ends_mm) > FREE_SHARE * max(free_mm, ends_mm):
        words = "the free length {given_mm} is far from the {ends_mm} where its loads run out"
        yield _doubt(words, "free_length_mm", given_mm=free_mm, ends_mm=ends_mm)


def _runs_out_mm(read: Sequence[Pressed]) -> float | None:
    """Return where the line through the two highest readings has no load; None where unknown."""
    by_height = sorted(read, key=lambda one: -one.height_mm)
    high = next(iter(by_height), None)
    if high is None:
        return None
    low = next((one for one in by_height if high.height_mm - one.height_mm >= APART_MM), None)
    if low is None or low.load_n <= high.load_n:
        return None
    rate = (low.load_n - high.load_n) / (high.height_mm - low.height_mm)
    return high.height_mm + high.load_n / rate


def _out_of_range(sizes: Sizes) -> Iterator[Doubt]:
    for name, (least_mm, most_mm) in PLAUSIBLE_MM.items():
        value = getattr(sizes, name)
        if value is not None and not least_mm <= value <= most_mm:
            words = f"a {words_of(name)} of {{given_mm}} would be unusual"
            yield _doubt(words, name, given_mm=value)
    coils = sizes.active_coils
    if coils is not None and not COILS[0] <= coils <= COILS[1]:
        yield _doubt(f"{coils:g} active coils would be unusual", "active_coils")


def _against_handbook(sizes: Sizes) -> Iterator[Doubt]:
    solid_mm, free_mm, wire_mm = sizes.solid_height_mm, sizes.free_length_mm, sizes.wire_mm
    if solid_mm and free_mm and not SOLID_SHARES[0] <= solid_mm / free_mm <= SOLID_SHARES[1]:
        share = 100.0 * solid_mm / free_mm
        words = f"a solid height of {{solid_mm}}, {share:.2g} % of {{free_mm}} free, is unusual"
        about = ("solid_height_mm", "free_length_mm")
        yield _doubt(words, *about, solid_mm=solid_mm, free_mm=free_mm)
    own_mm = sizes.set_solid_mm
    if solid_mm and own_mm and abs(solid_mm - own_mm) > OTHER_SHARE * own_mm:
        words = "the solid height {solid_mm} is far from the set's {set_mm}"
        yield _doubt(words, "solid_height_mm", solid_mm=solid_mm, set_mm=own_mm)
    if wire_mm and sizes.coil_diameter_mm:
        index = sizes.coil_diameter_mm / wire_mm
        if not INDEX[0] <= index <= INDEX[1]:
            words = f"coils of {{coil_mm}}, {index:.3g} times the wire of {{wire_mm}}, are unusual"
            coil_mm = sizes.coil_diameter_mm
            about = ("wire_mm", "coil_diameter_mm")
            yield _doubt(words, *about, coil_mm=coil_mm, wire_mm=wire_mm)
    if wire_mm and sizes.active_coils:
        yield from _against_turns(sizes, wire_mm, sizes.active_coils)


def _against_turns(sizes: Sizes, wire_mm: float, coils: float) -> Iterator[Doubt]:
    """Compare with the height of all turns on each other."""
    least, most = (wire_mm * (coils + more) for more in SOLID_TURNS_MORE)
    least_mm, most_mm = (1.0 - SOLID_SLACK) * least, (1.0 + SOLID_SLACK) * most
    facts: dict[str, Any] = {"wire_mm": wire_mm, "least_mm": least_mm, "most_mm": most_mm}
    turns = f"{coils:g} active coils of {{wire_mm}} wire"
    about = ("wire_mm", "active_coils")
    solid_mm, free_mm = sizes.solid_height_mm, sizes.free_length_mm
    if solid_mm is not None and not least_mm <= solid_mm <= most_mm:
        words = f"a solid height of {{solid_mm}}; {turns} make {{least_mm}} to {{most_mm}}"
        yield _doubt(words, "solid_height_mm", *about, solid_mm=solid_mm, **facts)
    if free_mm is not None and free_mm <= least_mm:
        words = f"a free length of {{free_mm}}; {turns} are {{least_mm}} high when solid"
        yield _doubt(words, "free_length_mm", *about, free_mm=free_mm, **facts)
