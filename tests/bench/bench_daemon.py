"""What a daemon takes of the machine while a spring is pressed; prints figures, judges nothing.

    python tests/bench/bench_daemon.py [--seconds 60] [--hours 1] [--profile FILE]

Processor time: the daemon's session runs in a process of its own on a pseudo-terminal, at whose
other end this process plays a rig at 80 samples a second, real time, pressing spring after spring.
Counted is user and system time of that process alone (getrusage), from the connection to the end.

Memory: the same session code takes hours of wire bytes faster than real time, on a clock of its
own; looked at each tenth: resident pages (/proc/self/statm) and what Python holds (tracemalloc).
"""

from __future__ import annotations

import argparse
import cProfile
import gc
import json
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
import tracemalloc
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from runpy import run_path

from coilbench.capture.running import reader as reader_module
from coilbench.capture.running.session import CaptureRequest, Session
from coilbench.capture.sources import open_source
from coilbench.capture.sources.base import SourceEnded
from coilbench.capture.sources.serial_port import SerialSource
from coilbench.capture.virtual.bench import Bench, capture_steps
from coilbench.capture.virtual.firmware import Firmware
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.port import VirtualPort
from coilbench.capture.virtual.setup import LinkKind, Pace
from coilbench.capture.virtual.spring import OUTER, draw_set

TESTS = Path(__file__).parents[1]
RIG = replace(RigModel.draw(4), rate_hz=80.0)
POLL_S = 0.1
LOOKS = 10


def pressing(seconds: float) -> Firmware:
    """Return the rig, pressing for at least so long."""
    steps = capture_steps(draw_set(OUTER, 1, 4), presses=1 + round(seconds / 3.0))
    # as a real rig sends: each sample when it is there
    return Firmware(RIG, Bench(RIG, steps, 4).blocks(endless=True), frame_samples=1)


def make_book(folder: Path) -> Path:
    """Return a book whose one spring is never done."""
    maker = run_path(str(TESTS / "support" / "capture_books.py"))["book_maker"](folder)
    return maker(RIG, springs=1, conditioning=0, measured=100_000)


def cpu_s() -> float:
    """Return this process's user and system time."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def capture(book: Path, url: str, seconds: float, profile: str) -> None:
    """Run a session for so long; print what it took."""
    connected = threading.Event()
    session = Session(
        CaptureRequest(book, "larch", url), lambda: open_source(url), lambda _: connected.set()
    )
    threading.Timer(seconds + 1.0, session.stop).start()
    began: list[float] = []

    def note() -> None:
        connected.wait()
        time.sleep(1.0)
        began.extend([cpu_s(), time.monotonic()])

    threading.Thread(target=note).start()
    profiler = cProfile.Profile() if profile else None
    snapshot = profiler.runcall(session.run) if profiler else session.run()
    if profiler:
        profiler.dump_stats(profile)
    result = {"cpu_s": cpu_s() - began[0], "wall_s": time.monotonic() - began[1]}
    switches = resource.getrusage(resource.RUSAGE_SELF)
    result |= {"samples": snapshot.samples, "lost": snapshot.samples_lost}
    print(json.dumps(result | {"wakes": switches.ru_nvcsw}))


def processor_time(seconds: float, profile: str) -> None:
    """Print what a daemon takes at the rig's own pace."""
    with tempfile.TemporaryDirectory() as folder:
        book = make_book(Path(folder))
        with VirtualPort(pressing(seconds), pace=Pace.REAL, link=LinkKind.PTY) as port:
            command = [sys.executable, __file__, "--capture", str(book), port.url]
            command += ["--seconds", str(seconds), "--profile", profile]
            daemon = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
            port.start()
            told, _ = daemon.communicate()
    took = json.loads(told)
    share = took["cpu_s"] / took["wall_s"]
    print(f"load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    print(
        f"{took['samples']} samples in {took['wall_s']:.1f} s, {took['lost']} lost: "
        f"{60.0 * share:.2f} CPU s a minute, {100.0 * share:.2f} % of a core; "
        f"{took['wakes'] / took['wall_s']:.0f} waits a second"
    )


class Wire:
    """A port that has a tenth of a second of the rig's bytes at each look, on its own clock."""

    def __init__(self, hours: float) -> None:
        self.now_s = 0.0
        self._end_s = hours * 3600.0
        self._frames = pressing(self._end_s).frames()
        self._next_s = self._end_s / LOOKS
        self._given = True

    def clock(self) -> float:
        """Return the rig's time."""
        return self.now_s

    def read(self, _size: int) -> bytes:
        """Return what was sent since, then nothing."""
        self._given = not self._given
        if self._given:
            return b""
        if self.now_s >= self._end_s:
            raise SourceEnded("at its end", where="wire")
        said, until_s = b"", self.now_s + POLL_S
        while self.now_s < until_s:
            frame = next(self._frames)
            said, self.now_s = said + frame.data, max(self.now_s, frame.t_us * 1e-6)
        if self.now_s >= self._next_s:
            self._look()
        return said

    def _look(self) -> None:
        self._next_s += self._end_s / LOOKS
        gc.collect()
        pages = int(Path("/proc/self/statm").read_text().split()[1])
        held, _ = tracemalloc.get_traced_memory()
        resident_mb = pages * os.sysconf("SC_PAGE_SIZE") / 1e6
        print(f"{self.now_s / 60.0:8.1f} {resident_mb:12.1f} {held / 1e6:10.2f}", flush=True)

    def write(self, _line: bytes) -> None:
        """Take a request; the hello comes by itself."""

    def close(self) -> None:
        """Nothing to let go."""


def memory(hours: float) -> None:
    """Print what a session holds as the hours go by."""
    print(f"\nMemory over {hours:g} h, as fast as it goes")
    print(" minutes  resident MB  Python MB")
    reader_module.QUEUE_LENGTH = 4  # what waits there is no growth of the session's
    wire = Wire(hours)
    with tempfile.TemporaryDirectory() as folder:
        book = make_book(Path(folder))
        tracemalloc.start()
        sources: Iterator[SerialSource] = iter([SerialSource("wire", wire, clock=wire.clock)])
        request = CaptureRequest(book, "larch", "wire")
        session = Session(request, lambda: next(sources), lambda _: None, clock=wire.clock)
        snapshot = session.run()
        size_mb = book.stat().st_size / 1e6
    print(f"{snapshot.samples} samples, {snapshot.samples_lost} lost, book {size_mb:.0f} MB")


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description="Measure what a daemon takes.")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--hours", type=float, default=1.0)
    parser.add_argument("--profile", default="", help="write a cProfile of the session here")
    parser.add_argument("--capture", nargs=2, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.capture:
        capture(Path(given.capture[0]), given.capture[1], given.seconds, given.profile)
        return
    if given.seconds > 0.0:
        processor_time(given.seconds, given.profile)
    if given.hours > 0.0:
        memory(given.hours)


if __name__ == "__main__":
    main()
