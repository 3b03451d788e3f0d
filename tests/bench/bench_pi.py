"""What a Raspberry Pi's own pins can do, measured; prints tables, judges nothing.

    python tests/bench/bench_pi.py                  on any computer: what the software alone costs
    python tests/bench/bench_pi.py --pins pi: -s 60 on a Pi with the rig wired: rate and jitter

Without --pins nothing of the hardware is measured: pins that do nothing take the pulses, and edges
are fed to lgpio's own callback thread through its own FIFO. The figures are this computer's.
"""

from __future__ import annotations

import argparse
import logging
import os
import struct
import sys
import tempfile
import time
from importlib.util import find_spec
from pathlib import Path
from types import SimpleNamespace

import numpy as np

from coilbench.capture.blocks import Fault, RawBlock, SampleFlag, Tally
from coilbench.capture.sources import pi_rig as pi_hx711
from coilbench.capture.sources.pi import _hello
from coilbench.capture.sources.pi_pins import Board, Clock, Edges, PiSetup, Quadrature
from coilbench.capture.sources.pi_rig import Hx711, PiRig

WORDS = 2000
EDGES = 100_000


class TimedPins:
    """RPi.GPIO with the length of each clock pulse noted, from call to call."""

    def __init__(self, gpio):
        self._gpio, self._output = gpio, gpio.output
        self.high_ns = []
        self._rose_ns = 0

    def __getattr__(self, name):
        return getattr(self._gpio, name)

    def output(self, channel, value):
        if value:
            self._output(channel, value)
            self._rose_ns = time.perf_counter_ns()
        else:
            self._output(channel, value)
            self.high_ns.append(time.perf_counter_ns() - self._rose_ns)


class IdlePins:
    """Pins that do nothing: DOUT is low before a word and then every other bit.

    A word of 0 would not do: the driver alone takes it for a failure, and retries without end
    after a late gain pulse.
    """

    BCM, IN, OUT, PUD_UP = 11, 1, 0, 22

    def __init__(self):
        self._pulses = 0
        self._high = self._pulsed = False

    def setmode(self, _mode):
        pass

    def setup(self, *_args, **_options):
        pass

    def output(self, _channel, value):
        self._pulsed = value or self._high
        self._high = value
        self._pulses += value

    def input(self, _channel):
        return self._pulses & 1 if self._pulsed else 0


def spread(values, unit=1.0):
    """Median, 99th percentile and largest, in a unit."""
    at = np.percentile(np.asarray(values, dtype=float) / unit, [50, 99, 100])
    return f"{at[0]:8.2f} {at[1]:8.2f} {at[2]:8.2f}"


def timed(action, times):
    took_ns = []
    for _ in range(times):
        start_ns = time.perf_counter_ns()
        action()
        took_ns.append(time.perf_counter_ns() - start_ns)
    return took_ns


def bench_words():
    """The driver alone against the driver as the source uses it."""
    logging.getLogger().addHandler(logging.NullHandler())  # else the driver makes one that prints
    clock = Clock(sleep=lambda _seconds: None)
    pins = TimedPins(IdlePins())
    sys.modules["RPi"] = SimpleNamespace(GPIO=pins)
    sys.modules["RPi.GPIO"] = pins
    watched = Hx711(pins, PiSetup.parse("pi:"), clock, "pi:")
    spec = find_spec("hx711")
    bare = pi_hx711.module_from_spec(spec)
    spec.loader.exec_module(bare)
    bare.time = SimpleNamespace(sleep=clock.sleep, perf_counter=time.perf_counter)
    alone = bare.HX711(dout_pin=5, pd_sck_pin=6)
    print("a word of 24 bits, pins that do nothing        median   99 %   largest")
    took_alone = timed(lambda: alone._read(1), WORDS)
    print(f"  the driver hx711 alone, us                {spread(took_alone, 1e3)}")
    pins.high_ns.clear()
    took = timed(watched.read, WORDS)
    print(f"  with coilbench's watch over it, us        {spread(took, 1e3)}")
    ratio = np.median(took) / np.median(took_alone)
    print(f"  ratio of the medians                      {ratio:8.2f}")
    print(f"  clock high, us (the chip sleeps from 60)  {spread(pins.high_ns, 1e3)}")


