"""A Raspberry Pi's pins: their address, the modules that reach them, and their edges.

lgpio's callbacks are used and not gpiozero's, nor those of RPi.GPIO: only they tell the level after
the edge and the moment of its interrupt. They come late (lgpio holds edges back for half a
millisecond to put them in order, then Python takes its turn), so a callback does nothing but note
the edge. Travel is looked up afterwards, at the moment the conversion became ready.
"""

from __future__ import annotations

import math
import os
import time
from collections import deque
from collections.abc import Callable
from importlib import import_module
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources.losses import SourceLost

LINE_A = 0
LINE_B = 1
# Both outputs seen in turn: index previous * 4 + present, A being bit 0 and B bit 1. A before B is
# positive. Where both changed at once an edge was missed, and its direction is unknown.
_STEPS = np.array([0, 1, -1, 0, -1, 0, 0, 1, 1, 0, 0, -1, 0, -1, 1, 0], dtype=np.int64)
_BOTH_CHANGED = np.array([0, 0, 0, 1, 0, 0, 1, 0, 0, 1, 0, 0, 1, 0, 0, 0], dtype=np.bool_)

EXAMPLE = "Write it like pi:dout=5,sck=6,a=17,b=27"
_SCHEME = "pi:"
_PINS = {"dout": 5, "sck": 6, "a": 17, "b": 27}  # as hardware/ draws them
_CHOICES = {"gain": (128, 64, 32), "sps": (80, 10)}  # the first is the default
_DEFAULT_UM = 5.0
_LONGEST_UM = 1000.0
# The header carries GPIO2 to GPIO27, and 0 and 1, which belong to the add-on board's memory.
_FIRST_PIN, _LAST_PIN = 2, 27


class PiSetup(msgspec.Struct, frozen=True):
    """What is wired to which pin.

    Attributes:
        dout, sck: GPIO numbers (Broadcom's) of the HX711's data output and clock input.
        a, b: of the scale's outputs; where A leads B, travel counts up, and the quill goes down.
        gain, sps, um: as the keys of the address, see parse.
    """

    dout: int
    sck: int
    a: int
    b: int
    gain: int
    sps: int
    um: float

    @classmethod
    def parse(cls, url: str) -> PiSetup:
        """Read `pi:` and then perhaps `key=value,key=value`.

        | key | default | meaning |
        |---|---|---|
        | dout, sck | 5, 6 | the HX711's pins, GPIO numbers |
        | a, b | 17, 27 | the scale's outputs; change them over to turn its direction round |
        | gain | 128 | 128, 64 (channel A) or 32 (channel B) |
        | sps | 80 | 80 or 10, as the HX711's RATE pin is strapped |
        | um | 5 | micrometres of travel a count |

        Raises:
            CoilbenchError: a key or value that isn't one of these; it is named.
        """
        given = _split(url)
        pins = {key: _pin(url, key, given.get(key, str(pin))) for key, pin in _PINS.items()}
        for key, pin in pins.items():
            twin = next((other for other in pins if other != key and pins[other] == pin), None)
            if twin is not None:
                raise _wrong(url, f"{key} and {twin} are both on GPIO{pin}")
        gain, sps = (_choice(url, key, given.get(key)) for key in ("gain", "sps"))
        return cls(**pins, gain=gain, sps=sps, um=_micrometres(url, given.get("um")))


def _split(url: str) -> dict[str, str]:
    given: dict[str, str] = {}
    for option in filter(None, url[len(_SCHEME) :].split(",")):
        key, equals, value = option.partition("=")
        if key not in (*_PINS, *_CHOICES, "um"):
            raise _wrong(url, f"there is no key {key!r}")
        if not equals or not value:
            raise _wrong(url, f"{key} has no value")
        if key in given:
            raise _wrong(url, f"{key} is given twice")
        given[key] = value
    return given


def _pin(url: str, key: str, value: str) -> int:
    if not (value.isascii() and value.isdigit() and _FIRST_PIN <= int(value) <= _LAST_PIN):
        raise _wrong(
            url, f"{key}={value} is no GPIO number of the header ({_FIRST_PIN} to {_LAST_PIN})"
        )
    return int(value)


def _choice(url: str, key: str, value: str | None) -> int:
    choices = _CHOICES[key]
    if value is None:
        return choices[0]
    chosen = next((choice for choice in choices if str(choice) == value), None)
    if chosen is None:
        raise _wrong(url, f"{key}={value} is none of {', '.join(map(str, choices))}")
    return chosen


