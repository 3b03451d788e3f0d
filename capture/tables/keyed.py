"""Keyed readings of a scale and a quill into heights and loads with uncertainty. Pure."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from coilbench.capture.calibration.scale import Scale
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.strokes.sweep import RESTS_U_N, Branch
from coilbench.capture.units import KGF_N, LENGTH_IN_MM, LOAD_IN_N, parse_length_mm, parse_load_n

NOTE_EXAMPLE = (
    "larch-07 38.5mm 22.4kg, or larch-07 15mm down 22.4kg, with up at the end on the way up"
)

SOLID_KEPT_MM = 1.0  # no press is asked for, nor taken by hand, nearer to a known solid height

_NUMBER_ALONE = re.compile(r"[+-]?[0-9.,]+")


@dataclass(frozen=True)
class KeyedReading:
    """One reading as it was typed."""

    label: str
    shown_load_n: float  # what the scale shows, including the tare
    height_mm: float | None = None  # distance between the faces; None where the depth was typed
    depth_mm: float | None = None  # how far the spring is pressed; None where the height was typed
    loading: bool = True  # taken on the way down; False on the way up

    def spring_load_n(self, setup: KeyedSetup) -> float:
        """Return the spring's load: what the scale shows less the tare, times the lever ratio.

        With what lay on the spring already when the tare was read.

        Raises:
            CoilbenchError: the scale shows less than the tare.
        """
        net_n = setup.true_n(self.shown_load_n) - setup.true_n(setup.tare_n)
        if net_n < 0.0:
            raise CoilbenchError(
                "the scale shows {shown_n}, less than the tare of {tare_n}",
                where=self.label,
                hint="Give what the scale shows with the blocks on it, or the right tare",
                shown_n=self.shown_load_n,
                tare_n=setup.tare_n,
            )
        return net_n * setup.lever_ratio + setup.rests_n

    def spring_height_mm(self, free_length_mm: float | None) -> float:
        """Return the distance between the faces.

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

    def _height_by_depth_mm(self, free_length_mm: float | None) -> float:
        depth_mm = self.depth_mm
        if depth_mm is None:
            what = "the reading has neither a height nor a depth"
            raise self._wrong(what, f"Write it like {NOTE_EXAMPLE}")
        if free_length_mm is None:
            what = "the depth {depth_mm} needs the spring's free length"
            hint = "Give the free length, or type the height between the faces"
            raise self._wrong(what, hint, depth_mm=depth_mm)
        if depth_mm < 0.0:
            what = "the depth {depth_mm} is negative"
            raise self._wrong(what, "Type how far the spring is pressed", depth_mm=depth_mm)
        return free_length_mm - depth_mm

    def _wrong(self, what: str, hint: str, **facts: float) -> CoilbenchError:
        return CoilbenchError(what, where=self.label, hint=hint, **facts)

    @classmethod
    def parse(cls, text: str) -> KeyedReading:
        """Read one line: label, length, `down` if it is a depth, load, `up` on the way up.

        `larch-07 38.5mm 22.4kg`, `larch-07 15 mm down 22,4 kg`, `larch-07 38.5mm 22.0kg up`.

        Raises:
            CoilbenchError: a part is missing, twice, or cannot be read.
        """
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
        )


