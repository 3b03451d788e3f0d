"""What a capture takes, measured; prints tables, judges nothing.

    python tests/bench/bench_capture.py [--seconds 8] [--times 1 10 100 1000]

Two processes, as in use: one sends a simulated rig's bytes over a socket in real time, at a
multiple of the HX711's fast rate, and never waits: what the port can't take is lost. The other is a
daemon's session, from the port into the book. The decoder alone runs against a plain Python parser
of the same lines and against numpy.loadtxt on the same numbers in decimal, without a checksum.
"""

from __future__ import annotations

import argparse
import io
import json
import os
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from runpy import run_path

import numpy as np
from msgspec.structs import replace

from coilbench.capture.book.opening import open_book
from coilbench.capture.running.request import CaptureRequest
from coilbench.capture.running.session import Session
from coilbench.capture.sources import open_source
from coilbench.capture.sources.base import SourceEnded
from coilbench.capture.virtual.bench import Bench, capture_steps
from coilbench.capture.virtual.firmware import Firmware
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.spring import OUTER, draw_set
from coilbench.capture.wire.decode import Decoder

TESTS = Path(__file__).parents[1]
RIG = RigModel.draw(4)
SEND_S = 0.005
CHUNK = 65_536


def wire_of(seconds: float, times: float) -> bytes:
    """Return what the rig sends at a multiple of its rate, pressing springs for that long."""
    rig = replace(RIG, rate_hz=times * RIG.rate_hz, jitter_us=RIG.jitter_us / times)
    steps = capture_steps(draw_set(OUTER, 1, 4), presses=1 + round(seconds / 4.0))
    said, end_us = [], seconds * 1e6
    for frame in Firmware(rig, Bench(rig, steps, 4).blocks()).frames():
        if frame.t_us > end_us:
            break
        said.append(frame.data)
    return b"".join(said)


# --- the two processes ----------------------------------------------------------------------------


def serve(wire: Path, bytes_per_s: float) -> None:
    """Send the wire in real time to the first who asks; print how many bytes were lost."""
    data = wire.read_bytes()
    listener = socket.create_server(("127.0.0.1", 0))
    print(listener.getsockname()[1], flush=True)
    port, _ = listener.accept()
    port.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    port.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, CHUNK)
    port.recv(100)  # it has opened the port and asks who is there
    port.setblocking(False)
    begun_s, at, lost = time.monotonic(), 0, 0
    while at < len(data):
        due = min(len(data), int(bytes_per_s * (time.monotonic() - begun_s)))
        while at < due:
            try:
                at += port.send(data[at:due])
            except BlockingIOError:
                lost += due - at
                at = due
        time.sleep(SEND_S)
    port.setblocking(True)
    port.shutdown(socket.SHUT_WR)
    while port.recv(100):
        pass
    print(lost, flush=True)


def peak_mb() -> float:
    """Return the most memory this process has held (of a child, `ru_maxrss` is its parent's)."""
    status = Path("/proc/self/status").read_text()
    return int(status.partition("VmHWM:")[2].split()[0]) / 1024


def capture(book: Path, url: str) -> None:
    """Run a session until the rig hangs up; print what it took."""
    opened = []

    def open_again():
        if opened:
            raise SourceEnded("the rig has hung up", where=url)
        opened.append(open_source(url))
        return opened[0]

    began = []

    def hear(_event):
        if not began:  # connected: what starting up takes is another matter
            began.extend([time.process_time(), time.monotonic(), peak_mb()])

    snapshot = Session(CaptureRequest(book, "larch", url), open_again, hear).run()
    cpu_s, begun_s, peak_before_mb = began
    result = {
        "samples": snapshot.samples,
        "lost": snapshot.samples_lost,
        "lines_bad": snapshot.lines_bad,
        "cpu_s": time.process_time() - cpu_s,
        "wall_s": time.monotonic() - begun_s,
        "peak_mb": peak_mb(),
        "peak_before_mb": peak_before_mb,
    }
    with open_book(book) as db:
        result["strokes"] = db.execute("SELECT count(*) FROM sweeps").fetchone()[0]
    print(json.dumps(result))


