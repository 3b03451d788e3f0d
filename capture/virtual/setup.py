"""Settings of a simulated rig, and the address that holds them. Pure."""

from __future__ import annotations

import math
from collections.abc import Callable
from enum import StrEnum
from typing import TypeVar
from urllib.parse import parse_qsl

import msgspec

from coilbench.capture.errors import CoilbenchError


class Faults(msgspec.Struct, frozen=True):
    """Faults to inject; times in seconds since the rig's first start."""

    drop_probability: float = 0.0  # of each byte sent, to be lost
    flip_probability: float = 0.0  # to have one bit turned
    restart_at_s: tuple[float, ...] = ()
    dead_s: tuple[tuple[float, float], ...] = ()  # (from, for how long) no conversions
    saturated_s: tuple[tuple[float, float], ...] = ()  # (…) at its upper end
    silent: bool = False
    unplug_at_s: float | None = None  # when the cable comes out; None for never


class StrokeKind(StrEnum):
    """How a hand presses."""

    STEADY = "steady"
    FAST = "fast"
    HASTY = "hasty"  # down in a fifth of a second
    SLOW = "slow"
    SHORT = "short"  # released before the bottom
    DOUBLE = "double"  # half up and down again
    PAUSED = "paused"  # stops on the way down and on the way up


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


class VirtualSetup(msgspec.Struct, frozen=True):
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
    worked: int = 0
    stroke: StrokeKind = StrokeKind.STEADY
    faults: Faults = msgspec.field(default_factory=Faults)

    @property
    def endless(self) -> bool:
        """Whether the rig goes on resting after the plan."""
        return self.pace is Pace.REAL if self.ends is None else not self.ends

    @classmethod
    def parse(cls, url: str) -> VirtualSetup:
        """Read a `virtual:` address.

        Raises:
            CoilbenchError: a key or value that open_virtual doesn't know; it is named.
        """
        path, _, query = url.partition("?")
        if path.lower() not in ("virtual:", "virtual://"):
            raise _bad(
                f"{path!r} is no simulated rig", url, "Write it like virtual:?seed=1&pace=fast"
            )
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
    "worked": _whole(0, 100),
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
