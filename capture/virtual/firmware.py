"""What the rig's firmware says around its samples, and the faults it can have. Pure.

Simulated time only: the samples' own clock. Who sends the bytes, and when, is the port's.
"""

from __future__ import annotations

import heapq
import re
from collections.abc import Callable, Iterable, Iterator
from enum import IntEnum
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from coilbench.capture.blocks import (
    PROTOCOL_VERSION,
    Answer,
    Fault,
    FaultCode,
    Hello,
    RawBlock,
    SampleFlag,
    Tally,
    samples_joined,
)
from coilbench.capture.virtual.instrument import ADC_MAX_COUNTS, RigModel
from coilbench.capture.wire.format import LINE_LIMIT, SAMPLE_LENGTH, Request, crc16, encode

FIRMWARE = "coilbench-virtual-0.1.0"
BOOT_US = 400_000  # from a restart to the first words: boot loader and set-up
DEAD_US = 500_000  # the firmware calls the ADC silent after this
SETTLING_SAMPLES = 4  # flagged as suspect when the ADC starts: its filter fills
SECOND_US = 1_000_000
_REQUEST = re.compile(rb"Q ([0-9A-F]{2}) ([!-~]{1,16}) ([0-9A-F]{4})")


class Faults(msgspec.Struct, frozen=True):
    """Faults to inject; times in seconds since the rig's first start."""

    drop_probability: float = 0.0  # of each byte sent, to be lost
    flip_probability: float = 0.0  # to have one bit turned
    restart_at_s: tuple[float, ...] = ()
    dead_s: tuple[tuple[float, float], ...] = ()  # (from, for how long) no conversions
    saturated_s: tuple[tuple[float, float], ...] = ()  # (…) at its upper end
    silent: bool = False
    unplug_at_s: float | None = None  # when the cable comes out; None for never


class _Event(IntEnum):
    """What happens at a moment; at the same moment, in this order."""

    RESTART = 0
    START = 1
    ADC_STOPS = 2
    ADC_STARTS = 3
    ADC_SATURATES = 4
    ADC_RECOVERS = 5
    TALLY = 6
    FAULT_LINE = 7
    UNPLUG = 8


class Frame(NamedTuple):
    """Bytes, perhaps none, that leave the rig together, and when: us since its first start."""

    t_us: int
    data: bytes


class Damage:
    """Loses and flips bytes; the outcome does not depend on how the bytes are cut up."""

    def __init__(self, faults: Faults, seed: int) -> None:
        self._faults = faults
        self._lose, self._flip, self._bit = (
            np.random.default_rng([seed, 0xBAD, which]) for which in range(3)
        )

    def apply(self, data: bytes) -> bytes:
        """Return data as it comes out of the cable."""
        if self._faults.silent:
            return b""
        line = np.frombuffer(data, dtype=np.uint8)
        if self._faults.flip_probability > 0.0:
            line = self._flipped(line)
        if self._faults.drop_probability > 0.0:
            line = line[self._lose.random(len(line)) >= self._faults.drop_probability]
        return line.tobytes()

    def _flipped(self, line: NDArray[np.uint8]) -> NDArray[np.uint8]:
        hit = np.flatnonzero(self._flip.random(len(line)) < self._faults.flip_probability)
        flipped = line.copy()
        bit = (8.0 * self._bit.random(len(hit))).astype(np.uint8)
        flipped[hit] ^= np.left_shift(np.uint8(1), bit)
        return flipped


class RequestReader:
    """Reads requests out of the bytes the host sends; total and incremental.

    Attributes:
        refused: lines that were no request with a right CRC.
    """

    def __init__(self) -> None:
        self.refused = 0
        self._pending = b""

    def feed(self, data: bytes) -> list[Request]:
        """Return each good request that data completes."""
        *lines, self._pending = (self._pending + data).split(b"\n")
        # Past the limit the rest of a line can only be refused: keep just enough to know it.
        self._pending = self._pending[:LINE_LIMIT]
        requests = [_read_request(line) for line in lines]
        self.refused += requests.count(None)
        return [request for request in requests if request is not None]


def _read_request(line: bytes) -> Request | None:
    match = _REQUEST.fullmatch(line)
    if match is None or crc16(line[:-5]) != int(match[3], 16):
        return None
    return Request(int(match[1], 16), match[2].decode("ascii"))


class _Start(msgspec.Struct):
    """What the firmware keeps in its memory, and a restart forgets."""

    boot_id: int
    at_us: int
    travel_zero: int
    offered: int = 0
    streaming: bool = True
    settling: int = SETTLING_SAMPLES
    latched: bool = False
    standing: bool = False
    raised: int = 0
    fault_due_us: int | None = None
    requests: RequestReader = msgspec.field(default_factory=RequestReader)


