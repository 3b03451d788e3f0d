"""The HX711 on two pins, read by the driver `hx711`, one word at a time.

The driver makes the pulses and puts the bits together. Left to itself it would drop saturated
words and true zeros, average nothing less than two words, and wait for ever for a dead chip; it
also logs by the root logger, which would write into a terminal screen. So a copy of its module,
ours alone, is given pins that remember the word, a clock, a logger of its own, and a way out of
its only endless loop. What it calls "False" is then told apart here: late, or saturated.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from importlib.util import find_spec, module_from_spec
from types import ModuleType, SimpleNamespace
from typing import Any

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources.adc_watch import signed_word
from coilbench.capture.sources.pi_address import PiSetup
from coilbench.capture.sources.pi_board import Clock

WORD_BITS = 24


@dataclass(frozen=True)
class Word:
    """One reading of the chip.

    Attributes:
        counts: the signed word; None where a pulse of it came too late to go on.
        confirmed: DOUT went high after it, as a chip that took all pulses makes it.
        late: a pulse was longer than 60 us: the chip may have powered down.
    """

    counts: int | None
    confirmed: bool
    late: bool


class WatchedPins:
    """RPi.GPIO as the driver sees it; remembers the bits that it reads.

    Args:
        gpio: the module RPi.GPIO.
        dout: the chip's data pin.
        sck: its clock pin.
    """

    def __init__(self, gpio: Any, dout: int, sck: int) -> None:
        self.BCM, self.IN, self.OUT = gpio.BCM, gpio.IN, gpio.OUT
        self.setmode = gpio.setmode
        self._gpio = gpio
        self._input, self._output = gpio.input, gpio.output
        self._dout, self._sck = dout, sck
        self.forget()

    def forget(self) -> None:
        """Begin a word."""
        self.bits = 0
        self.bits_read = 0
        self._pulsed = False

    def setup(self, channel: int, direction: int) -> None:
        """Set a pin's direction; DOUT is pulled up, so that a missing chip is never ready."""
        if direction == self.IN:
            self._gpio.setup(channel, direction, pull_up_down=self._gpio.PUD_UP)
        else:
            self._gpio.setup(channel, direction)

    def output(self, channel: int, value: bool) -> None:
        """Set the clock; nothing else is done while it is high."""
        if value:
            self._pulsed = True
        self._output(channel, value)

    def input(self, channel: int) -> int:
        """Read DOUT."""
        level = int(self._input(channel))
        if self._pulsed and self.bits_read < WORD_BITS:
            self.bits = self.bits << 1 | level
            self.bits_read += 1
        return level


class Hx711:
    """The chip.

    Args:
        gpio: the module RPi.GPIO, its mode set.
        setup: pins and gain.
        clock: for the driver's waits and its timing of pulses.
        url: for messages.

    Raises:
        CoilbenchError: the driver is missing or another package of its name.
    """

    def __init__(self, gpio: Any, setup: PiSetup, clock: Clock, url: str) -> None:
        self._pins = WatchedPins(gpio, setup.dout, setup.sck)
        self._read_level = gpio.input
        self._dout = setup.dout
        self._late = False
        driver = self._own_driver(clock, url)
        self._chip = driver.HX711(  # reads twice, to set channel and gain: about a second
            dout_pin=setup.dout,
            pd_sck_pin=setup.sck,
            channel="B" if setup.gain == 32 else "A",
            gain=setup.gain,
        )
        self.restart()

    def ready(self) -> bool:
        """Whether a conversion waits to be read."""
        return not self._read_level(self._dout)

    def read(self) -> Word:
        """Read the conversion that waits, and choose the gain of the next."""
        self._late = False
        self._pins.forget()
        value = self._chip._read(max_tries=1)
        whole = self._pins.bits_read == WORD_BITS
        if value is False and whole:  # the driver refuses the two ends of the range
            value = signed_word(self._pins.bits)
        return Word(int(value) if whole else None, not self.ready(), self._late or not whole)

    def restart(self) -> None:
        """Power the chip down and up again: it forgets its gain, and its filter must fill."""
        self._chip.power_down()
        self._chip.power_up()

    def _own_driver(self, clock: Clock, url: str) -> ModuleType:
        """Return a copy of the driver's module that concerns nobody else."""
        spec = find_spec("hx711")
        if spec is None or spec.loader is None:
            raise CoilbenchError(
                "the Python module 'hx711' is missing",
                where=url,
                mend="On the Pi: pip install 'coilbench[pi]'",
            )
        driver = module_from_spec(spec)
        spec.loader.exec_module(driver)
        if not hasattr(getattr(driver, "HX711", None), "_apply_setting"):
            raise CoilbenchError(
                "the module 'hx711' is another package of that name",
                where=url,
                mend="pip uninstall it, then: pip install hx711",
            )
        logger = logging.getLogger("coilbench.hx711")
        if not logger.handlers:
            logger.addHandler(logging.NullHandler())
        replaced = {
            "GPIO": self._pins,
            "logging": logger,
            "time": SimpleNamespace(sleep=clock.sleep, perf_counter=lambda: clock.now_ns() * 1e-9),
        }
        vars(driver).update(replaced)
        driver.HX711.get_raw_data = self._pulse_was_late
        return driver

    def _pulse_was_late(self, times: int = 0) -> list[int]:
        """Stand in for the driver's reading on after a late gain pulse, which may never end."""
        self._late = True
        return []
