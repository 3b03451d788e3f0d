"""A rig on a Raspberry Pi's pins, polled: does here what the firmware does elsewhere.

The driver `hx711` makes the pulses and puts the bits together, one word at a time. Left to itself
it would drop saturated words and true zeros, average at least two words, and wait without end for a
dead chip; it also logs by the root logger, which would write into a terminal screen. So a private
copy of its module is given pins that remember the word, a clock, a logger of its own, and a way out
of its only endless loop. What it calls "False" is then told apart here: late, or saturated.

No thread and no queue here; the clock is given. A conversion is handed on when the next one has
come: only then is it known whether it stood out from both its neighbours, and are the edges that
came before it sure to have been told.
"""

from __future__ import annotations

import logging
from collections import deque
from importlib.util import find_spec, module_from_spec
from types import ModuleType, SimpleNamespace
from typing import Any

import msgspec
import numpy as np

from coilbench.capture.blocks import (
    RAW_DTYPE,
    Answer,
    Fault,
    FaultCode,
    Hello,
    Item,
    RawBlock,
    SampleFlag,
    Tally,
)
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources.losses import SourceLost
from coilbench.capture.sources.pi_pins import Clock, Edges, PiSetup
from coilbench.capture.sources.pi_signals import SETTLING, AdcWatch, MissedConversions

WORD_BITS = 24


class FaultState:
    """One fault: raised, said again each second while it stands, cleared."""

    def __init__(self, code: int, boot_id: int) -> None:
        self._code = code
        self._boot_id = boot_id
        self._count = 0
        self.standing = False

    def raised(self, t_us: int) -> Fault:
        """Return what to say of it now that it is seen (again)."""
        if not self.standing:
            self.standing = True
            self._count += 1
        return self._message(t_us)

    def cleared(self, t_us: int) -> Fault | None:
        """Return what to say now that it is gone; None where it did not stand."""
        if not self.standing:
            return None
        self.standing = False
        return self._message(t_us)

    def _message(self, t_us: int) -> Fault:
        return Fault(self._boot_id, t_us, self._code, self.standing, self._count)


class Word(msgspec.Struct, frozen=True):
    """One reading of the chip."""

    counts: int | None  # signed; None where a pulse of it came too late to go on
    confirmed: bool  # DOUT went high after it, as a chip that took all pulses makes it
    late: bool  # a pulse was longer than 60 us: the chip may have powered down


