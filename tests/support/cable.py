"""A cable in simulated time, in place of a pyserial port: what its buffer can't hold is lost."""

import io
import threading
import time

from coilbench.capture.sources.base import SourceEnded
from coilbench.capture.sources.serial_port import SerialSource
from coilbench.capture.virtual.bench import Bench
from coilbench.capture.virtual.firmware import Firmware

ENDED = SourceEnded("the plan is over", where="cable:")


class Cable:
    """Carries a simulated rig's bytes as time goes by; a reader that waits makes it go by.

    Args:
        rig, steps: what sends.
        room: how many bytes the port's buffer holds.
        frame_samples: how many samples leave together.
    """

    def __init__(self, rig, steps, *, room=4096, frame_samples=4):
        self.firmware = Firmware(rig, Bench(rig, steps, 4).blocks(), frame_samples=frame_samples)
        self.now_s = 0.0
        self.bytes_dropped = 0
        self._frames = self.firmware.frames()
        self._next = next(self._frames, None)
        self._buffer = bytearray()
        self._room = room
        self._lock = threading.Lock()
        self._opened = False
        self._under_way = 0  # bytes that are still on the cable: lines come in pieces

    def open_again(self):
        """Open the source; its end is for good."""
        if self._opened:
            raise ENDED
        self._opened = True
        return SerialSource("cable:", self, clock=self.clock, sleep=self.pass_time)

    def clock(self):
        return self.now_s

    def pass_time(self, seconds):
        """Let time go by, whoever waits."""
        with self._lock:
            self.now_s += seconds
            self._under_way = (self._under_way + 13) % 42
            while self._next is not None and self._next.t_us * 1e-6 <= self.now_s:
                self._arrive(self._next.data)
                self._next = next(self._frames, None)

    def pass_time_read(self, seconds, reader):
        """Let time go by while the reader reads, until its queue is full."""
        for _ in range(round(seconds / 0.05)):
            self.pass_time(0.05)
            while len(self._buffer) > self._room // 2 and not reader.parcels.full():
                time.sleep(0.0005)  # for the reader's thread

    def _arrive(self, data):
        fits = data[: self._room - len(self._buffer)]
        self._buffer += fits
        self.bytes_dropped += len(data) - len(fits)

    # --- what a port offers ---

    def read(self, size):
        with self._lock:
            ended = self._next is None
            there = len(self._buffer) - (0 if ended else self._under_way)
            data = bytes(self._buffer[: max(0, min(size, there))])
            del self._buffer[: len(data)]
            if ended and not data:
                raise OSError("the plan is over")
            return data

    def write(self, data):
        with self._lock:
            self._arrive(self.firmware.receive(data))

    def fileno(self):
        raise io.UnsupportedOperation

    def close(self):
        pass
