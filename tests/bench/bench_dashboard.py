"""How late the dashboard is: from a sample's arrival to the frame that shows it; drawing time.

    python tests/bench/bench_dashboard.py [-s SECONDS]

A capture of the simulated rig at real pace, its dashboard drawn as `live` draws it, both in this
process, so that one monotonic clock times both ends; then the same through the control channel,
as an attached dashboard sees it. "Arrival" is when the source hands the samples to the reader,
"shown" when the frame's characters have been handed to the terminal: the cable, the kernel and
the terminal's own drawing are not in it. Nothing is judged by the clock: it prints.
"""

from __future__ import annotations

import argparse
import io
import tempfile
import time
from contextlib import contextmanager
from pathlib import Path

import click
import numpy as np
from rich.console import Console

from coilbench.analysis.cli.demo import Demo
from coilbench.analysis.cli.live import REDRAW_S, OtherCapture, OwnCapture, Screen
from coilbench.analysis.cli.settings import Settings
from coilbench.analysis.dashboard.frame import frame
from coilbench.analysis.report.units import Units
from coilbench.capture.blocks import RawBlock
from coilbench.capture.book.opening import open_book
from coilbench.capture.book.sets import SetPlan, labels_for, new_set
from coilbench.capture.running.request import CaptureRequest
from coilbench.capture.running.session import Session
from coilbench.capture.sources import open_source
from demo_scene import SCENE


class Timed:
    """A source that notes when samples arrived: (s, samples so far)."""

    def __init__(self, source, arrivals) -> None:
        self._source = source
        self._arrivals = arrivals

    def __getattr__(self, name):
        return getattr(self._source, name)

    def poll(self, timeout_s):
        items = self._source.poll(timeout_s)
        count = sum(len(item) for item in items if isinstance(item, RawBlock))
        if count:
            before = self._arrivals[-1][1] if self._arrivals else 0
            self._arrivals.append((time.monotonic(), before + count))
        return items

    def __enter__(self):
        self._source.__enter__()
        return self

    def __exit__(self, *error):
        return self._source.__exit__(*error)


class Glass(io.StringIO):
    """A terminal that notes when each frame was handed to it, and the samples it knew of."""

    def __init__(self) -> None:
        super().__init__()
        self.samples = 0
        self.shown: list[tuple[float, int]] = []

    def write(self, text: str) -> int:
        if len(text) > 500:  # a frame, not a cursor movement
            self.shown.append((time.monotonic(), self.samples))
        return len(text)


class Watched:
    """A feed that tells the glass what the next frame is drawn from, and ends after a while."""

    def __init__(self, feed, glass: Glass, seconds: float) -> None:
        self.own = True
        self.tell = feed.tell
        self._feed = feed
        self._glass = glass
        self._end_s = time.monotonic() + seconds

    def see(self):
        snapshot = self._feed.see()
        if snapshot is None or time.monotonic() > self._end_s:
            return None
        self._glass.samples = snapshot.samples
        return snapshot


def delays_s(arrivals, shown) -> np.ndarray:
    """Return for each arrival how long until a frame knew of it."""
    at_s = np.array([s for s, _ in shown])
    known = np.maximum.accumulate([count for _, count in shown])
    late = []
    for arrived_s, count in arrivals:
        first = int(np.searchsorted(known, count))
        if first < len(known):
            late.append(at_s[first] - arrived_s)
    return np.array(late)


@contextmanager
def capture(folder: Path, name: str, arrivals):
    book = folder / "bench.db"
    if not book.exists():
        Demo(book, 1).calibrate(lambda _: None)
    with open_book(book) as db:
        new_set(db, SetPlan(name, "outer", labels_for(name, 12), solid_height_mm=24.0))
    url = "virtual:?seed=1&tired=1"
    request = CaptureRequest(book, name, url)
    session = Session(request, lambda: Timed(open_source(url), arrivals), lambda _: None)
    own = OwnCapture(session)
    try:
        while own.see().samples == 0:
            time.sleep(0.05)
        yield book, own
    finally:
        own.end()


def watch(book: Path, feed, seconds: float, width: int, height: int) -> Glass:
    glass = Glass()
    out = Console(file=glass, width=width, height=height, force_terminal=True)
    screen = Screen(out, (38.5, 27.6), Units(), ring=False)
    context = click.Context(click.Command("live"), obj=Settings(book, Units()))
    with context:
        screen.show(Watched(feed, glass, seconds), once=False)
    return glass


def report(name: str, late_s: np.ndarray, frames: int, seconds: float) -> None:
    if late_s.size == 0:
        print(f"{name:<44} no sample was shown")
        return
    middle, most, worst = np.percentile(late_s, [50, 95, 100]) * 1e3
    print(
        f"{name:<44} {middle:6.0f} ms median {most:6.0f} ms in 95 % {worst:6.0f} ms worst"
        f"   {middle / REDRAW_S / 1e3:.2f} of a redraw   {frames / seconds:.1f} frames/s"
    )


def drawing(width: int, height: int, repeat: int = 40) -> float:
    """Return the time to make and write one frame, ms."""
    out = Console(file=io.StringIO(), width=width, height=height, force_terminal=True)
    best = np.inf
    for _ in range(5):
        begun = time.perf_counter()
        for _ in range(repeat // 5):
            out.print(frame(SCENE, width=width, height=height, ascii_only=False))
        best = min(best, (time.perf_counter() - begun) / (repeat // 5))
    return best * 1e3


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("-s", "--seconds", type=float, default=15.0)
    seconds = parser.parse_args().seconds
    for width, height in ((80, 24), (200, 60)):
        ms = drawing(width, height)
        share = ms / REDRAW_S / 1e3
        print(f"drawing a frame of {width}x{height:<3} {ms:7.2f} ms   {share:.1%} of a redraw")
    print(f"a redraw each {REDRAW_S * 1e3:.0f} ms at most: no median can be under 0.50 of one")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for kind in ("own capture", "attached, through the control channel"):
            arrivals: list[tuple[float, int]] = []
            with capture(folder, kind.split()[0].rstrip(","), arrivals) as (book, own):
                feed = own if kind == "own capture" else OtherCapture(book)
                begun_s = time.monotonic()
                glass = watch(book, feed, seconds, 80, 24)
                end_s = time.monotonic()
            inside = [one for one in arrivals if begun_s + 1.0 <= one[0] <= end_s - 1.0]
            report(kind, delays_s(inside, glass.shown), len(glass.shown), seconds)


if __name__ == "__main__":
    main()
