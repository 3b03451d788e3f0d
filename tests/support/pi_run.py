"""A rig on simulated pins, run without a thread; shared by the tests of the Pi's rig."""

import importlib
import importlib.util
import sys

import numpy as np
import pytest

from coilbench.capture.blocks import Hello, RawBlock, SampleFlag
from coilbench.capture.sources.pi_pins import Board, Clock, Edges, PiSetup
from coilbench.capture.sources.pi_rig import Hx711, PiRig
from support import hx711_chip as chip

needs_driver = pytest.mark.skipif(
    importlib.util.find_spec("hx711") is None,
    reason="the driver is not installed: pip install hx711",
)

MS = 1_000_000
UNFIT = int(SampleFlag.LOAD_SUSPECT | SampleFlag.LOAD_SATURATED)
HELLO = Hello(1, "test", "0" * 16, 7, 80.0, "quadrature", 5.0)


def ramp(ns):
    """A load that tells its moment."""
    return 20_000 + ns // 50_000


@pytest.fixture(params=["double", "rpi-lgpio"])
def installed(request, monkeypatch):
    """Put the stand-ins for the Pi's modules in place; call it with the pins."""

    def install(pins):
        put_in_place(monkeypatch, pins, request.param)
        return pins

    return install


def put_in_place(patch, pins, kind="double"):
    if kind == "rpi-lgpio" and importlib.util.find_spec("RPi") is None:
        pytest.skip("the real module is not installed: pip install rpi-lgpio")
    for name, module in chip.stand_ins(pins).items():
        patch.setitem(sys.modules, name, module)
    if kind == "rpi-lgpio":
        patch.setenv("RPI_LGPIO_REVISION", "c03111")  # a Pi 4
        patch.setenv("RPI_LGPIO_CHIP", "0")
        del sys.modules["RPi"], sys.modules["RPi.GPIO"]  # the real one, on the double of lgpio


class Run:
    """A rig on simulated pins, and what it said."""

    def __init__(self, pins, url="pi:"):
        self.pins, self.items = pins, []
        setup = PiSetup.parse(url)
        clock = Clock(lambda: pins.now_ns, pins.sleep)
        board = Board.open(url)
        for pin in (setup.a, setup.b):
            board.gpio.setup(pin, board.gpio.IN)
        self.adc = Hx711(board.gpio, setup, clock, url)
        self.edges = Edges(board, setup, clock.now_ns)
        self.began_ns = pins.now_ns
        self.rig = PiRig(self.adc, self.edges, setup, clock, HELLO, url=url)

    def go(self, seconds):
        until_ns = self.pins.now_ns + round(seconds * 1e9)
        while self.pins.now_ns < until_ns:
            self.items += self.rig.look()
        return self

    def ask(self, word, tag=0):
        self.rig.ask(tag, word)
        return self.go(0.001)

    def of(self, kind):
        return [item for item in self.items if isinstance(item, kind)]

    @property
    def samples(self):
        return np.concatenate([block.samples for block in self.of(RawBlock)])

    def conversion(self, sample):
        """The chip's conversion that a sample is of: the last one ready by its time."""
        t_ns = self.began_ns + int(sample["t_us"]) * 1000
        return [c for c in self.pins.chip.conversions if c[0] < t_ns + 1000][-1]


def assert_true(run, samples, gain):
    """Each sample without a flag on its load is a settled conversion, at its moment."""
    for sample in samples[(samples["flags"] & UNFIT) == 0]:
        ready_ns, counts, its_gain, filled = run.conversion(sample)
        assert int(sample["load_counts"]) == counts
        assert its_gain == gain
        assert filled > chip.FULL_FILTER
        assert abs(run.began_ns + int(sample["t_us"]) * 1000 - ready_ns) < 1000
