"""Keyed readings of a scale and a quill into heights and loads with uncertainty. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence

import msgspec
import numpy as np

from coilbench.capture.calibration.keyed_setup import KeyedSetup
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.branch import Branch
from coilbench.capture.units import LENGTH_IN_MM, LOAD_IN_N, parse_length_mm, parse_load_n

NOTE_EXAMPLE = (
    "larch-07 38.5mm 22.4kg, or larch-07 15mm down 22.4kg, with up at the end on the way up"
)

SOLID_KEPT_MM = 1.0  # no press is asked for nearer to a known solid height

REMARK_MARK = "#"  # what comes after it is a remark
LONGEST_REMARK = 200

_NUMBER_ALONE = re.compile(r"[+-]?[0-9.,]+")
_SHOWN = re.compile(r"([+-]?[0-9.,]+)\s*([A-Za-z]*)(?:\s+(up))?", re.IGNORECASE)


class KeyedReading(msgspec.Struct, frozen=True):
    """One reading as it was typed."""

    label: str
    shown_load_n: float  # what the scale shows, including the tare
    height_mm: float | None = None  # distance between the faces; None where the depth was typed
    depth_mm: float | None = None  # how far the spring is pressed; None where the height was typed
    loading: bool = True  # taken on the way down; False on the way up
    remark: str = ""  # in the user's words

    def spring_load_n(self, setup: KeyedSetup) -> float:
        """Return the spring's load: what the scale shows less the tare, times the lever ratio.

        With what lay on the spring already when the tare was read.

        Raises:
            CoilbenchError: the scale shows no more than the tare: no pressed spring does that.
        """
        net_n = setup.true_n(self.shown_load_n) - setup.true_n(setup.tare_n)
        if net_n <= 0.0:
            raise CoilbenchError(
                "the scale shows {shown_n}, no more than the tare of {tare_n}",
                where=self.label,
                hint="Give what the scale shows with the blocks on it, or the right tare",
                shown_n=self.shown_load_n,
                tare_n=setup.tare_n,
            )
        return net_n * setup.lever_ratio + setup.rests_n

    def spring_height_mm(self, free_length_mm: float | None) -> float:
        """Return the distance between the faces as the quill tells it.

        Raises:
            CoilbenchError: a depth without a free length, or a height that is not between 0 and the
                free length.
        """
        height_mm = self.height_mm
        if height_mm is None:
            height_mm = self._height_by_depth_mm(free_length_mm)
        if height_mm <= 0.0:
            what = "the height would be {height_mm}"
            raise self._wrong(what, "Check the length and its unit", height_mm=height_mm)
        if free_length_mm is not None and height_mm > free_length_mm:
            what = "the height {height_mm} is above the free length {free_length_mm}"
            hint = "Check the length; a depth is typed with the word down after it"
            raise self._wrong(what, hint, height_mm=height_mm, free_length_mm=free_length_mm)
        return height_mm

    def true_height_mm(self, setup: KeyedSetup, free_length_mm: float | None) -> float:
        """Return the distance between the faces with the give of scale and press under the load.

        Raises:
            CoilbenchError: as spring_height_mm and spring_load_n, or a height above the free length
                by the give.
        """
        quill_mm = self.spring_height_mm(free_length_mm)
        give_mm = setup.under_load_mm(self.spring_load_n(setup))
        if free_length_mm is not None and quill_mm + give_mm > free_length_mm:
            what = (
                "with the give {give_mm} the height {height_mm} is above the free length {free_mm}"
            )
            facts = {"give_mm": give_mm, "height_mm": quill_mm + give_mm, "free_mm": free_length_mm}
            raise self._wrong(what, "Check the load, the height and the give (--give)", **facts)
        return quill_mm + give_mm

    def _height_by_depth_mm(self, free_length_mm: float | None) -> float:
        depth_mm = self.depth_mm
        if depth_mm is None:
            what = "the reading has neither a height nor a depth"
            raise self._wrong(what, f"Write it like {NOTE_EXAMPLE}")
        if free_length_mm is None:
            what = "the depth {depth_mm} needs the spring's free length"
            hint = (
                "Give the free length (coilbench set edit SET --free-length), or type the height "
                "between the faces"
            )
            raise self._wrong(what, hint, depth_mm=depth_mm)
        if depth_mm < 0.0:
            what = "the depth {depth_mm} is negative"
            raise self._wrong(what, "Type how far the spring is pressed", depth_mm=depth_mm)
        return free_length_mm - depth_mm

    def _wrong(self, what: str, hint: str, **facts: float) -> CoilbenchError:
        return CoilbenchError(what, where=self.label, hint=hint, **facts)

    @classmethod
    def parse(cls, text: str) -> KeyedReading:
        """Read one line: label, length, `down` if it is a depth, load, `up` on the way up, remark.

        `larch-07 38.5mm 22.4kg`, `larch-07 15 mm down 22,4 kg`, `7 38.5mm 22.0kg up # rusty`.

        Raises:
            CoilbenchError: a part is missing, twice, or cannot be read.
        """
        text, remark = part_remark(text)
        label, *parts = _join_units(text.split()) or [""]
        if not label or not parts:
            raise _unreadable(text, "label, length or load is missing")
        lengths = [part for part in parts if _unit(part) in LENGTH_IN_MM]
        loads = [part for part in parts if _unit(part) in LOAD_IN_N]
        words = [part.lower() for part in parts if part not in lengths and part not in loads]
        strange = [word for word in words if word not in ("down", "up")]
        if strange:
            unit = " has no unit" if _NUMBER_ALONE.fullmatch(strange[0]) else " cannot be read"
            raise _unreadable(text, f"{strange[0]!r}{unit}")
        if len(lengths) != 1 or len(loads) != 1:
            raise _unreadable(
                text, f"{len(lengths)} lengths and {len(loads)} loads where one of each is needed"
            )
        length_at = parts.index(lengths[0])
        by_depth = " ".join(parts[length_at + 1 : length_at + 2]).lower() == "down"
        if words.count("down") != int(by_depth):
            raise _unreadable(text, "'down' marks a depth and comes right after it")
        if words.count("up") > 1 or ("up" in words and parts[-1].lower() != "up"):
            raise _unreadable(text, "'up' comes once, at the end")
        length_mm = parse_length_mm(lengths[0])
        return cls(
            label=label,
            shown_load_n=parse_load_n(loads[0]),
            height_mm=None if by_depth else length_mm,
            depth_mm=length_mm if by_depth else None,
            loading="up" not in words,
            remark=remark,
        )


def with_units(text: str, length: str, load: str) -> str:
    """Return a line with a unit at each number that has none: the length first, then the load.

    A line without such a number is returned as it is.
    """
    line, mark, remark = text.partition(REMARK_MARK)
    label, *parts = _join_units(line.split()) or [""]
    units = [_unit(part) for part in parts]
    missing = [
        unit
        for unit, known in ((length, LENGTH_IN_MM), (load, LOAD_IN_N))
        if not any(one in known for one in units)
    ]
    bare = [at for at, part in enumerate(parts) if _NUMBER_ALONE.fullmatch(part)]
    if not bare or len(bare) > len(missing):
        return text
    for at, unit in zip(bare, missing, strict=False):
        parts[at] += unit
    return f"{' '.join((label, *parts))}{f' {mark}' if mark else ''}{remark}"


def parse_shown(text: str, load: str) -> tuple[float, bool] | None:
    """Read what a scale shows by itself: `22.4`, `22.4kg up`.

    Returns:
        The load, N, in the unit `load` where none is typed, and whether it is on the way down; None
        where the text is something else.

    Raises:
        CoilbenchError: the number or its unit cannot be read.
    """
    found = _SHOWN.fullmatch(text.strip())
    if found is None:
        return None
    number, unit, up = found.groups()
    if unit.lower() == "up" and up is None:
        unit, up = "", unit
    return parse_load_n(f"{number}{unit or load}"), up is None


def part_remark(text: str) -> tuple[str, str]:
    """Part a line from the remark after the mark, which may be none."""
    line, _, remark = text.partition(REMARK_MARK)
    printable = "".join(each if each.isprintable() else " " for each in remark)
    return line, " ".join(printable.split())[:LONGEST_REMARK]


class KeyedBranches(msgspec.Struct, frozen=True):
    """One spring's keyed readings, with the fields of a Sweep."""

    loading: Branch
    unloading: Branch
    load_u_n: float
    load_u_relative: float
    height_u_mm: float

    @classmethod
    def of(
        cls,
        readings: Sequence[KeyedReading],
        setup: KeyedSetup,
        free_length_mm: float | None = None,
    ) -> KeyedBranches:
        """Turn one spring's readings into heights and loads.

        Args:
            readings: of one spring, at least one, in the order they were taken.
            free_length_mm: the spring's; depths need it, and heights are checked against it.

        Raises:
            CoilbenchError: a load not above 0 after the tare, a depth without a free length, or a
                height that is not between 0 and the free length.
        """
        return cls(
            loading=_branch([r for r in readings if r.loading], setup, free_length_mm),
            unloading=_branch([r for r in readings if not r.loading], setup, free_length_mm),
            load_u_n=max(setup.load_u_at(reading.shown_load_n) for reading in readings),
            load_u_relative=setup.load_u_relative,
            height_u_mm=setup.height_u_mm,
        )


def _branch(
    readings: Sequence[KeyedReading], setup: KeyedSetup, free_length_mm: float | None
) -> Branch:
    return Branch(
        np.array([r.true_height_mm(setup, free_length_mm) for r in readings], dtype=np.float64),
        np.array([r.spring_load_n(setup) for r in readings], dtype=np.float64),
    )


def _join_units(tokens: list[str]) -> list[str]:
    joined = tokens[:1]
    for token in tokens[1:]:
        is_unit = token.lower() in LENGTH_IN_MM or token.lower() in LOAD_IN_N
        if is_unit and len(joined) > 1 and _NUMBER_ALONE.fullmatch(joined[-1]):
            joined[-1] += token
        else:
            joined.append(token)
    return joined


def _unit(part: str) -> str:
    match = re.fullmatch(r'[+-]?[0-9.,]+(?:[eE][+-]?[0-9]+)?([A-Za-z"]+)', part)
    return "" if match is None else match.group(1).lower()


def _unreadable(text: str, why: str) -> CoilbenchError:
    return CoilbenchError(f"{why}: {text[:80]!r}", hint=f"Write it like {NOTE_EXAMPLE}")
