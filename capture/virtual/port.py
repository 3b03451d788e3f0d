"""The simulated rig behind a port: a thread that sends its bytes and answers its requests.

Two cables lead to its reader: a pseudo-terminal and a loopback socket. Neither drops a byte while
it is open: when the reader is slow, the rig waits.
"""

from __future__ import annotations

import os
import select
import socket
import sys
import threading
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from enum import StrEnum
from functools import partial

from coilbench.capture.virtual.firmware import Firmware

_CHUNK = 65536
_LOOKS = 3  # at a pseudo-terminal that seems empty


class Pace(StrEnum):
    """How fast simulated time goes."""

    REAL = "real"
    FAST = "fast"  # as fast as the reader reads


class LinkKind(StrEnum):
    """What the bytes go through."""

    PTY = "pty"
    SOCKET = "socket"


DEFAULT_LINK = LinkKind.PTY if hasattr(os, "openpty") else LinkKind.SOCKET


class PtyLink:
    """The rig's end of a pseudo-terminal: the reader opens a real serial device.

    Used from one thread; nothing waits longer than it is told.
    """

    def __init__(self) -> None:
        import tty  # not on Windows

        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.url = f"serial://{os.ttyname(self._slave)}?baud=250000"
        self._open = True

    def exchange(self, data: bytes, wait_s: float) -> tuple[int, bytes]:
        """Send what goes through of data, perhaps nothing, and take what the reader sent.

        Returns:
            How many bytes of data went, and what came.
        """
        senders = [self._master] if data else []
        readable, writable, _ = select.select([self._master], senders, [], wait_s)
        received = os.read(self._master, _CHUNK) if readable else b""
        sent = _offer(partial(os.write, self._master), data) if writable else 0
        return sent, received

    def drained(self, wait_s: float) -> bool:
        """Tell whether the reader has taken everything; nothing may be sent after the first call.

        Closing the master throws away what the slave has not read. The slave stays open here
        too, and asking whether it is readable also moves what is still on its way through the
        kernel to it: so "not readable" means that all of it has been read. But a reader that has
        emptied the kernel's buffer and is halted before it calls for more looks the same; asking
        how many bytes there are waits until it is out of the kernel (Linux). That a reader is
        halted there each time we look is taken to be impossible.
        """
        for _ in range(_LOOKS):
            readable, _, _ = select.select([self._slave], [], [], 0.0)
            if readable or self._waiting():
                select.select([self._master], [], [], wait_s)  # a nap that a request ends
                return False
        return True

    def _waiting(self) -> int:
        import fcntl  # not on Windows
        import termios

        return int.from_bytes(fcntl.ioctl(self._slave, termios.FIONREAD, bytes(4)), sys.byteorder)

    def close(self) -> None:
        """Pull the cable; safe to call twice. What the reader has not taken may be lost."""
        if self._open:
            self._open = False
            os.close(self._master)
            os.close(self._slave)


class SocketLink:
    """A TCP socket on the loopback address, one reader at a time."""

    def __init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        self._reader: socket.socket | None = None
        self._ended = False

    def exchange(self, data: bytes, wait_s: float) -> tuple[int, bytes]:
        """Send what goes through, take what came, as PtyLink. Without a reader nothing goes."""
        if self._reader is None:
            self._accept(wait_s)
            return 0, b""
        senders = [self._reader] if data else []
        readable, writable, _ = select.select([self._reader], senders, [], wait_s)
        received, sent = b"", 0
        try:
            if readable:
                received = self._reader.recv(_CHUNK)
                if not received:
                    raise ConnectionResetError
            if writable:
                sent = _offer(self._reader.send, data)
        except ConnectionError:
            self._hang_up()
        return sent, received

    def drained(self, wait_s: float) -> bool:
        """Tell whether the reader has seen the end and disconnected.

        The end is sent after the last byte, and what the reader still asks is read: closing
        with unread bytes would reset the connection and lose what is on its way.
        """
        if self._reader is not None and not self._ended:
            self._ended = True
            self._reader.shutdown(socket.SHUT_WR)
        self.exchange(b"", wait_s)
        return self._ended and self._reader is None

    def close(self) -> None:
        """Pull the cable; a reader that waits to be taken on or has asked something is heard.

        Otherwise the system would reset the connection instead of ending it.
        """
        if self._listener.fileno() >= 0:
            self.exchange(b"", 0.0)
            self.exchange(b"", 0.0)
        self._hang_up()
        self._listener.close()

    def _accept(self, wait_s: float) -> None:
        if select.select([self._listener], [], [], wait_s)[0]:
            self._reader, _ = self._listener.accept()
            self._reader.setblocking(False)
            # As a cable does: what is sent goes at once, not when the reader has acknowledged more.
            self._reader.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _hang_up(self) -> None:
        if self._reader is not None:
            self._reader.close()
            self._reader = None


