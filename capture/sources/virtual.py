"""The simulated rig as a source: `virtual:?seed=1&pace=fast&springs=12`."""

from __future__ import annotations

import math
from collections.abc import Callable
from enum import StrEnum
from typing import TypeVar
from urllib.parse import parse_qsl

import msgspec

from coilbench.capture.blocks import Item, LinkCounters
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources.base import Source, SourceEnded
from coilbench.capture.sources.losses import SourceLost
from coilbench.capture.sources.serial_port import open_serial
from coilbench.capture.virtual.bench import (
    HOLD_S,
    Bench,
    StrokeKind,
    calibration_steps,
    capture_steps,
)
from coilbench.capture.virtual.firmware import Faults, Firmware
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.port import FRAME_SAMPLES, LinkKind, Pace, VirtualPort
from coilbench.capture.virtual.spring import INNER, OUTER, draw_set

MOST_SPRINGS = 1000
_Kind = TypeVar("_Kind", bound=StrEnum)


class VirtualSource(Source):
    """A SerialSource on a virtual rig's port; closes both.

    Args:
        port: not yet started.
    """

    def __init__(self, url: str, port: VirtualPort) -> None:
        self.url = url
        self._port = port
        self._serial = open_serial(port.url)
        port.start()

    @property
    def counters(self) -> LinkCounters:
        """A snapshot of the counters."""
        return self._serial.counters

    def poll(self, timeout_s: float) -> list[Item]:
        """Return what arrived; SourceEnded at the plan's end, SourceLost if the cable came out."""
        try:
            return self._serial.poll(timeout_s)
        except SourceLost as lost:
            if self._port.ended:
                what = "the simulated rig's plan is at its end"
                raise SourceEnded(what, where=self.url) from lost
            raise lost.at(self.url) from lost

    def request(self, word: str) -> None:
        """Send a request; its answer comes by poll."""
        self._serial.request(word)

    def close(self) -> None:
        """Let the port go and switch the rig off; safe to call twice."""
        self._serial.close()
        self._port.close()


def open_virtual(url: str) -> VirtualSource:
    """Open a simulated rig: `virtual:`, then perhaps `?key=value&key=value`.

    Springs are pressed one after another as a person would, then the rig rests.

    | key | default | meaning |
    |---|---|---|
    | seed | 1 | which rig, which springs, which hand; the same seed repeats |
    | pace | real | `real` time, or `fast`: as fast as the reader reads |
    | ends | by pace | 1: the source ends after the plan (fast); 0: it rests without end (real) |
    | link | pty | `pty` or `socket`, what the bytes go through; socket where there is no pty |
    | do | springs | press the `springs`, or what `rig weigh`, `gauge`, `flex` ask for by default |
    | springs, role | 12, outer | how many, `outer` or `inner` |
    | tired, cracked | 0 | how many of them are so |
    | presses | 5 | strokes of each spring, the conditioning ones included |
    | worked | 0 | how often each of them was pressed before, as at another start |
    | stroke | steady | steady, fast, hasty, slow, short, double or paused |
    | drop, flip | 0 | probability of each byte to be lost, to have a bit turned |
    | restart | | seconds after which the rig restarts; may be repeated |
    | dead, saturate | | `20:3`: from 20 s for 3 s no conversions, the ADC at its end; repeatable |
    | silent | 0 | 1: it says nothing at all |
    | unplug | | seconds after which the cable comes out |

    Raises:
        CoilbenchError: a key or value that isn't one of these; it is named.
    """
    setup = VirtualSetup.parse(url)
    bench = _bench(setup)
    firmware = Firmware(
        bench.rig,
        bench.blocks(endless=setup.endless),
        faults=setup.faults,
        seed=setup.seed,
        frame_samples=FRAME_SAMPLES,
    )
    port = VirtualPort(firmware, pace=setup.pace, link=setup.link)
    try:
        return VirtualSource(url, port)
    except BaseException:
        port.close()
        raise


def _bench(setup: VirtualSetup) -> Bench:
    rig = RigModel.draw(setup.seed)
    match setup.do:
        case _Job.SPRINGS:
            nominal = OUTER if setup.role is Role.OUTER else INNER
            odd = {"tired": setup.tired, "cracked": setup.cracked}
            drawn = draw_set(nominal, setup.springs, setup.seed, **odd)
            springs = [one.after(setup.worked) for one in drawn]
            steps = capture_steps(springs, presses=setup.presses, stroke=setup.stroke)
        case _Job.WEIGH:
            steps = calibration_steps((5.0, 10.0, 20.0, 10.0, 5.0, 0.0), rest_s=HOLD_S)
        case _Job.GAUGE:
            steps = calibration_steps(gauges_mm=(20.0, 30.0, 40.0, 50.0))
        case _Job.FLEX:
            steps = calibration_steps(block=(40.0, 900.0), rest_s=HOLD_S)
    return Bench(rig, steps, setup.seed)


class Role(StrEnum):
    """Which springs are pressed."""

    OUTER = "outer"
    INNER = "inner"


class _Job(StrEnum):
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
    do: _Job = _Job.SPRINGS
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
    "do": _choice(_Job),
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
