"""The simulated rig behind a port: a thread that sends its bytes and answers its requests."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from types import TracebackType
from typing import Self

from coilbench.capture.virtual.firmware import Firmware
from coilbench.capture.virtual.links import open_link
from coilbench.capture.virtual.setup import LinkKind, Pace

# How many samples leave together: in real time about 25 sendings a second.
FRAME_SAMPLES = {Pace.REAL: 4, Pace.FAST: 512}
_LOOK_S = 0.05  # how often a waiting thread looks whether it is to stop
_IDLE_S = 0.001  # a pause where a rig in a hurry has nothing to say


class VirtualPort:
    """Serves one Firmware on a port of its own.

    The reader opens `url`; then `start` sets the rig going, so that a reader which empties its
    input on opening loses nothing. When the conversions end, the port waits until the reader
    has taken every byte (or close is called), then the cable is pulled; in real time an
    `unplug_at_s` fault pulls it at once.

    Args:
        firmware: what is behind the port; used by the port's thread alone from start on.
        pace: real time, or as fast as the reader reads.
        link: a pseudo-terminal or a loopback socket; None takes what this system has.
        clock: monotonic, seconds.
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
        self._ended = False
        self._link = open_link(link)
        self._thread: threading.Thread | None = None

    @property
    def url(self) -> str:
        """What opens the reader's end (`serial:///dev/pts/4?baud=250000`, `socket://…`)."""
        return self._link.url

    @property
    def ended(self) -> bool:
        """Whether the conversions came to their end: a lost link then is no fault."""
        return self._ended

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

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _run(self) -> None:
        try:
            self._serve()
        finally:
            self._link.close()

    def _serve(self) -> None:
        began_s = self._clock()
        for frame in self._firmware.frames():
            if self._pace is Pace.REAL:
                self._wait_until(began_s + 1e-6 * frame.t_us)
            if not self._send(frame.data):
                return
        self._ended = not self._firmware.unplugged
        if self._firmware.unplugged and self._pace is Pace.REAL:
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
            sent, came = self._link.exchange(data, _LOOK_S if data else idle_s)
            data = data[sent:] + (self._firmware.receive(came) if came else b"")
            if not data:
                return True
        return False
