"""A Raspberry Pi's pins in simulated time, with an HX711 and a linear scale wired to them.

The chip works as its datasheet says, at the level of single edges: DOUT falls when a conversion is
ready; each rising edge of SCK shifts a bit out, most significant first; 25, 26 or 27 pulses choose
A128, B32 or A64 for the next conversion; SCK high for more than 60 us powers it down, and it wakes
at A128 with an empty filter. What the datasheet leaves open is a choice, said where it is made.

Two doubles stand on it: of `lgpio`, as far as it is used, and of `RPi.GPIO` on that. A late
scheduler is played by delays, in the middle of a word or while the program sleeps.
"""

from __future__ import annotations

import heapq
from bisect import bisect_right
from collections.abc import Callable
from types import SimpleNamespace

DOUT, SCK, A, B = 5, 6, 17, 27
POWER_DOWN_NS = 60_000
GAIN_OF_PULSES = {25: 128, 26: 32, 27: 64}
FULL_FILTER = 4  # conversions


class Chip:
    """The HX711.

    Args:
        load: counts at gain 128 at a time in ns; channel B reads a quarter of it plus 1000.
        period_ns: one over the rate.
        now_ns: when it is powered.
    """

    def __init__(self, load: Callable[[int], int], period_ns: int, now_ns: int) -> None:
        self.load = load
        self.period_ns = period_ns
        self.dead = (0, 0)  # from, until: no conversions
        self.instead: dict[int, int] = {}  # number of a conversion -> its 24-bit word
        self.conversions: list[tuple[int, int, int, int]] = []  # ns, signed word, gain, filled
        self.read_words = 0  # words of which at least a bit was read
        self.woken = 0  # after a power-down
        self.sck = 0
        self._rose_ns = 0
        self._wake(now_ns)

    def _wake(self, now_ns: int) -> None:
        self.gain = self.next_gain = 128
        self.filled = 0
        self.pulses = 0
        self.register = 0
        self.dout = 1
        self.next_ns = now_ns + self.period_ns

    def convert(self) -> list[int]:
        """Finish the conversion due at next_ns; return the levels DOUT takes in turn."""
        now_ns = self.next_ns
        self.next_ns += self.period_ns
        asleep = self.sck and now_ns - self._rose_ns > POWER_DOWN_NS
        if asleep or self.dead[0] <= now_ns < self.dead[1]:
            return []
        if self.gain != self.next_gain:
            self.gain, self.filled = self.next_gain, 0
        self.filled += 1
        word = self._word(now_ns)
        self.conversions.append((now_ns, word, self.gain, self.filled))
        self.register = word & 0xFFFFFF
        if (
            0 < self.pulses < 24
        ):  # a choice: the rest of a word in the middle comes from the new one
            return []
        self.pulses = 0
        levels = [1, 0] if self.dout == 0 else [0]  # a choice: unread, it blinks
        self.dout = 0
        return levels

    def _word(self, now_ns: int) -> int:
        number = len(self.conversions)
        if number in self.instead:
            word = self.instead[number]
            return word - (1 << 24) if word & 0x800000 else word
        load = self.load(now_ns)
        counts = load * self.gain // 128 if self.gain != 32 else load // 4 + 1000
        counts = counts * min(self.filled, FULL_FILTER) // FULL_FILTER  # a choice: it fills evenly
        return max(-0x800000, min(0x7FFFFF, counts))

    def rise(self, now_ns: int) -> None:
        self.sck, self._rose_ns = 1, now_ns
        self.pulses += 1
        if self.pulses == 1:
            self.read_words += 1
        if self.pulses <= 24:
            self.dout = self.register >> (24 - self.pulses) & 1
        else:
            self.dout = 1
            self.next_gain = GAIN_OF_PULSES.get(self.pulses, self.next_gain)

    def fall(self, now_ns: int) -> None:
        self.sck = 0
        if now_ns - self._rose_ns > POWER_DOWN_NS:
            self.woken += 1
            self._wake(now_ns)


Listener = Callable[[int, int, int, int], None] | None  # chip, line, level, ns


def no_delay(_word: int, _pulse: int) -> int:
    return 0


