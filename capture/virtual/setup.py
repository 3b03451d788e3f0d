"""What may go wrong with the simulated rig and its cable. Pure.

The hand on the quill's lever: smooth on the whole, never steady. Pure.

What a simulated rig is asked to be and to do, and the address that says so. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TypeVar
from urllib.parse import parse_qsl

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.errors import CoilbenchError


@dataclass(frozen=True)
class Faults:
    """Faults to inject; times in seconds since the rig's first start.

    Attributes:
        drop_probability, flip_probability: of each byte sent: lost, or one bit of it turned.
        restart_at_s: when the rig starts anew.
        dead_s: (from, for how long) the ADC makes no conversions.
        saturated_s: (from, for how long) the ADC's word is at its upper end.
        silent: it says nothing at all.
        unplug_at_s: when the cable comes out; None for never.
    """

    drop_probability: float = 0.0
    flip_probability: float = 0.0
    restart_at_s: tuple[float, ...] = ()
    dead_s: tuple[tuple[float, float], ...] = ()
    saturated_s: tuple[tuple[float, float], ...] = ()
    silent: bool = False
    unplug_at_s: float | None = None

    def __post_init__(self) -> None:
        for name, share in (("drop", self.drop_probability), ("flip", self.flip_probability)):
            if not 0.0 <= share <= 1.0:
                raise CoilbenchError(
                    f"a byte can't have the probability {share:g} of a {name}",
                    hint="Give a number from 0 to 1",
                )


class StrokeKind(StrEnum):
    """How a hand presses."""

    STEADY = "steady"
    FAST = "fast"
    SLOW = "slow"
    SHORT = "short"  # lets go before the bottom
    DOUBLE = "double"  # half up and down again
    PAUSED = "paused"  # stops on the way down and on the way up


@dataclass(frozen=True)
class HandStroke:
    """One press: down through the air, press, hold, release, up.

    Attributes:
        at_s: shape (k,), moments, rising from 0.
        approach: shape (k,), 0 at the upper stop, 1 at the touch.
        press: shape (k,), 0 at the touch, 1 at the bottom.
        tremor: shape (m, 3), amplitude (sum of squares 2, so that the shake's standard
            deviation is 1), frequency in Hz and phase of the hand's shake.
    """

    at_s: NDArray[np.float64]
    approach: NDArray[np.float64]
    press: NDArray[np.float64]
    tremor: NDArray[np.float64]

    @property
    def duration_s(self) -> float:
        """How long it takes."""
        return float(self.at_s[-1])

    def approach_at(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the way through the air, 0 to 1."""
        return _smooth(t_s, self.at_s, self.approach)

    def press_at(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the way from touch to bottom, 0 to 1."""
        return _smooth(t_s, self.at_s, self.press)

    def shake_at(self, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the hand's shake, standard deviation about 1 over a long time."""
        amplitude, frequency_hz, phase = self.tremor.T
        waves = np.sin(2.0 * np.pi * np.outer(t_s, frequency_hz) + phase)
        return np.asarray(waves @ amplitude, dtype=np.float64)


# (seconds, approach, press) one after another; seconds scatter by a fifth.
_PLANS: dict[StrokeKind, tuple[tuple[float, float, float], ...]] = {
    StrokeKind.STEADY: ((1.5, 1, 1), (0.4, 1, 1), (1.2, 1, 0)),
    StrokeKind.FAST: ((0.5, 1, 1), (0.15, 1, 1), (0.45, 1, 0)),
    StrokeKind.SLOW: ((6.0, 1, 1), (1.0, 1, 1), (5.0, 1, 0)),
    StrokeKind.SHORT: ((0.9, 1, 0.45), (0.2, 1, 0.45), (0.7, 1, 0)),
    StrokeKind.DOUBLE: (
        (1.5, 1, 1),
        (0.3, 1, 1),
        (0.8, 1, 0.45),
        (0.8, 1, 1),
        (0.3, 1, 1),
        (1.2, 1, 0),
    ),
    StrokeKind.PAUSED: (
        (1.0, 1, 0.5),
        (1.2, 1, 0.5),
        (1.0, 1, 1),
        (0.4, 1, 1),
        (0.8, 1, 0.4),
        (0.8, 1, 0.4),
        (0.6, 1, 0),
    ),
}
_APPROACH_S = 0.45
_RETURN_S = 0.35
_TREMOR_LINES = 5


def draw_stroke(kind: StrokeKind, rng: np.random.Generator) -> HandStroke:
    """Draw one stroke; the generator's state decides how this one differs from the last."""
    rows = [(0.0, 0.0, 0.0), (_APPROACH_S, 1.0, 0.0), *_PLANS[kind], (_RETURN_S, 0.0, 0.0)]
    plan = np.array(rows)
    seconds = plan[:, 0] * rng.uniform(0.8, 1.2, size=len(plan))
    amplitude = rng.uniform(0.3, 1.0, size=_TREMOR_LINES)
    tremor = np.column_stack(
        [
            amplitude * np.sqrt(2.0 / np.sum(amplitude**2)),
            rng.uniform(0.5, 8.0, size=_TREMOR_LINES),
            rng.uniform(0.0, 2.0 * np.pi, size=_TREMOR_LINES),
        ]
    )
    return HandStroke(at_s=np.cumsum(seconds), approach=plan[:, 1], press=plan[:, 2], tremor=tremor)


def ease(fraction: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the minimum-jerk course from 0 to 1, at rest at both ends.

    Formula: Flash and Hogan, J. Neurosci. 5 (1985) 1688 (recalled from memory).
    """
    u = np.clip(fraction, 0.0, 1.0)
    return u**3 * (10.0 + u * (-15.0 + 6.0 * u))


def _smooth(
    t_s: NDArray[np.float64], at_s: NDArray[np.float64], value: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Go from value to value, each move a minimum-jerk one."""
    place = np.clip(np.searchsorted(at_s, t_s, side="right") - 1, 0, len(at_s) - 2)
    length_s = at_s[place + 1] - at_s[place]
    share = ease((t_s - at_s[place]) / length_s)
    return value[place] + (value[place + 1] - value[place]) * share


MOST_SPRINGS = 1000
_Kind = TypeVar("_Kind", bound=StrEnum)


class Pace(StrEnum):
    """How fast simulated time goes."""

    REAL = "real"
    FAST = "fast"  # as fast as the reader reads


class LinkKind(StrEnum):
    """What the bytes go through."""

    PTY = "pty"
    SOCKET = "socket"


class Role(StrEnum):
    """Which springs are pressed."""

    OUTER = "outer"
    INNER = "inner"


class Job(StrEnum):
    """What is done on the rig."""

    SPRINGS = "springs"  # they are pressed, one after another
    WEIGH = "weigh"
    GAUGE = "gauge"
    FLEX = "flex"


@dataclass(frozen=True)
class VirtualSetup:
    """What a `virtual:` address asks for; see open_virtual for the keys."""

    seed: int = 1
    pace: Pace = Pace.REAL
    link: LinkKind | None = None  # what this system has
    ends: bool | None = None
    do: Job = Job.SPRINGS
    springs: int = 12
    role: Role = Role.OUTER
    tired: int = 0
    cracked: int = 0
    presses: int = 5
    stroke: StrokeKind = StrokeKind.STEADY
    faults: Faults = field(default_factory=Faults)

    @property
    def endless(self) -> bool:
        """Whether the rig goes on resting after the plan."""
        return self.pace is Pace.REAL if self.ends is None else not self.ends


def parse_virtual(url: str) -> VirtualSetup:
    """Read a `virtual:` address.

    Raises:
        CoilbenchError: a key or value that open_virtual doesn't know; it is named.
    """
    path, _, query = url.partition("?")
    if path.lower() not in ("virtual:", "virtual://"):
        raise _bad(f"{path!r} is no simulated rig", url, "Write it like virtual:?seed=1&pace=fast")
    pairs = parse_qsl(query, keep_blank_values=True)
    read: dict[str, list[object]] = {}
    for key, text in pairs:
        reader = _READERS.get(key)
        if reader is None:
            raise _bad(f"the key {key!r} is unknown", url, f"Known are {', '.join(_READERS)}")
        if key in read and key not in _REPEATABLE:
            raise _bad(f"the key {key!r} is there twice", url, "Give it once")
        try:
            read.setdefault(key, []).append(reader(text))
        except ValueError as error:
            raise _bad(f"{key}={text} is wrong", url, f"Give {error}") from error
    return _setup(read, url)


def _setup(read: dict[str, list[object]], url: str) -> VirtualSetup:
    faults = {
        field_name: tuple(read[key]) if key in _REPEATABLE else read[key][0]
        for key, field_name in _FAULT_FIELDS.items()
        if key in read
    }
    plain = {key: values[0] for key, values in read.items() if key not in _FAULT_FIELDS}
    setup = VirtualSetup(faults=Faults(**faults), **plain)  # type: ignore[arg-type]
    if setup.tired + setup.cracked > setup.springs:
        raise _bad("tired and cracked are more than springs", url, "Ask for fewer of them")
    return setup


def _bad(what: str, url: str, hint: str) -> CoilbenchError:
    return CoilbenchError(what, where=url, hint=hint)


def _whole(least: int, most: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        if not (text.isascii() and text.isdecimal() and least <= int(text) <= most):
            raise ValueError(f"a whole number from {least} to {most}")
        return int(text)

    return read


def _number(least: float, most: float) -> Callable[[str], float]:
    def read(text: str) -> float:
        wish = f"a number from {least:g} to {most:g}" if most < math.inf else "a number from 0 on"
        try:
            number = float(text)
        except ValueError:
            raise ValueError(wish) from None
        if not (math.isfinite(number) and least <= number <= most):
            raise ValueError(wish)
        return number

    return read


def _choice(kind: type[_Kind]) -> Callable[[str], _Kind]:
    def read(text: str) -> _Kind:
        if text not in list(kind):
            raise ValueError("one of " + ", ".join(kind))
        return kind(text)

    return read


def _yes(text: str) -> bool:
    if text not in ("0", "1"):
        raise ValueError("0 or 1")
    return text == "1"


def _spell(text: str) -> tuple[float, float]:
    start, colon, length = text.partition(":")
    try:
        if not colon:
            raise ValueError
        return _SECONDS(start), _SECONDS(length)
    except ValueError:
        raise ValueError("two numbers of seconds, from when and for how long, like 20:3") from None


_SECONDS = _number(0.0, math.inf)
_SHARE = _number(0.0, 1.0)
_READERS: dict[str, Callable[[str], object]] = {
    "seed": _whole(0, 2**63 - 1),
    "pace": _choice(Pace),
    "ends": _yes,
    "link": _choice(LinkKind),
    "do": _choice(Job),
    "springs": _whole(0, MOST_SPRINGS),
    "role": _choice(Role),
    "tired": _whole(0, MOST_SPRINGS),
    "cracked": _whole(0, MOST_SPRINGS),
    "presses": _whole(1, 100),
    "stroke": _choice(StrokeKind),
    "drop": _SHARE,
    "flip": _SHARE,
    "restart": _SECONDS,
    "dead": _spell,
    "saturate": _spell,
    "silent": _yes,
    "unplug": _SECONDS,
}
_REPEATABLE = frozenset({"restart", "dead", "saturate"})
_FAULT_FIELDS = {
    "drop": "drop_probability",
    "flip": "flip_probability",
    "restart": "restart_at_s",
    "dead": "dead_s",
    "saturate": "saturated_s",
    "silent": "silent",
    "unplug": "unplug_at_s",
}