class Firmware:
    """The rig from its conversions to its bytes.

    Args:
        frame_samples: most samples that are sent together in a frame.
    """

    def __init__(
        self,
        rig: RigModel,
        blocks: Iterable[RawBlock],
        *,
        faults: Faults | None = None,
        seed: int = 0,
        frame_samples: int = 512,
    ) -> None:
        faults = Faults() if faults is None else faults
        self._rig = rig
        self._blocks = blocks
        self._frame_samples = frame_samples
        self.samples_offered = 0  # for sending, over all starts of the rig
        self.unplugged = False  # whether the cable has come out; nothing more comes then
        self._boot_ids = np.random.default_rng([seed, 0xB007])
        self._damage = Damage(faults, seed)
        self._events = _schedule(faults)
        self._now: _Start | None = None  # None while it boots
        self._travel_counts = 0
        self._adc_dead = 0  # how many spells overlap
        self._adc_saturated = 0
        self._handlers: dict[_Event, Callable[[int], bytes]] = {
            _Event.RESTART: self._restart,
            _Event.START: self._start,
            _Event.ADC_STOPS: self._adc_stops,
            _Event.ADC_STARTS: self._adc_starts,
            _Event.ADC_SATURATES: lambda _: self._saturate(1),
            _Event.ADC_RECOVERS: lambda _: self._saturate(-1),
            _Event.TALLY: self._tally,
            _Event.FAULT_LINE: self._fault_line,
            _Event.UNPLUG: self._unplug,
        }

    def frames(self) -> Iterator[Frame]:
        """Make what leaves the rig, in order of time, until the conversions end."""
        for block in self._blocks:
            yield from self._send_block(block.samples)
            if self.unplugged:
                return

    def bursts(self) -> Iterator[Frame]:
        """Make the same, all of a block together: sooner made and sent by a rig in a hurry."""
        for block in self._blocks:
            if len(block) > 0:
                t_us = int(block.samples["t_us"][-1])
                yield Frame(t_us, self._damage.apply(self._said(block.samples)))
            if self.unplugged:
                return

    def receive(self, data: bytes) -> bytes:
        """Take bytes from the host; return the answers, which leave before the next frame."""
        if self._now is None or self.unplugged:
            return b""
        answers = [self._answer(self._now, *asked) for asked in self._now.requests.feed(data)]
        return self._damage.apply(b"".join(answers))

    def _send_block(self, samples: NDArray[np.void]) -> Iterator[Frame]:
        while len(samples) > 0 and not self.unplugged:
            before = self._before_event(samples)
            for start in range(0, before, self._frame_samples):
                piece = samples[start : min(start + self._frame_samples, before)]
                lines = encode(RawBlock(self._sent(piece)))
                yield Frame(int(piece["t_us"][-1]), self._damage.apply(lines))
            samples = samples[before:]
            if len(samples) > 0:
                event_us, said = self._event()
                yield Frame(event_us, self._damage.apply(said))

    def _said(self, samples: NDArray[np.void]) -> bytes:
        """Return the lines of samples, made together, with what is said between them."""
        sent, between = [samples[:0]], []
        while len(samples) > 0 and not self.unplugged:
            before = self._before_event(samples)
            sent.append(self._sent(samples[:before]))
            samples = samples[before:]
            if len(samples) > 0:
                between.append((SAMPLE_LENGTH * sum(map(len, sent)), self._event()[1]))
        lines, said, begin = encode(RawBlock(samples_joined(sent))), [], 0
        for end, message in between:
            said += [lines[begin:end], message]
            begin = end
        return b"".join([*said, lines[begin:]])

    def _before_event(self, samples: NDArray[np.void]) -> int:
        """Return how many of some samples come before the next event."""
        t_us = samples["t_us"]
        return int(np.searchsorted(t_us, self._events[0][0])) if self._events else len(t_us)

    def _event(self) -> tuple[int, bytes]:
        """Let the next event happen; return when, and what is said of it."""
        event_us, event = heapq.heappop(self._events)
        return event_us, self._handlers[event](event_us)

    def _sent(self, samples: NDArray[np.void]) -> NDArray[np.void]:
        """Return samples as they are sent, none where none are."""
        if not len(samples):
            return samples
        self._travel_counts = int(samples["travel_counts"][-1])
        now = self._now
        if now is None or self._adc_dead > 0 or not now.streaming:
            return samples[:0]
        sent = samples.copy()
        sent["seq"] = np.arange(now.offered, now.offered + len(sent))
        sent["t_us"] -= now.at_us
        sent["travel_counts"] -= now.travel_zero
        if self._adc_saturated > 0:
            sent["load_counts"] = ADC_MAX_COUNTS
            sent["flags"] |= np.uint8(SampleFlag.LOAD_SATURATED)
        sent["flags"][: now.settling] |= np.uint8(SampleFlag.LOAD_SUSPECT)
        now.settling = max(now.settling - len(sent), 0)
        if now.latched:
            sent["flags"] |= np.uint8(SampleFlag.FAULT_LATCHED)
        now.offered += len(sent)
        self.samples_offered += len(sent)
        return sent

    def _answer(self, now: _Start, tag: int, word: str) -> bytes:
        known, more = True, b""
        match word:
            case "who":
                more = self._hello(now)
            case "start" | "stop":
                now.streaming = word == "start"
            case "zero":
                now.travel_zero = self._travel_counts
            case "ack":
                now.latched = now.standing
                now.settling = SETTLING_SAMPLES
            case _:
                known = False
        return encode(Answer(tag, word, ok=known)) + more

    def _hello(self, now: _Start) -> bytes:
        return encode(
            Hello(
                protocol=PROTOCOL_VERSION,
                firmware=FIRMWARE,
                device_id=self._rig.device_id,
                boot_id=now.boot_id,
                rate_hz=self._rig.nominal_rate_hz,
                travel="quadrature",
                um_per_count=self._rig.um_per_count,
                extra=(("adc", "simulated"),),
            )
        )

    def _restart(self, at_us: int) -> bytes:
        self._now = None
        heapq.heappush(self._events, (at_us + BOOT_US, _Event.START))
        return b""

    def _start(self, at_us: int) -> bytes:
        boot_id = int(self._boot_ids.integers(1 << 32))
        self._now = _Start(boot_id, at_us, travel_zero=self._travel_counts)
        heapq.heappush(self._events, (at_us + SECOND_US, _Event.TALLY))
        if self._adc_dead > 0:
            self._expect_fault(self._now, at_us + DEAD_US)
        return self._hello(self._now)

    def _tally(self, at_us: int) -> bytes:
        now = self._now
        if now is None or (at_us - now.at_us) % SECOND_US != 0:
            return b""  # of a start that is over
        heapq.heappush(self._events, (at_us + SECOND_US, _Event.TALLY))
        t_us = at_us - now.at_us
        return encode(Tally(now.boot_id, t_us, now.offered, 0, 0, now.requests.refused))

    def _adc_stops(self, at_us: int) -> bytes:
        self._adc_dead += 1
        if self._now is not None and self._adc_dead == 1:
            self._expect_fault(self._now, at_us + DEAD_US)
        return b""

    def _adc_starts(self, at_us: int) -> bytes:
        self._adc_dead -= 1
        now = self._now
        if now is None or self._adc_dead > 0:
            return b""
        now.fault_due_us = None
        now.settling = SETTLING_SAMPLES
        if not now.standing:
            return b""
        now.standing = False
        return self._fault(now, at_us)

    def _expect_fault(self, now: _Start, due_us: int) -> None:
        now.fault_due_us = due_us
        heapq.heappush(self._events, (due_us, _Event.FAULT_LINE))

    def _fault_line(self, at_us: int) -> bytes:
        now = self._now
        if now is None or now.fault_due_us != at_us:
            return b""  # the ADC came back, or the rig restarted
        if not now.standing:
            now.standing = now.latched = True
            now.raised += 1
        self._expect_fault(now, at_us + SECOND_US)
        return self._fault(now, at_us)

    def _fault(self, now: _Start, at_us: int) -> bytes:
        t_us, code = at_us - now.at_us, FaultCode.ADC_SILENT
        return encode(Fault(now.boot_id, t_us, code, now.standing, now.raised))

    def _saturate(self, spells: int) -> bytes:
        self._adc_saturated += spells
        return b""

    def _unplug(self, _at_us: int) -> bytes:
        self.unplugged = True
        return b""


def _schedule(faults: Faults) -> list[tuple[int, _Event]]:
    events = [(0.0, _Event.START)]
    events += [(at_s, _Event.RESTART) for at_s in faults.restart_at_s]
    for at_s, for_s in faults.dead_s:
        events += [(at_s, _Event.ADC_STOPS), (at_s + for_s, _Event.ADC_STARTS)]
    for at_s, for_s in faults.saturated_s:
        events += [(at_s, _Event.ADC_SATURATES), (at_s + for_s, _Event.ADC_RECOVERS)]
    if faults.unplug_at_s is not None:
        events.append((faults.unplug_at_s, _Event.UNPLUG))
    heap = [(round(at_s * SECOND_US), event) for at_s, event in events]
    heapq.heapify(heap)
    return heap