class Pins:
    """Simulated time, the four lines, and who listens to them.

    Time passes with every access (op_ns) and with sleep; at limit_ns sleeping passes none.
    """

    def __init__(self, load: Callable[[int], int] = lambda _ns: 500_000, sps: float = 80.0) -> None:
        self.now_ns = 5_000_000_000
        self.limit_ns: int | None = None
        self.latest_ns: int | None = None  # past it, somebody waits for ever
        self.op_ns = 2_000
        self.edge_lag_ns = 700_000  # lgpio holds edges back by 0.5 to 1 ms
        self.stuck_low = False
        self.while_high: Callable[[int, int], int] = no_delay  # word, pulse -> ns
        self.while_low: Callable[[int, int], int] = no_delay  # before the bit is read
        self.stalls: list[tuple[int, int]] = []  # a sleep over the first lasts the second longer
        self.broken: Exception | None = None  # raised by every access
        self.busy: set[int] = set()
        self.closed_chip = False
        self.modes: dict[int, int] = {}
        self.listeners: list[tuple[int, Listener]] = []
        self.alerts: dict[int, int] = {}  # line -> edges asked for
        self.levels = {A: 0, B: 0, SCK: 0}
        self.scale_log: list[tuple[int, int]] = []  # ns, count from then on
        self.lose_edges: set[int] = set()  # numbers of scale edges nobody is told of
        self.lose_ready: set[int] = set()  # how many conversions there were then
        self._scale_edges: list[tuple[int, int, int]] = []
        self._scale_told = 0
        self._reports: list[tuple[int, int, int, int]] = []  # due, ns, line, level
        self.chip = Chip(load, round(1e9 / sps), self.now_ns)

    # --- time ---

    def sleep(self, seconds: float) -> None:
        if self.limit_ns is not None and self.now_ns >= self.limit_ns:
            return
        target_ns = self.now_ns + max(round(seconds * 1e9), 1000)
        for stall in list(self.stalls):
            if stall[0] <= target_ns:
                target_ns += stall[1]
                self.stalls.remove(stall)
        self.pass_until(target_ns)

    def pass_until(self, target_ns: int) -> None:
        assert self.latest_ns is None or target_ns < self.latest_ns, "it hangs"
        while True:
            scale_ns = self._scale_edges[0][0] if self._scale_edges else target_ns + 1
            event_ns = min(scale_ns, self.chip.next_ns)
            if event_ns > target_ns:
                break
            self.now_ns = max(self.now_ns, event_ns)
            if event_ns == scale_ns:
                self._move_scale(*self._scale_edges.pop(0))
            else:
                for level in self.chip.convert():
                    if len(self.chip.conversions) not in self.lose_ready:
                        self._report(event_ns, DOUT, level)
        self.now_ns = max(self.now_ns, target_ns)
        while self._reports and self._reports[0][0] <= self.now_ns:
            _, t_ns, line, level = heapq.heappop(self._reports)
            for pin, listener in list(self.listeners):
                if pin == line:
                    listener(0, line, level, t_ns)

    def _report(self, t_ns: int, line: int, level: int) -> None:
        if self.alerts.get(line, 0) & (1 if level else 2):
            heapq.heappush(self._reports, (t_ns + self.edge_lag_ns, t_ns, line, level))

    def spend(self) -> None:
        if self.broken is not None:
            raise self.broken
        self.pass_until(self.now_ns + self.op_ns)

    # --- the scale ---

    def move_scale(self, counts: int, start_ns: int, step_ns: int) -> None:
        """Plan the next edges: so many counts, A before B where positive."""
        way = 1 if counts > 0 else -1
        a, b = self.levels[A], self.levels[B]
        for _, line, level in self._scale_edges:
            a, b = (level, b) if line == A else (a, level)
        for i in range(abs(counts)):
            line = A if (a == b) == (way > 0) else B
            if line == A:
                a ^= 1
            else:
                b ^= 1
            self._scale_edges.append((start_ns + i * step_ns, line, a if line == A else b))

    def _move_scale(self, t_ns: int, line: int, level: int) -> None:
        before_a, before_b = self.levels[A], self.levels[B]
        self.levels[line] = level
        forward = (line == A) == (before_a == before_b)
        count = self.scale_log[-1][1] if self.scale_log else 0
        self.scale_log.append((t_ns, count + (1 if forward else -1)))
        if self._scale_told not in self.lose_edges:
            self._report(t_ns, line, level)
        self._scale_told += 1

    def count_at(self, t_ns: int) -> int:
        """The true count: of the last edge up to then."""
        index = bisect_right(self.scale_log, t_ns, key=lambda entry: entry[0])
        return self.scale_log[index - 1][1] if index else 0

    # --- the lines ---

    def read(self, line: int) -> int:
        self.spend()
        if line == DOUT:
            if self.chip.pulses and not self.chip.sck:
                self._delay(self.while_low)
            return 0 if self.stuck_low else self.chip.dout
        return self.levels[line]

    def write(self, line: int, level: int) -> None:
        self.spend()
        if line != SCK or level == self.levels[SCK]:
            return
        self.levels[SCK] = level
        before = self.chip.dout
        (self.chip.rise if level else self.chip.fall)(self.now_ns)
        if self.chip.dout != before:
            self._report(self.now_ns, DOUT, self.chip.dout)
        if level:
            self._delay(self.while_high)

    def _delay(self, delay: Callable[[int, int], int]) -> None:
        delay_ns = delay(self.chip.read_words, self.chip.pulses)
        if delay_ns:
            self.pass_until(self.now_ns + delay_ns)


class PinError(Exception):
    """As lgpio.error: its text is the quoted reason."""

    def __init__(self, value: str) -> None:
        super().__init__(value)
        self.value = value

    def __str__(self) -> str:
        return repr(self.value)