def _micrometres(url: str, value: str | None) -> float:
    if value is None:
        return _DEFAULT_UM
    try:
        um = float(value)
    except ValueError:
        um = math.nan
    if not 0.0 < um <= _LONGEST_UM:
        raise _wrong(url, f"um={value} is no travel of a count in micrometres")
    return um


def _wrong(url: str, what: str, hint: str = EXAMPLE) -> CoilbenchError:
    return CoilbenchError(what, where=url, hint=hint)


_INSTALL = "On the Pi, in the folder of coilbench: pip install '.[pi]'"


class Clock(msgspec.Struct, frozen=True):
    """What time is taken from and waited with.

    Attributes:
        now_ns: monotonic, nanoseconds, of the kind the kernel stamps edges with.
        sleep: takes seconds.
    """

    now_ns: Callable[[], int] = time.monotonic_ns
    sleep: Callable[[float], None] = time.sleep


class Board(msgspec.Struct, frozen=True):
    """The modules by which pins are reached.

    Attributes:
        gpio: the module RPi.GPIO, which must be rpi-lgpio's.
        lgpio: the module beneath it, whose callbacks tell an edge's level and the kernel's time.
    """

    gpio: Any
    lgpio: Any

    @property
    def chip_handle(self) -> int:
        """A handle of the chip that RPi.GPIO has open, for lgpio.callback."""
        return int(self.gpio._chip)

    @classmethod
    def open(cls, url: str) -> Board:
        """Load the modules and open the pins' chip.

        Raises:
            SourceLost: the chip can't be opened now.
            CoilbenchError: a module is missing or another, or this is no Raspberry Pi.
        """
        try:
            # lgpio first: it makes a FIFO in the working directory as soon as it is loaded.
            lgpio = import_module("lgpio")
            gpio = import_module("RPi.GPIO")
        except ImportError as error:
            what = f"the Python module {error.name or 'RPi.GPIO'!r} is missing"
            raise _wrong(url, what, _INSTALL) from error
        except OSError as error:
            reason = error.strerror or error
            what = f"lgpio can't make its FIFO in the working directory ({reason})"
            raise _wrong(url, what, "Start coilbench in a folder that you may write to") from error
        except (RuntimeError, NotImplementedError) as error:
            what = "this computer is no Raspberry Pi (or one too old)"
            raise _wrong(url, what, "Use a rig on USB here: coilbench rig find") from error
        if not hasattr(gpio, "_chip"):
            what = "the module RPi.GPIO is not rpi-lgpio's: its edges carry no time"
            hint = "pip uninstall RPi.GPIO, then: pip install --force-reinstall rpi-lgpio"
            raise _wrong(url, what, hint)
        try:
            gpio.setmode(gpio.BCM)
        except Exception as error:
            raise cls.refused(url, error) from error
        return cls(gpio, lgpio)

    @staticmethod
    def refused(url: str, error: Exception) -> SourceLost:
        """Say why the pins can't be used; lgpio gives its reasons as text only."""
        text = str(error).strip("'\"")
        if "busy" in text or "not allocated" in text:  # the latter: it could not be read even once
            return SourceLost("pins_busy", where=url)
        if "can not open gpiochip" in text and not list(Path("/dev").glob("gpiochip*")):
            return SourceLost("no_pins", where=url)
        if "can not open gpiochip" in text or "permission" in text:
            return SourceLost("pins_forbidden", where=url, user=os.environ.get("USER", "$USER"))
        if "different mode" in text:
            return SourceLost("pins_by_board", where=url)
        return SourceLost("pins_refused", where=url, system=text)


