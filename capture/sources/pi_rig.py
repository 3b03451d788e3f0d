"""The rig on a Raspberry Pi's pins, one look at a time: what the firmware does elsewhere.

No thread and no queue here; the clock is given. A conversion is handed on when the next one has
come: only then is it known whether it stood out from both its neighbours, and are the edges that
came before it sure to have been told.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from coilbench.capture.blocks import RAW_DTYPE, RawBlock, SampleFlag
from coilbench.capture.messages import Answer, FaultCode, Hello, Item, Tally
from coilbench.capture.sources.adc_watch import (
    SETTLING,
    AdcWatch,
    FaultState,
    MissedConversions,
    jumps_and_returns,
)
from coilbench.capture.sources.base import SourceLost
from coilbench.capture.sources.pi_address import PiSetup
from coilbench.capture.sources.pi_board import Clock
from coilbench.capture.sources.pi_edges import Edges
from coilbench.capture.sources.pi_hx711 import Hx711

FIRMWARE = "coilbench-pi-0.1.0"
SILENT_NS = 500_000_000  # no sound conversion for so long is a fault
WAKE_NS = 1_000_000_000  # after a start of the chip: more than its 400 ms at 10 samples a second
SECOND_NS = 1_000_000_000
LATE_NS = 2_000_000  # a moment known no better than this is not the travel's moment
NAP_S = 0.0005  # between looks at DOUT
LATE_WORDS = 20  # in a row, and this computer is too slow
_REST = 0.6  # of the nominal period, after a conversion: none can be ready before
_TORN = 0.8  # of the nominal period: a word read until then may be torn by the next conversion


@dataclass(frozen=True)
class _Conversion:
    """A conversion that waits for its successor."""

    high_ns: int  # DOUT was last seen high
    low_ns: int  # first seen low
    counts: int
    flags: SampleFlag


class PiRig:
    """Turns looks at the pins into items.

    Args:
        adc: just started.
        edges: listening.
        setup: rate, gain, travel of a count.
        clock: what the edges' times are of, too.
        hello: who this is; its boot_id names the blocks.
        url: for messages.

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
            items += self._take(self._clock.now_ns())
        else:
            self._high_ns = now_ns
            self._clock.sleep(NAP_S)
        return items + self._due(self._clock.now_ns())

    def _take(self, low_ns: int) -> list[Item]:
        """Read the conversion that is ready."""
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
        """Hand on the conversion that waited.

        Args:
            after: counts of its successor, None where it cannot wait for it.
        """
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
        if (
            before is not None
            and after is not None
            and jumps_and_returns(before, held.counts, after)
        ):
            flags |= SampleFlag.LOAD_SUSPECT
        travel = self._edges.travel_at(ready_ns) - self._zero
        flags |= self._told_once()
        self._seq += self._missed.before(ready_ns)
        sample = (self._seq, self._t_us(ready_ns), held.counts, travel, int(flags))
        self._seq += 1
        self._offered += 1
        return [RawBlock(np.array([sample], dtype=RAW_DTYPE), self._hello.boot_id)]

    def _told_once(self) -> SampleFlag:
        """Return the flags of what happened since the sample before."""
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
        if self._sound:  # only once, lest a chip that never recovers is never called a fault
            self._silent_at_ns = self._clock.now_ns() + WAKE_NS
        self._sound = False
        self._late_words = self._late_words + 1 if late else 0
        if self._late_words >= LATE_WORDS:
            raise SourceLost(
                f"clock pulses longer than 60 us in {LATE_WORDS} words in a row: this computer is"
                " too busy or too slow for the HX711",
                where=self._url,
                mend="Stop other programs on it, or use a rig on USB",
            )

    def _restart(self) -> None:
        self._adc.restart()
        self._watch.restarted()
        self._high_ns = self._rest_until_ns = self._clock.now_ns()

    def _due(self, now_ns: int) -> list[Item]:
        """Return what the clock asks for."""
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
