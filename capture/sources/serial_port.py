"""A rig on a serial port, or on anything pyserial can reach by URL."""

from __future__ import annotations

import errno
import io
import re
import select
import time
from collections.abc import Callable

import msgspec
import serial
from serial.tools import list_ports

from coilbench.capture.blocks import Item, LinkCounters
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources.base import GATHER_S, Source
from coilbench.capture.sources.losses import SourceLost
from coilbench.capture.wire.decode import Decoder
from coilbench.capture.wire.format import Request, encode

DEFAULT_BAUD = 250_000

_DEVICE = re.compile(r"/.+|COM[0-9]+", re.IGNORECASE)
_SCHEME = re.compile(r"[a-z][a-z0-9+.-]*://", re.IGNORECASE)
_BAUD = re.compile(r"[1-9][0-9]{2,6}")
_NETWORK_SCHEMES = frozenset({"socket", "rfc2217"})
_HOST_AND_PORT = re.compile(r"(\[[0-9a-fA-F:.%]+\]|[^:/@\[\]]+):([0-9]{1,5})/?")
_SEE_PORTS = "See the ports there are with: coilbench rig find"
_EXAMPLE = "Write it like serial:///dev/ttyUSB0?baud=250000"


def split_baud(url: str) -> tuple[str, int]:
    """Return what pyserial opens, and the baud rate, of an address as open_serial takes it.

    Raises:
        CoilbenchError: it is no device and no URL, or a part of it makes no sense.
    """
    if not _SCHEME.match(url):
        if _DEVICE.fullmatch(url):
            return url, DEFAULT_BAUD
        raise CoilbenchError(
            "this is no port and no address",
            where=url or "(empty)",
            hint="Write it like /dev/ttyUSB0, COM3 or serial:///dev/ttyUSB0?baud=250000;"
            " coilbench rig find lists the ports",
        )
    address, _, query = url.partition("?")
    options = query.split("&") if query else []
    bauds = [option[5:] for option in options if option.startswith("baud=")]
    others = [option for option in options if not option.startswith("baud=")]
    if len(bauds) > 1 or (bauds and not _BAUD.fullmatch(bauds[0])):
        raise CoilbenchError("baud is not a rate", where=url, hint="Write it like baud=250000")
    baud = int(bauds[0]) if bauds else DEFAULT_BAUD
    scheme, _, device = address.partition("://")
    if scheme.lower() == "serial":
        return _plain_device(url, device, others), baud
    if scheme.lower() in _NETWORK_SCHEMES:
        _check_host_and_port(url, scheme, device)
    return "?".join([address, *(["&".join(others)] if others else [])]), baud


def _plain_device(url: str, device: str, options: list[str]) -> str:
    if options:
        raise CoilbenchError(f"there is no option {options[0]!r}", where=url, hint=_EXAMPLE)
    if not device:
        raise CoilbenchError("the port's name is missing", where=url, hint=_EXAMPLE)
    return device


def _check_host_and_port(url: str, scheme: str, place: str) -> None:
    match = _HOST_AND_PORT.fullmatch(place)
    if match is None or not 0 < int(match[2]) <= 65_535:
        raise CoilbenchError(
            "host and port are missing or make no sense",
            where=url,
            hint=f"Write it like {scheme}://bench.local:4000",
        )


WRITE_TIMEOUT_S = 1.0
_CHUNK = 4096  # bytes asked for in one read
_READ_LIMIT = 16_384  # bytes handed on by one poll: some seconds of a rig that waited to be read
_FEW = 210  # bytes, five samples: fewer are worth waiting a moment for more
_HALF_FULL = 2048  # bytes: systems keep 4096 for a port that is not read
_REFILL_S = 0.001  # where so much came, more may wait for room: in one piece it is decoded faster
_NAP_S = 0.005  # between looks at a port that can't be waited on

# What pyserial lets through of the operating system's own errors: termios.error is no OSError,
# and in_waiting on a port that was pulled out raises it or a bare OSError.
try:
    import termios