def run_capture(folder: Path, seconds: float, times: float) -> dict[str, float]:
    """Run both processes at a multiple of the rate."""
    wire = folder / "rig.wire"
    wire.write_bytes(wire_of(seconds, times))
    make_book = run_path(str(TESTS / "support" / "capture_books.py"))["book_maker"](folder)
    book = make_book(RIG, springs=1, conditioning=0, measured=1000, name=f"x{times:g}.db")
    me = [sys.executable, __file__]
    bytes_per_s = len(wire.read_bytes()) / seconds
    sender = subprocess.Popen(
        [*me, "--serve", str(wire), str(bytes_per_s)], stdout=subprocess.PIPE, text=True
    )
    with sender:
        url = f"socket://127.0.0.1:{sender.stdout.readline().strip()}"
        taken = subprocess.run(
            [*me, "--capture", str(book), url], stdout=subprocess.PIPE, text=True, check=True
        )
        lost_bytes = int(sender.stdout.readline())
    return json.loads(taken.stdout) | {"lost_bytes": lost_bytes}


# --- the tables -----------------------------------------------------------------------------------


def sustained(seconds: float, all_times: list[float]) -> None:
    """Print what a capture takes at multiples of the HX711's rate."""
    print(f"\nSustained capture, {seconds:g} s each, from the port into the book")
    print("times  samples/s   samples     lost  strokes  CPU us/sample   CPU %  peak MB (at start)")
    for times in all_times:
        with tempfile.TemporaryDirectory() as folder:
            took = run_capture(Path(folder), seconds, times)
        print(
            f"{times:5g} {took['samples'] / seconds:10.0f} {took['samples']:9d} {took['lost']:8d} "
            f"{took['strokes']:8d} {1e6 * took['cpu_s'] / max(1, took['samples']):14.1f} "
            f"{100 * took['cpu_s'] / took['wall_s']:7.1f} {took['peak_mb']:8.1f} "
            f"({took['peak_before_mb']:.1f})"
        )


def rate_of(lines: int, work: Callable[[], object]) -> float:
    """Return lines a second, the best of three runs, by this process's own CPU time."""
    best = float("inf")
    for _ in range(3):
        begun_s = time.process_time()
        work()
        best = min(best, time.process_time() - begun_s)
    return lines / best


LINES_A_CALL = (1, 2, 8, 32, 48, 64, 100, 1560)  # 8: what a rig at 80 a second brings in 0.1 s


def decoding() -> None:
    """Print the decoder's speed against a plain parser, both in the same pieces."""
    plain_samples = run_path(str(TESTS / "fuzz" / "plain_parser.py"))["plain_samples"]
    every = [line for line in wire_of(20.0, 100.0).splitlines(keepends=True) if line[:1] == b"S"]
    wire = b"".join(every)

    def read_in(size: int, reads: Callable[[bytes], list]) -> None:
        for at in range(0, len(wire), size):  # each piece's answer is dropped, as when it is stored
            reads(wire[at : at + size])

    samples = np.concatenate([block.samples for block in Decoder().feed(wire)])
    read = plain_samples(wire)
    assert [int(load) for load in samples["load_counts"]] == [line[2] for line in read]
    decimal = "\n".join(" ".join(map(str, line)) for line in read)
    count = len(samples)
    print(f"\nDecoding {count} sample lines, the same process; a plain parser has a table CRC")
    print("lines a call    decoder, lines/s   plain parser, lines/s    times")
    for lines in LINES_A_CALL:
        size = lines * len(every[0])
        ours = rate_of(count, lambda size=size: read_in(size, Decoder().feed))
        plain = rate_of(count, lambda size=size: read_in(size, plain_samples))
        print(f"{lines:12d} {ours:19.0f} {plain:23.0f} {ours / plain:8.2f}")
    checked = rate_of(count, lambda: np.loadtxt(io.StringIO(decimal), dtype=np.int64))
    print(f"numpy.loadtxt, the same in decimal, no checksum: {checked:.0f} lines/s")


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description="Measure what a capture takes.")
    parser.add_argument("--seconds", type=float, default=8.0)
    parser.add_argument("--times", type=float, nargs="+", default=[1.0, 10.0, 100.0, 1000.0])
    parser.add_argument("--serve", nargs=2, help=argparse.SUPPRESS)
    parser.add_argument("--capture", nargs=2, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.serve:
        serve(Path(arguments.serve[0]), float(arguments.serve[1]))
    elif arguments.capture:
        capture(Path(arguments.capture[0]), arguments.capture[1])
    else:
        print(f"load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
        decoding()
        sustained(arguments.seconds, arguments.times)


if __name__ == "__main__":
    main()