def bench_decoder():
    lines = np.tile(np.array([0, 1], dtype=np.uint8), EDGES // 2)
    levels = np.tile(np.array([1, 1, 0, 0], dtype=np.uint8), EDGES // 4)
    for batch in (12, 120, EDGES):
        scale = Quadrature(0, 0)
        start = time.perf_counter()
        for i in range(0, EDGES, batch):
            scale.follow(lines[i : i + batch], levels[i : i + batch])
        assert (scale.count, scale.impossible_steps) == (EDGES, 0)
        rate = EDGES / (time.perf_counter() - start)
        print(f"  counting, {batch:6d} edges at a time, edges/s    {rate:12,.0f}")


def bench_callbacks():
    """Edges a second through lgpio's own Python thread, fed as its C half feeds it."""
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)  # lgpio makes its FIFO in the working directory
        import lgpio

        noted = []
        lgpio.callback(0, 17, lgpio.BOTH_EDGES, lambda _c, _g, level, t: noted.append((t, level)))
        report = struct.pack("QBBBBI", 1, 0, 17, 1, 0, 0)
        with Path(f".lgd-nfy{lgpio._notify_thread._notify}").open("wb", buffering=0) as fifo:
            start = time.perf_counter()
            for _ in range(EDGES // 64):
                fifo.write(report * 64)
            while len(noted) < EDGES // 64 * 64:
                time.sleep(0.001)
            rate = len(noted) / (time.perf_counter() - start)
        os.chdir("/")
    print(f"  lgpio callbacks, edges/s                     {rate:12,.0f}")


def bench_rig(url, seconds):
    setup, clock = PiSetup.parse(url), Clock()
    board = Board.open(url)
    pins = TimedPins(board.gpio)
    edges = None
    items = []
    try:
        for pin in (setup.a, setup.b):
            board.gpio.setup(pin, board.gpio.IN)
        adc = Hx711(pins, setup, clock, url)
        edges = Edges(board, setup, clock.now_ns)
        rig = PiRig(adc, edges, setup, clock, _hello(setup), url=url)
        end = time.monotonic() + seconds
        pins.high_ns.clear()
        while time.monotonic() < end:
            items += rig.look()
    finally:
        if edges is not None:
            edges.close()
        for pin in (setup.dout, setup.sck, setup.a, setup.b):
            board.gpio.cleanup(pin)
    report_rig(items, pins, seconds)


def report_rig(items, pins, seconds):
    blocks = [item.samples for item in items if isinstance(item, RawBlock)]
    if not blocks:
        print("no conversion came; see coilbench rig check")
        return
    samples = np.concatenate(blocks)
    interval_ms = np.diff(samples["t_us"]) / np.diff(samples["seq"]) / 1e3
    print(f"{seconds:g} s, {len(samples)} samples")
    print(f"  rate, samples/s                           {1e3 / np.median(interval_ms):8.2f}")
    print(f"  lost                                      {samples['seq'][-1] + 1 - len(samples):8d}")
    for flag in SampleFlag:
        print(f"  {flag.name:42s}{np.count_nonzero(samples['flags'] & flag):8d}")
    off_us = (interval_ms - np.median(interval_ms)) * 1e3
    print("                                              median   99 %   largest")
    print(f"  interval off its median, us               {spread(np.abs(off_us))}")
    print(f"  clock high, us (the chip sleeps from 60)  {spread(pins.high_ns, 1e3)}")
    steps = np.abs(np.diff(samples["travel_counts"])) / (np.diff(samples["t_us"]) * 1e-6)
    print(f"  travel, edges/s                           {spread(steps)}")
    impossible = max(
        (item.impossible_steps for item in items if isinstance(item, Tally)), default=0
    )
    faults = sum(isinstance(item, Fault) for item in items)
    print(f"  impossible steps                          {impossible:8d}")
    print(f"  faults said                               {faults:8d}")


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--pins", metavar="URL", help="the rig's address, like pi:dout=5,sck=6")
    parser.add_argument("-s", "--seconds", type=float, default=30.0)
    options = parser.parse_args()
    if options.pins is not None:
        bench_rig(options.pins, options.seconds)
        return
    print("Software alone, on this computer; no pin was touched.")
    bench_words()
    bench_decoder()
    if find_spec("lgpio") is None:
        print("  lgpio callbacks: not measured, lgpio is not installed")
    else:
        bench_callbacks()


if __name__ == "__main__":
    main()