except ImportError:  # not a POSIX system
    PORT_ERRORS: tuple[type[Exception], ...] = (OSError,)
else:
    PORT_ERRORS = (OSError, termios.error)


class SerialSource(Source):
    """A Source on an open pyserial port.

    Args:
        port: open, with a read timeout of 0; the source closes it.
    """

    def __init__(
        self,
        url: str,
        port: serial.SerialBase,
        *,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
    ) -> None:
        self.url = url
        self._port = port
        self._clock = clock
        self._sleep = sleep
        self._decoder = Decoder()
        self._lost: Exception | None = None
        self._tag = 0
        self._per_s = 0.0  # bytes, by the last poll; 0 where nothing or more than a few came

    @property
    def counters(self) -> LinkCounters:
        """A snapshot of the counters."""
        return self._decoder.counters

    def poll(self, timeout_s: float) -> list[Item]:
        """Return what arrived; SourceLost once what came before the loss was returned."""
        data = self._read_what_is_there()
        deadline = self._clock() + timeout_s
        if self._per_s and len(data) < _FEW and timeout_s > 0:
            data += self._flowing(min(self.gather_s, timeout_s))
            if data:
                return self._decoder.feed(data)
        while not data and (left_s := deadline - self._clock()) > 0:
            self._wait(left_s)
            data = self._read_what_is_there()
        if 0 < len(data) < _FEW and (left_s := deadline - self._clock()) > 0:
            data += self._gathered(min(self.gather_s, left_s))
        return self._decoder.feed(data)

    def request(self, word: str) -> None:
        """Send a request; SourceLost if the port is gone or takes no bytes."""
        line = encode(Request(self._tag, word))
        self._tag = (self._tag + 1) & 0xFF
        try:
            self._port.write(line)
        except PORT_ERRORS as error:
            raise self._gone(error) from error

    def close(self) -> None:
        """Let the port go; safe to call twice."""
        try:
            self._port.close()
        except PORT_ERRORS as error:  # it went before us; there is nothing left to let go
            self._lost = error

    def _read_what_is_there(self) -> bytes:
        if self._lost is not None:
            raise self._gone(self._lost) from self._lost
        data = bytearray()
        try:
            # Some ports give one byte a read: after such, go on until there is nothing more.
            while len(data) < _READ_LIMIT and (chunk := self._port.read(_CHUNK)):
                data += chunk
                if len(chunk) >= _HALF_FULL:
                    self._sleep(_REFILL_S)
                elif len(chunk) > 1:
                    break
        except PORT_ERRORS as error:
            if not data:
                raise self._gone(error) from error
            self._lost = error  # reported by the next poll: what arrived is handed on first
        return bytes(data)

    def _gathered(self, seconds: float) -> bytes:
        """Return what comes within a moment; one line a poll would cost eight times the work."""
        begin_s = min(seconds, GATHER_S)
        data = self._after(begin_s)  # it tells how much comes
        self._per_s = len(data) / begin_s
        if not data or seconds <= GATHER_S:
            return data
        return data + self._flowing(seconds - GATHER_S)

    def _flowing(self, seconds: float) -> bytes:
        """Return what comes within a moment, as much as came before it: woken but once.

        A shortened moment may fall between two frames: after it the port is looked at within twice
        as long, whatever came.
        """
        moment_s = min(seconds, _HALF_FULL / self._per_s)
        data = self._after(moment_s)
        least_per_s = 0.5 * self._per_s if moment_s < seconds else 0.0
        self._per_s = max(len(data) / moment_s, least_per_s)
        return data

    def _after(self, seconds: float) -> bytes:
        self._sleep(seconds)
        try:
            return self._read_what_is_there()
        except SourceLost:
            return b""  # reported by the next poll

    def _wait(self, timeout_s: float) -> None:
        try:
            handle = self._port.fileno()
        except (io.UnsupportedOperation, AttributeError):
            self._sleep(min(timeout_s, _NAP_S))
        except PORT_ERRORS as error:
            raise self._gone(error) from error
        else:
            select.select([handle], [], [], timeout_s)

    def _gone(self, error: Exception) -> SourceLost:
        self._lost = error
        if isinstance(error, serial.SerialTimeoutException):
            return SourceLost("port_takes_nothing", where=self.url, waited_s=WRITE_TIMEOUT_S)
        if "returned no data" in str(error) or "disconnected" in str(error):
            return SourceLost("port_unplugged", where=self.url)
        return SourceLost("port_gone", where=self.url, system=_reason(error))