class WatchedPins:
    """The module RPi.GPIO as the driver sees it; remembers the bits that it reads."""

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

    @property
    def word(self) -> int:
        """The bits as the two's complement number they are."""
        return self.bits - (1 << WORD_BITS) if self.bits >> (WORD_BITS - 1) else self.bits

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
        clock: for the driver's waits and its timing of pulses.

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
            value = self._pins.word
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
                hint="On the Pi, in the folder of coilbench: pip install '.[pi]'",
            )
        driver = module_from_spec(spec)
        spec.loader.exec_module(driver)
        if not hasattr(getattr(driver, "HX711", None), "_apply_setting"):
            raise CoilbenchError(
                "the module 'hx711' is another package of that name",
                where=url,
                hint="pip uninstall it, then: pip install hx711",
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


FIRMWARE = "coilbench-pi-0.1.0"
SILENT_NS = 500_000_000  # no sound conversion for so long is a fault
WAKE_NS = 1_000_000_000  # after a start of the chip: more than its 400 ms at 10 samples a second
SECOND_NS = 1_000_000_000
LATE_NS = 2_000_000  # a moment known no better than this is not the travel's moment
NAP_S = 0.0005  # between looks at DOUT
LATE_WORDS = 20  # in a row, and this computer is too slow
_REST = 0.6  # of the nominal period, after a conversion: none can be ready before
_TORN = 0.8  # of the nominal period: a word read until then may be torn by the next conversion


class _Conversion(msgspec.Struct, frozen=True):
    """A conversion that waits for its successor."""

    high_ns: int  # DOUT was last seen high
    low_ns: int  # first seen low
    counts: int
    flags: SampleFlag


class PiRig:
    """Turns looks at the pins into items.

    Args:
        clock: what the edges' times are of, too.
        hello: who this is; its boot_id names the blocks.

    Attributes:
        samples_dropped: how many samples its user had no room for; its user counts them here.
    """

    def __init__(
        self, adc: Hx711, edges: Edges, setup: PiSetup, clock: Clock, hello: Hello, *, url: str
    ) -> None:
        self.samples_dropped = 0
        self._url = url
        self._adc, self._edges, self._clock, self._hello = adc, edges, clock, hello
        self._period_ns = round(SECOND_NS / setup.sps)
        # A start leaves the chip at gain 128: another is chosen by the first word after it.
        self._watch = AdcWatch(SETTLING if setup.gain == 128 else SETTLING + 1)
        self._missed = MissedConversions(self._period_ns)
        self._silent = FaultState(FaultCode.ADC_SILENT, hello.boot_id)
        self._stuck = FaultState(FaultCode.ADC_STUCK, hello.boot_id)
        self._asked: deque[tuple[int, str]] = deque()  # filled by the source's user
        self._held: _Conversion | None = None
        self._before: int | None = None  # counts of the conversion before the held one
        self._streaming = True
        self._latched = False
        self._seq = self._offered = self._refused = 0
        self._zero = 0
        self._impossible_told = self._dropped_told = 0
        self._sound = True  # the last word
        self._late_words = 0  # in a row
        self._began_ns = self._high_ns = self._rest_until_ns = clock.now_ns()
        self._silent_at_ns = self._began_ns + WAKE_NS
        self._tally_at_ns = self._began_ns + SECOND_NS

    def ask(self, tag: int, word: str) -> None:
        """Take a request; a later look answers it. May be called from another thread."""
        self._asked.append((tag, word))

    def look(self) -> list[Item]:
        """Look at the pins once, or rest, and return what is to be said.

        Takes at most about one period of the ADC, 20 ms more where the chip is started again.

        Raises:
            SourceLost: this computer is too slow for the chip.
        """
        items: list[Item] = []
        while self._asked:
            items += self._answer(*self._asked.popleft())
        now_ns = self._clock.now_ns()
        if now_ns < self._rest_until_ns:
            self._clock.sleep((self._rest_until_ns - now_ns) * 1e-9)
        elif self._adc.ready():
            items += self._read_conversion(self._clock.now_ns())
        else:
            self._high_ns = now_ns
            self._clock.sleep(NAP_S)
        return items + self._due(self._clock.now_ns())

    def _read_conversion(self, low_ns: int) -> list[Item]:
        high_ns = self._high_ns
        word = self._adc.read()
        self._high_ns = self._clock.now_ns()
        self._rest_until_ns = low_ns + round(_REST * self._period_ns)
        items: list[Item] = []
        if word.confirmed and word.counts is not None:
            items += self._adc_works()
        if word.counts is not None:
            torn = self._high_ns - high_ns >= _TORN * self._period_ns
            flags = self._watch.judge(word.counts, sound=word.confirmed and not torn)
            if flags is not None and self._streaming:
                items += self._finish(word.counts)
                self._held = _Conversion(high_ns, low_ns, word.counts, flags)
        if word.late or not word.confirmed:
            self._spoil(late=word.late)
        else:
            self._sound, self._late_words = True, 0
        return items

    def _finish(self, after: int | None) -> list[Item]:
        """Hand on the conversion that waited; after: its successor's counts, where known."""
        held, self._held = self._held, None
        if held is None:
            return []
        flags = held.flags
        ready_ns = self._edges.ready_between(held.high_ns, held.low_ns)
        if ready_ns is None:
            ready_ns = held.low_ns
            if held.low_ns - held.high_ns > LATE_NS:
                flags |= SampleFlag.TRAVEL_SUSPECT
        before, self._before = self._before, held.counts
        if self._watch.stands_out(before, held.counts, after):
            flags |= SampleFlag.LOAD_SUSPECT
        travel = self._edges.travel_at(ready_ns) - self._zero
        flags |= self._told_once()
        self._seq += self._missed.before(ready_ns)
        sample = (self._seq, self._t_us(ready_ns), held.counts, travel, int(flags))
        self._seq += 1
        self._offered += 1
        return [RawBlock(np.array([sample], dtype=RAW_DTYPE), self._hello.boot_id)]

    def _told_once(self) -> SampleFlag:
        flags = SampleFlag.FAULT_LATCHED if self._latched else SampleFlag(0)
        if self._edges.impossible_steps != self._impossible_told:
            self._impossible_told = self._edges.impossible_steps
            flags |= SampleFlag.TRAVEL_SUSPECT
        if self.samples_dropped != self._dropped_told:
            self._dropped_told = self.samples_dropped
            flags |= SampleFlag.QUEUE_OVERRUN
        return flags

    def _adc_works(self) -> list[Item]:
        self._silent_at_ns = self._high_ns + SILENT_NS
        t_us = self._t_us(self._high_ns)
        cleared = (self._silent.cleared(t_us), self._stuck.cleared(t_us))
        return [fault for fault in cleared if fault is not None]

    def _spoil(self, *, late: bool) -> None:
        """Start the chip again after a word that left it in doubt."""
        self._restart()
        if self._sound:  # once only: else a chip that never recovers is never called a fault
            self._silent_at_ns = self._clock.now_ns() + WAKE_NS
        self._sound = False
        self._late_words = self._late_words + 1 if late else 0
        if self._late_words >= LATE_WORDS:
            raise SourceLost("pi_too_slow", where=self._url, words=LATE_WORDS)

    def _restart(self) -> None:
        self._adc.restart()
        self._watch.restarted()
        self._high_ns = self._rest_until_ns = self._clock.now_ns()

    def _due(self, now_ns: int) -> list[Item]:
        items: list[Item] = []
        if now_ns >= self._silent_at_ns:
            fault = self._stuck if self._adc.ready() else self._silent
            items += self._finish(None)
            items.append(fault.raised(self._t_us(now_ns)))
            self._latched = True
            self._missed.forget()
            self._restart()
            self._silent_at_ns = now_ns + WAKE_NS
        if now_ns >= self._tally_at_ns:
            self._tally_at_ns += SECOND_NS
            items.append(self._tally(now_ns))
        return items

    def _tally(self, now_ns: int) -> Tally:
        return Tally(
            boot_id=self._hello.boot_id,
            t_us=self._t_us(now_ns),
            offered=self._offered,
            dropped=self.samples_dropped,
            impossible_steps=self._edges.impossible_steps,
            requests_refused=self._refused,
        )

    def _answer(self, tag: int, word: str) -> list[Item]:
        items = self._finish(None)  # what was measured before the request is told before it
        ok = True
        match word:
            case "who":
                return [*items, Answer(tag, word, ok), self._hello]
            case "start" | "stop":
                self._streaming = word == "start"
                self._missed.forget()
            case "zero":
                self._zero = self._edges.travel_at(self._clock.now_ns())
            case "ack":
                self._latched = self._silent.standing or self._stuck.standing
                self._missed.forget()
                self._restart()
            case _:
                ok = False
                self._refused += 1
        return [*items, Answer(tag, word, ok)]

    def _t_us(self, t_ns: int) -> int:
        return (t_ns - self._began_ns) // 1000