@dataclass(frozen=True)
class KeyedSetup:
    """How the readings were taken; the defaults are our assumptions.

    Attributes:
        tare_n: what the scale shows with the blocks and cups on it and no spring pressed.
        lever_ratio: the spring's load over the load on the scale; above 1 where a bar
            carries a part (common practice, no source).
        lever_ratio_u: its standard uncertainty (k = 1), as a fraction.
        scale_resolution_n: the scale's smallest step.
        scale_repeatability_n: standard deviation of the scale's readings of one load.
        quill_resolution_mm: the depth scale's smallest step.
        rests_n: weight that lay on the spring when the tare was read: the upper cup's, else 0.
        scale: the scale's own calibration, used instead of scale_repeatability_n; None takes its
            readings as they are.
    """

    tare_n: float = 0.0
    lever_ratio: float = 1.0
    lever_ratio_u: float = 0.0
    scale_resolution_n: float = 0.1 * KGF_N
    scale_repeatability_n: float = 0.2 * KGF_N
    quill_resolution_mm: float = 0.1
    rests_n: float = 0.0
    scale: Scale | None = None

    def __post_init__(self) -> None:
        """Raise CoilbenchError for a value below 0 or not finite, or a lever ratio of 0."""
        for name, value in self._numbers().items():
            if not math.isfinite(value) or value < 0.0:
                raise CoilbenchError(f"{name} of {value:g} is impossible", hint="Give 0 or more")
        if self.lever_ratio == 0.0:
            raise CoilbenchError(
                "the lever ratio must be above 0", hint="Give 1 where there is no lever"
            )

    def _numbers(self) -> dict[str, float]:
        return {name: value for name, value in vars(self).items() if name != "scale"}

    def to_document(self) -> dict[str, Any]:
        """Return it for JSON, the scale as its fit."""
        scale = self.scale
        known = None if scale is None else {"name": scale.name, "fit": asdict(scale.fit)}
        return self._numbers() | {"scale": known}

    def true_n(self, shown_n: float) -> float:
        """Return the load on the scale.

        Raises:
            CoilbenchError: the reading is above the scale's calibrated range.
        """
        return shown_n if self.scale is None else self.scale.load_n(shown_n)

    def load_u_at(self, shown_n: float) -> float:
        """Standard uncertainty (k = 1) of the load at a reading, without the relative part, N."""
        if self.scale is None:
            return self.load_u_n
        u_n = self.scale.difference_u_n(shown_n, self.tare_n, self.scale_resolution_n)
        return math.hypot(self.lever_ratio * u_n, self._rests_u_n)

    @property
    def _rests_u_n(self) -> float:
        return RESTS_U_N if self.rests_n > 0.0 else 0.0

    @property
    def load_u_n(self) -> float:
        """Standard uncertainty (k = 1) of a load from a scale without its own calibration, N.

        A load is the difference of two readings, with the spring and without. Each is rectangular
        within a step of the resolution (GUM F.2.2.1: step / sqrt(12)) and scatters by the
        repeatability; the lever multiplies both.
        """
        one_reading = math.hypot(
            self.scale_resolution_n / math.sqrt(12.0), self.scale_repeatability_n
        )
        of_scale = self.lever_ratio * math.sqrt(2.0) * one_reading
        return math.hypot(of_scale, self._rests_u_n)

    @property
    def load_u_relative(self) -> float:
        """Standard uncertainty (k = 1) as a fraction of the load: lever, masses of the scale."""
        of_masses = 0.0 if self.scale is None else self.scale.reference_u_relative
        return math.hypot(self.lever_ratio_u, of_masses)

    @property
    def height_u_mm(self) -> float:
        """Standard uncertainty (k = 1) of a height, mm.

        A height is the difference of two readings of the quill, each rectangular within a step
        (GUM F.2.2.1).
        """
        return math.sqrt(2.0) * self.quill_resolution_mm / math.sqrt(12.0)

    def convert(
        self, readings: Sequence[KeyedReading], free_length_mm: float | None = None
    ) -> KeyedBranches:
        """Turn one spring's readings into heights and loads.

        Args:
            readings: of one spring, at least one, in the order they were taken.
            free_length_mm: the spring's; depths need it, and heights are checked against it.

        Raises:
            CoilbenchError: a load below 0 after the tare, a depth without a free length, or a
                height that is not between 0 and the free length.
        """
        return KeyedBranches(
            loading=_branch([r for r in readings if r.loading], self, free_length_mm),
            unloading=_branch([r for r in readings if not r.loading], self, free_length_mm),
            load_u_n=max(self.load_u_at(reading.shown_load_n) for reading in readings),
            load_u_relative=self.load_u_relative,
            height_u_mm=self.height_u_mm,
        )


@dataclass(frozen=True)
class KeyedBranches:
    """One spring's keyed readings, with the fields of a Sweep."""

    loading: Branch
    unloading: Branch
    load_u_n: float
    load_u_relative: float
    height_u_mm: float


def _branch(
    readings: Sequence[KeyedReading], setup: KeyedSetup, free_length_mm: float | None
) -> Branch:
    return Branch(
        np.array([r.spring_height_mm(free_length_mm) for r in readings], dtype=np.float64),
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