def open_serial(url: str) -> SerialSource:
    """Open a serial port by `serial:///dev/ttyUSB0?baud=250000`, a bare device or a pyserial URL.

    Every kind of URL may carry `baud=`; without it DEFAULT_BAUD holds.

    Raises:
        SourceLost: the port isn't there, is busy, may not be opened or refuses.
        CoilbenchError: the URL can't be understood.
    """
    address, baud = split_baud(url)
    try:
        port = serial.serial_for_url(
            address, baudrate=baud, timeout=0, write_timeout=WRITE_TIMEOUT_S, exclusive=True
        )
    except PORT_ERRORS as error:
        raise _refusal(url, error) from error
    except ValueError as error:
        raise CoilbenchError(
            f"this address can't be opened ({error})",
            where=url,
            hint="Write it like serial:///dev/ttyUSB0?baud=250000 or socket://host:port",
        ) from error
    _keep_line_up(port)
    return SerialSource(url, port)


def _keep_line_up(port: serial.SerialBase) -> None:
    """Leave DTR standing when the port is closed, where the system lets us (POSIX).

    Many boards restart when DTR rises, and a restart makes an incremental scale forget where it
    is. With hang-up-on-close off, only the first opening after plugging in restarts the board.
    """
    try:
        import termios
    except ImportError:  # not a POSIX system
        return
    try:
        modes = termios.tcgetattr(port.fileno())
        modes[2] &= ~termios.HUPCL
        termios.tcsetattr(port.fileno(), termios.TCSANOW, modes)
    except PORT_ERRORS:
        return  # no terminal behind it (a socket, say): nothing to keep up


def _reason(error: Exception) -> str:
    """Return an error's words without the tuple and the traceback look."""
    return re.sub(r"\[Errno -?[0-9]+\] ", "", str(error)) or type(error).__name__


def _refusal(url: str, error: Exception) -> SourceLost:
    text, number = str(error), getattr(error, "errno", None)
    if "exclusively lock" in text or number == errno.EBUSY:
        return SourceLost("port_busy", where=url)
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "FileNotFound" in text:
        return SourceLost("no_such_port", where=url)
    if number in (errno.EACCES, errno.EPERM) or "PermissionError" in text:
        return SourceLost("port_forbidden", where=url)
    if "Could not configure port" in text:
        return SourceLost("no_serial_port", where=url)
    if "onnection refused" in text:
        return SourceLost("nothing_answers", where=url)
    return SourceLost("port_refused", where=url, system=_reason(error))


class FoundPort(msgspec.Struct, frozen=True):
    """A serial port of this computer, whatever is connected to it."""

    device: str  # its name, as open_source takes it (`/dev/ttyUSB0`, `COM3`)
    description: str  # what the operating system says of it; may be empty
    usb_id: str | None  # vendor and product, `1A86:7523`; None where it isn't on USB


def find_ports() -> list[FoundPort]:
    """Return this computer's serial ports, those on USB first; opens none."""
    found = [
        FoundPort(
            port.device,
            "" if port.description in (None, "n/a") else port.description,
            None if port.vid is None else f"{port.vid:04X}:{port.pid or 0:04X}",
        )
        for port in list_ports.comports()
    ]
    return sorted(found, key=lambda port: (port.usb_id is None, port.device))