class Edges:
    """Listens to three pins, set up as inputs, until it is closed.

    Args:
        now_ns: the clock of the kernel's times.
    """

    def __init__(self, board: Board, setup: PiSetup, now_ns: Callable[[], int]) -> None:
        self._gpio = board.gpio
        self._listening: list[int] = []
        self._callbacks: list[Any] = []
        # Filled by lgpio's thread, emptied by ours; a deque is safe between the two.
        self._scale_seen: deque[tuple[int, int, int]] = deque()
        self._ready_seen: deque[int] = deque()
        self._scale: list[tuple[int, int, int]] = []  # ns, line, level; not yet counted
        try:
            self._listen(board, setup)
        except BaseException:
            self.close()
            raise
        self._began_ns = now_ns()
        self._quadrature = Quadrature(self._gpio.input(setup.a), self._gpio.input(setup.b))

    @property
    def impossible_steps(self) -> int:
        """How often an edge of the scale must have been lost; only grows."""
        return self._quadrature.impossible_steps

    def ready_between(self, after_ns: int, until_ns: int) -> int | None:
        """Return when DOUT last fell in this span, None where no edge of that span was seen.

        Asked once a conversion, in order of time: what is older is forgotten.
        """
        found = None
        while self._ready_seen and self._ready_seen[0] <= until_ns:
            fell_ns = self._ready_seen.popleft()
            if fell_ns > after_ns:
                found = fell_ns
        return found

    def travel_at(self, t_ns: int) -> int:
        """Return the scale's count at a moment, from the edges that are known by now.

        Asked in order of time. An edge that becomes known too late counts in the next one.
        """
        while self._scale_seen:
            edge = self._scale_seen.popleft()
            if edge[0] > self._began_ns:
                self._scale.append(edge)
        due = next((i for i, edge in enumerate(self._scale) if edge[0] > t_ns), len(self._scale))
        if due > 0:
            edges = np.array(self._scale[:due], dtype=np.int64)
            del self._scale[:due]
            self._quadrature.follow(edges[:, 1].astype(np.uint8), edges[:, 2].astype(np.uint8))
        return self._quadrature.count

    def close(self) -> None:
        """Stop listening; safe to call twice."""
        while self._callbacks:
            self._callbacks.pop().cancel()
        while self._listening:
            self._gpio.remove_event_detect(self._listening.pop())

    def _listen(self, board: Board, setup: PiSetup) -> None:
        gpio = board.gpio
        for pin in (setup.a, setup.b):
            self._detect(pin, gpio.BOTH)
        self._detect(setup.dout, gpio.FALLING)
        noting = {
            setup.a: self._note_scale(LINE_A),
            setup.b: self._note_scale(LINE_B),
            setup.dout: self._note_ready,
        }
        for pin, note in noting.items():
            callback = board.lgpio.callback(board.chip_handle, pin, board.lgpio.BOTH_EDGES, note)
            self._callbacks.append(callback)

    def _detect(self, pin: int, edge: int) -> None:
        self._gpio.add_event_detect(pin, edge)
        self._listening.append(pin)

    def _note_scale(self, line: int) -> Callable[[int, int, int, int], None]:
        note = self._scale_seen.append
        return lambda _chip, _pin, level, t_ns: note((t_ns, line, level))

    def _note_ready(self, _chip: int, _pin: int, _level: int, t_ns: int) -> None:
        self._ready_seen.append(t_ns)


def steps_between(
    states: NDArray[np.uint8], before: int
) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """Return the count each state adds to the one before it, and where that is impossible.

    Args:
        states: shape (n,), the outputs as seen in turn, A + 2 B.
        before: the state before the first.

    Returns:
        Steps of -1, 0 or 1, shape (n,), and a mask of the impossible ones, whose step is 0.
    """
    index = np.append(np.uint8(before), states[:-1]) << 2 | states if len(states) else states
    return _STEPS[index], _BOTH_CHANGED[index]


class Quadrature:
    """A scale followed by edge reports, each of which tells one output's new level.

    A report that repeats the level its output already had shows a lost edge: it counts as an
    impossible step, like both outputs changing at once.

    Args:
        a, b: levels of the outputs at the start, 0 or 1.

    Attributes:
        count: quarter periods since the start, positive where A leads B.
        impossible_steps: how often edges must have been lost; only grows.
    """

    def __init__(self, a: int, b: int) -> None:
        self.count = 0
        self.impossible_steps = 0
        self._levels = [a, b]

    def follow(self, lines: NDArray[np.uint8], levels: NDArray[np.uint8]) -> None:
        """Take edges in order of time.

        Args:
            lines: shape (n,), LINE_A or LINE_B: whose edge it is.
            levels: shape (n,), 0 or 1: the level after it.
        """
        if len(lines) == 0:
            return
        start = self._levels[LINE_A] | self._levels[LINE_B] << 1
        a, b = (self._levels_after(line, lines, levels) for line in (LINE_A, LINE_B))
        states = (a | b << 1).astype(np.uint8)
        steps, impossible = steps_between(states, start)
        repeated = np.append(np.uint8(start), states[:-1]) == states
        self.count += int(steps.sum())
        self.impossible_steps += int((impossible | repeated).sum())
        self._levels = [int(a[-1]), int(b[-1])]

    def _levels_after(
        self, line: int, lines: NDArray[np.uint8], levels: NDArray[np.uint8]
    ) -> NDArray[np.uint8]:
        """Return the level of one output after each of the edges, shape (n,)."""
        known = np.append(np.uint8(self._levels[line]), levels)
        own = np.where(lines == line, np.arange(1, len(lines) + 1), 0)
        return known[np.maximum.accumulate(own)]
