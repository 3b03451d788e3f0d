"""A rig on a Raspberry Pi's own pins: the HX711 by the driver `hx711`, the scale by its edges."""

from __future__ import annotations

import hashlib
import platform
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from msgspec.structs import replace

from coilbench.capture.blocks import (
    PROTOCOL_VERSION,
    Hello,
    Item,
    LinkCounters,
    RawBlock,
    blocks_joined,
)
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources.base import Source
from coilbench.capture.sources.losses import SourceLost
from coilbench.capture.sources.pi_pins import Board, Clock, Edges, PiSetup
from coilbench.capture.sources.pi_rig import FIRMWARE, Hx711, PiRig

QUEUE_LENGTH = 4800  # items, a minute of samples; what finds no room is dropped and counted
_SERIAL_NUMBER = Path("/proc/device-tree/serial-number")
_MACHINE_ID = Path("/etc/machine-id")
_KERNEL_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


class PiSource(Source):
    """A Source whose own thread looks at the pins; poll takes what it found.

    Args:
        rig: looked at by the thread alone; takes requests from here.
        release: lets the pins go; called once, when the thread has ended.
    """

    def __init__(
        self,
        url: str,
        rig: PiRig,
        release: Callable[[], None],
        *,
        hello: Hello,
    ) -> None:
        self.url = url
        self._rig = rig
        self._release: Callable[[], None] | None = release
        self._found: deque[Item] = deque([hello])
        self._news = threading.Condition()
        self._stop = threading.Event()
        self._ended = False
        self._error: Exception | None = None
        self._counters = LinkCounters()
        self._next_seq = 0
        self._tag = 0
        self._thread = threading.Thread(target=self._run, name="coilbench-pi", daemon=True)
        self._thread.start()

    @property
    def counters(self) -> LinkCounters:
        """A snapshot of the counters; those of bytes stay 0, for there is no line."""
        return self._counters

    def poll(self, timeout_s: float) -> list[Item]:
        """Return what was found; SourceLost when closed too, once all of it was returned."""
        with self._news:
            self._news.wait_for(lambda: self._found or self._ended, timeout_s)
            found = list(self._found)
            self._found.clear()
            ended = self._ended
        if not found and ended:
            raise self._gone()
        items = blocks_joined(found)
        for item in items:
            if isinstance(item, RawBlock):
                self._count(item)
        return items

    def request(self, word: str) -> None:
        """Send a request; SourceLost where the source has ended."""
        if self._ended:
            raise self._gone()
        self._rig.ask(self._tag, word)
        self._tag = (self._tag + 1) & 0xFF

    def close(self) -> None:
        """Let the pins go; safe to call twice."""
        self._stop.set()
        self._thread.join()
        release, self._release = self._release, None
        if release is not None:
            release()

    def _run(self) -> None:
        try:
            while not self._stop.is_set():
                self._put(self._rig.look())
        except Exception as error:  # reported by the next poll that finds nothing else
            self._error = error
        finally:
            with self._news:
                self._ended = True
                self._news.notify_all()

    def _put(self, items: list[Item]) -> None:
        if not items:
            return
        with self._news:
            for item in items:
                if len(self._found) < QUEUE_LENGTH:
                    self._found.append(item)
                elif isinstance(item, RawBlock):
                    self._rig.samples_dropped += len(item)
            self._news.notify_all()

    def _gone(self) -> SourceLost:
        if isinstance(self._error, SourceLost):
            return self._error
        if self._error is not None:
            lost = Board.refused(self.url, self._error)
            lost.__cause__ = self._error
            return lost
        return SourceLost("source_closed", where=self.url)

    def _count(self, block: RawBlock) -> None:
        old = self._counters
        last_seq = int(block.samples["seq"][-1])
        self._counters = replace(
            old,
            samples=old.samples + len(block),
            samples_lost=old.samples_lost + last_seq + 1 - self._next_seq - len(block),
        )
        self._next_seq = last_seq + 1


def open_pi(url: str, *, clock: Clock | None = None) -> PiSource:
    """Open a rig on this Raspberry Pi's pins; see PiSetup.parse for the address.

    Takes about a second: the driver chooses channel and gain by reading twice.

    Raises:
        SourceLost: the pins are busy, not permitted, or fail.
        CoilbenchError: the address can't be understood, a package is missing, or this is no Pi.
    """
    setup = PiSetup.parse(url)
    clock = Clock() if clock is None else clock
    board = Board.open(url)
    try:
        for pin in (setup.a, setup.b):  # first: if one is busy, that need not wait for the driver
            board.gpio.setup(pin, board.gpio.IN)
        adc = Hx711(board.gpio, setup, clock, url)
        edges = Edges(board, setup, clock.now_ns)
    except CoilbenchError:
        _let_go(board, setup, None)
        raise
    except Exception as error:
        _let_go(board, setup, None)
        raise Board.refused(url, error) from error
    hello = _hello(setup)
    rig = PiRig(adc, edges, setup, clock, hello, url=url)
    return PiSource(url, rig, lambda: _let_go(board, setup, edges), hello=hello)


def _let_go(board: Board, setup: PiSetup, edges: Edges | None) -> None:
    if edges is not None:
        edges.close()
    for pin in (setup.dout, setup.sck, setup.a, setup.b):
        # A pin that we never got, since opening failed before it, refuses to be let go.
        with suppress(RuntimeError, board.lgpio.error):
            board.gpio.cleanup(pin)


def _hello(setup: PiSetup) -> Hello:
    return Hello(
        protocol=PROTOCOL_VERSION,
        firmware=FIRMWARE,
        device_id=_device_id(),
        boot_id=_boot_id(),
        rate_hz=float(setup.sps),
        travel="quadrature",
        um_per_count=setup.um,
        extra=(("adc", "hx711"), ("gain", str(setup.gain))),
    )


def _device_id() -> str:
    for path in (_SERIAL_NUMBER, _MACHINE_ID):
        text = _first_line(path)
        if text:
            break
    else:
        text = platform.node()
    is_serial_number = path == _SERIAL_NUMBER and len(text) == 16
    return text.upper() if is_serial_number else _digest(text, 8)


def _boot_id() -> int:
    """Return 32 bits that differ at every opening: the scale's count restarts."""
    return int(_digest(f"{_first_line(_KERNEL_BOOT_ID)} {time.monotonic_ns()}", 4), 16)


def _first_line(path: Path) -> str:
    try:
        return path.read_text(encoding="ascii").strip("\0\n ")
    except (OSError, UnicodeDecodeError):
        return ""


def _digest(text: str, size: int) -> str:
    return hashlib.blake2s(text.encode(), digest_size=size).hexdigest().upper()