class Lgpio:
    """In place of the module lgpio, as far as rpi-lgpio and coilbench use it."""

    error = PinError
    error_text = staticmethod(str)
    RISING_EDGE, FALLING_EDGE, BOTH_EDGES = 1, 2, 3
    SET_PULL_UP, SET_PULL_DOWN, SET_PULL_NONE = 32, 64, 128
    GPIO_BUSY = -79

    def __init__(self, pins: Pins) -> None:
        self._pins = pins

    def gpiochip_open(self, number: int) -> int:
        if self._pins.closed_chip:
            raise PinError("can not open gpiochip")
        return number << 16 | 1

    def gpio_get_mode(self, _handle: int, line: int) -> int:
        return self._pins.modes.get(line, 0)

    def gpio_claim_input(self, _handle: int, line: int, flags: int = 0) -> int:
        return self._claim(line, 0x100 | flags)

    def gpio_claim_output(self, _handle: int, line: int, level: int = 0, flags: int = 0) -> int:
        self._claim(line, 0x202 | flags)
        self._pins.write(line, level)
        return 0

    def gpio_claim_alert(self, _handle: int, line: int, edges: int, flags: int = 0) -> int:
        self._pins.alerts[line] = edges
        return self._claim(line, 0x400 | flags | edges << 17)

    def gpio_free(self, _handle: int, line: int) -> int:
        if line not in self._pins.modes:
            raise PinError("GPIO not allocated")
        self._pins.alerts.pop(line, None)
        del self._pins.modes[line]
        return 0

    def gpio_read(self, _handle: int, line: int) -> int:
        if line in self._pins.busy:
            raise PinError("GPIO not allocated")
        return self._pins.read(line)

    def gpio_write(self, _handle: int, line: int, level: int) -> int:
        self._pins.write(line, int(level))
        return 0

    def callback(self, handle: int, line: int, _edge: int = 1, func: Listener = None) -> Callback:
        assert handle >> 16 == 0  # callbacks go by the chip's number
        return Callback(self._pins, line, func)

    def _claim(self, line: int, mode: int) -> int:
        if line in self._pins.busy:
            raise PinError("GPIO busy")
        self._pins.modes[line] = mode
        self._pins.spend()
        return 0


class Callback:
    """What lgpio.callback returns."""

    def __init__(self, pins: Pins, line: int, func: Listener) -> None:
        self._pins, self._entry = pins, (line, func)
        pins.listeners.append(self._entry)

    def cancel(self) -> None:
        self._pins.listeners.remove(self._entry)


class RpiGpio:
    """In place of the module RPi.GPIO, standing on the double of lgpio."""

    BCM, OUT, IN = 11, 0, 1
    PUD_OFF, PUD_DOWN, PUD_UP = 20, 21, 22
    RISING, FALLING, BOTH = 31, 32, 33

    def __init__(self, pins: Pins, lgpio: Lgpio) -> None:
        self._pins, self._lgpio = pins, lgpio
        self._mode: int | None = None
        self._chip: int | None = None

    def setmode(self, mode: int) -> None:
        if self._mode not in (None, mode):
            raise ValueError("A different mode has already been set!")
        self._chip = self._lgpio.gpiochip_open(0)
        self._mode = mode

    def setup(self, line: int, direction: int, pull_up_down: int = PUD_OFF) -> None:
        assert self._mode == self.BCM
        if direction == self.OUT:
            level = self._lgpio.gpio_read(self._chip, line)
            self._lgpio.gpio_claim_output(self._chip, line, level)
        else:
            pull = {self.PUD_OFF: 128, self.PUD_DOWN: 64, self.PUD_UP: 32}[pull_up_down]
            self._lgpio.gpio_claim_input(self._chip, line, pull)

    def input(self, line: int) -> int:
        if line not in self._pins.modes:
            raise RuntimeError("You must setup() the GPIO channel first")
        return self._lgpio.gpio_read(self._chip, line)

    def output(self, line: int, level: int) -> None:
        if not self._pins.modes.get(line, 0) & 0x200:
            raise RuntimeError("The GPIO channel has not been set up as an OUTPUT")
        self._lgpio.gpio_write(self._chip, line, level)

    def add_event_detect(self, line: int, edge: int) -> None:
        pull = self._pins.modes[line] & 0xE0
        edges = {self.RISING: 1, self.FALLING: 2, self.BOTH: 3}[edge]
        self._lgpio.gpio_claim_alert(self._chip, line, edges, pull)

    def remove_event_detect(self, line: int) -> None:
        self._pins.alerts.pop(line, None)

    def cleanup(self, line: int) -> None:
        self._lgpio.gpio_claim_input(self._chip, line)
        self._lgpio.gpio_free(self._chip, line)


def stand_ins(pins: Pins) -> dict[str, object]:
    """What to put into sys.modules, by name."""
    lgpio = Lgpio(pins)
    gpio = RpiGpio(pins, lgpio)
    return {"lgpio": lgpio, "RPi": SimpleNamespace(GPIO=gpio), "RPi.GPIO": gpio}
