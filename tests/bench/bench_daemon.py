"""What a daemon takes of the machine while a spring is pressed; prints figures, judges nothing.

    python tests/bench/bench_daemon.py [--seconds 60] [--hours 1] [--watched] [--profile FILE]

Processor time: the daemon's session runs in a process of its own on a pseudo-terminal, at whose
other end this process plays a rig at 80 samples a second, real time, pressing spring after spring.
Counted is user and system time of that process alone (getrusage), from a second after the
connection to the end: loading the program is not counted. With --watched a `coilbench live` of
80 x 24 characters on another pseudo-terminal looks on, and what it takes is counted the same way.

Memory: the same session code takes hours of wire bytes faster than real time, on a clock of its
own; looked at each tenth: resident pages (/proc/self/statm), and what Python holds after a
collection (sys.getallocatedblocks).
"""

from __future__ import annotations

import argparse
import cProfile
import gc
import json
import os
import pty
import resource
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from runpy import run_path

from msgspec.structs import replace

from coilbench.analysis.__main__ import _MADE_BETWEEN_LOOKS
from coilbench.capture.running import reader as reader_module
from coilbench.capture.running.request import CaptureRequest
from coilbench.capture.running.session import Session
from coilbench.capture.sources import open_source
from coilbench.capture.sources.base import SourceEnded
from coilbench.capture.sources.serial_port import SerialSource
from coilbench.capture.virtual.bench import Bench, capture_steps
from coilbench.capture.virtual.firmware import Firmware
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.port import LinkKind, Pace, VirtualPort
from coilbench.capture.virtual.spring import OUTER, draw_set

TESTS = Path(__file__).parents[1]
RIG = replace(RigModel.draw(4), rate_hz=80.0)
SPRINGS, STROKES = 16, 5
PRESS_S = 3.0  # at most that a hand takes for a press and the change of springs
POLL_S = 0.25  # as a serial port is read
LOOKS = 10
LOADED_S = 4.0  # by then another program is loaded


def pressing(seconds: float) -> Firmware:
    """Return the rig, pressing for at least so long."""
    steps = capture_steps(draw_set(OUTER, 1, 4), presses=1 + round(seconds / PRESS_S))
    # as a real rig sends: each sample when it is there
    return Firmware(RIG, Bench(RIG, steps, 4).blocks(endless=True), frame_samples=1)


def make_book(folder: Path, springs: int = SPRINGS) -> Path:
    """Return a book with a set of so many springs: each is worked once and read five times."""
    maker = run_path(str(TESTS / "support" / "capture_books.py"))["book_maker"](folder)
    return maker(RIG, springs=springs, conditioning=1, measured=STROKES)


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
    ending = threading.Timer(seconds + 1.0, session.stop)
    ending.daemon = True  # an error does not wait for it
    ending.start()
    began: list[float] = []

    def note() -> None:
        connected.wait()
        time.sleep(1.0)
        began.extend([cpu_s(), time.monotonic()])

    threading.Thread(target=note, daemon=True).start()
    profiler = cProfile.Profile() if profile else None
    snapshot = profiler.runcall(session.run) if profiler else session.run()
    if profiler:
        profiler.dump_stats(profile)
    result = {"cpu_s": cpu_s() - began[0], "wall_s": time.monotonic() - began[1]}
    switches = resource.getrusage(resource.RUSAGE_SELF)
    result |= {"samples": snapshot.samples, "lost": snapshot.samples_lost}
    print(json.dumps(result | {"wakes": switches.ru_nvcsw}))


def cpu_of(pid: int) -> float:
    """Return another process's user and system time (proc(5), stat: fields 14 and 15)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def watch(book: Path, seconds: float) -> float:
    """Look on with a `coilbench live` for about so long; returns its share of a core."""
    terminal, end = pty.openpty()
    size = {"COLUMNS": "80", "LINES": "24", "TERM": "xterm-256color"}
    command = "from coilbench.analysis.cli import main; main()"
    looking = subprocess.Popen(
        [sys.executable, "-c", command, "--book", str(book), "live"],
        stdin=end, stdout=end, stderr=end, env=os.environ | size, start_new_session=True,
    )  # fmt: skip
    threading.Thread(target=_drain, args=(terminal,), daemon=True).start()
    time.sleep(LOADED_S)
    began_s, at_s = cpu_of(looking.pid), time.monotonic()
    time.sleep(max(1.0, seconds - LOADED_S - 1.0))
    share = (cpu_of(looking.pid) - began_s) / (time.monotonic() - at_s)
    looking.kill()
    looking.wait()
    return share


def _drain(terminal: int) -> None:
    with suppress(OSError):
        while os.read(terminal, 65_536):
            pass


def processor_time(seconds: float, profile: str, *, watched: bool) -> None:
    """Print what a daemon takes at the rig's own pace."""
    with tempfile.TemporaryDirectory() as folder:
        book = make_book(Path(folder))
        with VirtualPort(pressing(seconds), pace=Pace.REAL, link=LinkKind.PTY) as port:
            command = [sys.executable, __file__, "--capture", str(book), port.url]
            command += ["--seconds", str(seconds), "--profile", profile]
            daemon = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
            port.start()
            if watched:
                time.sleep(1.0)
                share = watch(book, seconds - 1.0)
                print(f"the live that looks on: {100.0 * share:.2f} % of a core")
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
        resident_mb = pages * os.sysconf("SC_PAGE_SIZE") / 1e6
        print(
            f"{self.now_s / 60.0:8.1f} {resident_mb:12.1f} {sys.getallocatedblocks():10}",
            flush=True,
        )

    def write(self, _line: bytes) -> None:
        """Take a request; the hello comes by itself."""

    def close(self) -> None:
        """Nothing to let go."""


def memory(hours: float) -> None:
    """Print what a session holds as the hours go by."""
    print(f"\nMemory over {hours:g} h, as fast as it goes")
    print(" minutes  resident MB    objects")
    reader_module.QUEUE_LENGTH = 4  # what waits there is no growth of the session's
    wire = Wire(hours)
    with tempfile.TemporaryDirectory() as folder:
        book = make_book(Path(folder), springs=round(hours * 3600.0 / PRESS_S / (1 + STROKES)))
        sources: Iterator[SerialSource] = iter([SerialSource("wire", wire, clock=wire.clock)])
        request = CaptureRequest(book, "larch", "wire")
        session = Session(request, lambda: next(sources), lambda _: None, clock=wire.clock)
        snapshot = session.run()
        size_mb = book.stat().st_size / 1e6
    print(f"{snapshot.samples} samples, {snapshot.samples_lost} lost, book {size_mb:.0f} MB")


def main() -> None:
    """Print the figures."""
    gc.set_threshold(_MADE_BETWEEN_LOOKS)  # as the program does
    parser = argparse.ArgumentParser(description="Measure what a daemon takes.")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--hours", type=float, default=1.0)
    parser.add_argument("--watched", action="store_true", help="a live looks on")
    parser.add_argument("--profile", default="", help="write a cProfile of the session here")
    parser.add_argument("--capture", nargs=2, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.capture:
        capture(Path(given.capture[0]), given.capture[1], given.seconds, given.profile)
        return
    if given.seconds > 0.0:
        processor_time(given.seconds, given.profile, watched=given.watched)
    if given.hours > 0.0:
        memory(given.hours)


if __name__ == "__main__":
    main()