def _offer(send: Callable[[bytes], int], data: bytes) -> int:
    try:
        return send(data)
    except BlockingIOError:  # there is room, but less than the smallest write
        return 0


FRAME_SAMPLES = 4  # how many samples leave together in real time: about 25 sendings a second
_LOOK_S = 0.05  # how often a waiting thread looks whether it is to stop
_IDLE_S = 0.001  # a pause where a rig in a hurry has nothing to say


class VirtualPort(AbstractContextManager["VirtualPort"]):
    """Serves one Firmware on a port of its own.

    The reader opens `url`; then `start` sets the rig going, so that a reader which empties its
    input on opening loses nothing. When the conversions end, the port waits until the reader
    has taken every byte (or close is called), then the cable is pulled; in real time an
    `unplug_at_s` fault pulls it at once.

    Args:
        firmware: what is behind the port; used by the port's thread alone from start on.
        sleep: takes seconds; None sleeps so that close can end it.
    """

    def __init__(
        self,
        firmware: Firmware,
        *,
        pace: Pace = Pace.FAST,
        link: LinkKind | None = None,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], object] | None = None,
    ) -> None:
        self._firmware = firmware
        self._pace = pace
        self._clock = clock
        self._stop = threading.Event()
        self._sleep = self._stop.wait if sleep is None else sleep
        self.ended = False  # the conversions came to their end: a lost link then is no fault
        kind = DEFAULT_LINK if link is None else link
        self._link = PtyLink() if kind is LinkKind.PTY else SocketLink()
        self.url = self._link.url  # of the reader's end, as open_serial takes it
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Switch the rig on."""
        self._thread = threading.Thread(target=self._run, name="virtual rig", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Switch the rig off and pull the cable; safe to call twice."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
        self._link.close()

    def __exit__(self, *_: object) -> None:
        self.close()

    def _run(self) -> None:
        try:
            self._serve()
        finally:
            self._link.close()

    def _serve(self) -> None:
        began_s = self._clock()
        real = self._pace is Pace.REAL
        for frame in self._firmware.frames() if real else self._firmware.bursts():
            if real:
                self._wait_until(began_s + 1e-6 * frame.t_us)
            if not self._send(frame.data):
                return
        self.ended = not self._firmware.unplugged
        if self._firmware.unplugged and real:
            return  # what is on its way is lost; of a rig in a hurry that would be many seconds
        while not self._stop.is_set() and not self._link.drained(_LOOK_S):
            pass  # drained waits

    def _wait_until(self, due_s: float) -> None:
        left_s = due_s - self._clock()
        if left_s > 0.0:
            self._sleep(left_s)

    def _send(self, data: bytes) -> bool:
        """Send data and answer what is asked meanwhile; return False when told to stop."""
        idle_s = _IDLE_S if self._pace is Pace.FAST and not data else 0.0
        while not self._stop.is_set():
            sent, received = self._link.exchange(data, _LOOK_S if data else idle_s)
            data = data[sent:] + (self._firmware.receive(received) if received else b"")
            if not data:
                return True
        return False
