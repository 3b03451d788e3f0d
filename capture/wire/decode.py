"""Bytes from the wire into blocks of samples and messages (firmware/PROTOCOL.md).

Many samples are read at once, few of them and the rarer messages one by one. Then sequence and
clock are unwrapped, what was lost is counted, and restarts are noticed.
"""

from __future__ import annotations

import re
from binascii import crc_hqx
from collections.abc import Iterable, Iterator
from itertools import pairwise
from struct import Struct

import numpy as np
from msgspec.structs import replace
from numpy.typing import NDArray

from coilbench.capture.blocks import (
    RAW_DTYPE,
    Answer,
    Fault,
    Hello,
    Item,
    LinkCounters,
    RawBlock,
    Restarted,
    Tally,
)
from coilbench.capture.wire.format import (
    CLOCK_FIELD,
    CRC_FIELD,
    CRC_START,
    FLAGS_FIELD,
    HEX_DIGITS,
    LEAST_LOAD,
    LINE_LIMIT,
    LOAD_FIELD,
    MOST_LOAD,
    SAMPLE_BODY,
    SAMPLE_LENGTH,
    SEQ_FIELD,
    TRAVEL_FIELD,
    by_column,
    sample_crcs,
)
from coilbench.capture.wire.messages import MESSAGES, parse_message

_BEGINS_MESSAGE = np.zeros(256, dtype=np.bool_)
_BEGINS_MESSAGE[[ord(kind) for kind in MESSAGES]] = True


def _allowed_bytes() -> NDArray[np.bool_]:
    allowed = np.zeros((SAMPLE_LENGTH, 256), dtype=np.bool_)
    allowed[0, ord("S")] = allowed[-1, ord("\n")] = True
    hex_digits, digits = list(HEX_DIGITS), list(HEX_DIGITS[:10])
    for start, width in (SEQ_FIELD, CLOCK_FIELD, FLAGS_FIELD, CRC_FIELD):
        allowed[start - 1, ord(" ")] = True
        allowed[start : start + width, hex_digits] = True
    for start, width in (LOAD_FIELD, TRAVEL_FIELD):
        allowed[start - 1, ord(" ")] = True
        allowed[start, [ord("+"), ord("-")]] = True
        allowed[start + 1 : start + width, digits] = True
    return allowed


_ALLOWED = _allowed_bytes().ravel()
_COLUMNS = np.arange(SAMPLE_LENGTH)
_VALUE = np.zeros(256, dtype=np.int64)
_VALUE[list(HEX_DIGITS)] = np.arange(16)
_POWERS_16, _POWERS_10 = (base ** np.arange(11, -1, -1, dtype=np.int64) for base in (16, 10))


def _parse_samples(lines: NDArray[np.uint8]) -> tuple[NDArray[np.void], NDArray[np.bool_]]:
    """Read lines of shape (n, SAMPLE_LENGTH).

    Returns:
        The good lines' samples, RAW_DTYPE, seq and t_us still wrapped; which were good, shape (n,).
    """
    good = _ALLOWED.take(by_column(lines)).all(axis=1)
    crcs = _hex(lines, CRC_FIELD)
    good &= crcs == sample_crcs(lines[:, :SAMPLE_BODY])
    lines = lines[good]
    samples = np.empty(len(lines), dtype=RAW_DTYPE)
    samples["seq"] = _hex(lines, SEQ_FIELD)
    samples["t_us"] = _hex(lines, CLOCK_FIELD)
    samples["load_counts"] = _signed(lines, LOAD_FIELD)
    samples["travel_counts"] = _signed(lines, TRAVEL_FIELD)
    samples["flags"] = _hex(lines, FLAGS_FIELD)
    possible = (samples["load_counts"] >= LEAST_LOAD) & (samples["load_counts"] <= MOST_LOAD)
    good[good] = possible
    return samples[possible], good


def _hex(lines: NDArray[np.uint8], field: tuple[int, int]) -> NDArray[np.int64]:
    start, width = field
    return np.asarray(_VALUE[lines[:, start : start + width]] @ _POWERS_16[-width:])


def _signed(lines: NDArray[np.uint8], field: tuple[int, int]) -> NDArray[np.int64]:
    start, width = field
    size = _VALUE[lines[:, start + 1 : start + width]] @ _POWERS_10[1 - width :]
    return np.asarray(np.where(lines[:, start] == ord("-"), -size, size))


# Below so many bytes at once, a line at a time is sooner read: a rig of 80 samples a second brings
# 340 bytes in a tenth of a second. Ours, by tests/bench/bench_capture.py.
FEW_BYTES = 2048
_SAMPLE = re.compile(
    rb"S ([0-9A-F]{4}) ([0-9A-F]{8}) ([+-][0-9]{7}) ([+-][0-9]{7}) ([0-9A-F]{2}) ([0-9A-F]{4})"
)


_Line = tuple[int, int, int, int, int]  # a sample in the order of RAW_DTYPE
_ROW = Struct("<qqiiB")  # RAW_DTYPE's bytes


def _parse_sample(line: bytes) -> _Line | None:
    """Read a line without its LF as a sample, seq and t_us still wrapped; None if it is none."""
    found = _SAMPLE.fullmatch(line)
    if found is None:
        return None
    seq, t_us, load_digits, travel, flags, crc = found.groups()
    load = int(load_digits)
    if crc_hqx(line[:SAMPLE_BODY], CRC_START) != int(crc, 16):
        return None
    if not LEAST_LOAD <= load <= MOST_LOAD:
        return None
    return int(seq, 16), int(t_us, 16), load, int(travel), int(flags, 16)


_SEQ_MASK = 0xFFFF
_CLOCK_TURN = 1 << 32
_HALF_TURN = 1 << 31


class _Timeline:
    """Where the rig stands in its own count of samples and microseconds.

    A clock that moved by less than half a turn (35.8 min) forward or back is believed:
    forward it is the same start of the rig, back it is another. Tallies come each second, so a
    long stop is followed too.
    """

    def __init__(self) -> None:
        self.boot_id: int | None = None
        self.samples_lost = 0
        self.samples_repeated = 0
        self.restarts = 0
        self._named_since_sample = False
        self._last_seq: int | None = None
        self._last_t_us: int | None = None  # of a sample; a message may overtake queued samples
        self._latest_us: int | None = None  # of anything

    def place(self, wrapped: NDArray[np.void]) -> Iterator[RawBlock | Restarted]:
        """Unwrap samples, one or more, that followed each other on the wire.

        One with the number and the clock of the one before it is the same again: left out.
        """
        wrapped = self._without_repeats(wrapped)
        if not len(wrapped):
            return
        t_us = wrapped["t_us"]
        steps_us = _signed_turn(t_us[1:] - t_us[:-1])
        starts = [0, *((steps_us < 0).nonzero()[0] + 1).tolist(), len(wrapped)]
        for start, stop in pairwise(starts):
            piece = wrapped[start:stop]
            if self._last_t_us is not None and self._follow(t_us[start]) < self._last_t_us:
                yield self._restart(self.boot_id if self._named_since_sample else None)
            yield RawBlock(self._unwrap(piece, steps_us[start : stop - 1]), self.boot_id)

    def _without_repeats(self, wrapped: NDArray[np.void]) -> NDArray[np.void]:
        seq, t_us = wrapped["seq"], wrapped["t_us"]
        again = (seq[1:] == seq[:-1]) & (t_us[1:] == t_us[:-1])
        first_again = self._is_last(int(seq[0]), int(t_us[0]))
        repeated = first_again + int(np.count_nonzero(again))
        self.samples_repeated += repeated
        return wrapped[~np.append(first_again, again)] if repeated else wrapped

    def _is_last(self, wrapped_seq: int, wrapped_us: int) -> bool:
        """Whether this is the number and the clock of the latest sample."""
        if self._last_seq is None or self._last_t_us is None:
            return False
        same_seq = (wrapped_seq - self._last_seq) & _SEQ_MASK == 0
        return same_seq and (wrapped_us - self._last_t_us) % _CLOCK_TURN == 0

    def place_few(self, lines: Iterable[_Line]) -> list[Item]:
        """Do as place does, sample by sample."""
        items: list[Item] = []
        placed = bytearray()
        for seq, wrapped_us, load, travel, flags in lines:
            if self._is_last(seq, wrapped_us):
                self.samples_repeated += 1
                continue
            t_us = self._follow(wrapped_us)
            if self._last_t_us is not None and t_us < self._last_t_us:
                if placed:
                    items.append(RawBlock(np.frombuffer(placed, dtype=RAW_DTYPE), self.boot_id))
                    placed = bytearray()
                items.append(self._restart(self.boot_id if self._named_since_sample else None))
                t_us = wrapped_us
            if self._last_seq is not None:
                missing = (seq - self._last_seq - 1) & _SEQ_MASK
                self.samples_lost += missing
                seq = self._last_seq + 1 + missing
            self._last_seq, self._last_t_us, self._latest_us = seq, t_us, t_us
            self._named_since_sample = False
            placed += _ROW.pack(seq, t_us, load, travel, flags)
        if placed:
            items.append(RawBlock(np.frombuffer(placed, dtype=RAW_DTYPE), self.boot_id))
        return items

    def meet(self, boot_id: int) -> Restarted | None:
        """Learn which start of the rig speaks; Restarted if it is another than before."""
        if self.boot_id == boot_id:
            return None
        if self.boot_id is not None:
            return self._restart(boot_id)
        self.boot_id = boot_id
        self._named_since_sample = True
        return None

    def clock(self, wrapped_us: int) -> int:
        """Return a message's clock unwrapped, and follow it."""
        self._latest_us = self._follow(wrapped_us)
        return self._latest_us

    def _restart(self, boot_id: int | None) -> Restarted:
        self._last_seq = self._last_t_us = self._latest_us = None
        self.boot_id = boot_id
        self.restarts += 1
        return Restarted(boot_id)

    def _follow(self, wrapped_us: int) -> int:
        if self._latest_us is None:
            return int(wrapped_us)
        step = (int(wrapped_us) - self._latest_us + _HALF_TURN) % _CLOCK_TURN - _HALF_TURN
        return self._latest_us + step

    def _unwrap(self, piece: NDArray[np.void], steps_us: NDArray[np.int64]) -> NDArray[np.void]:
        samples = piece.copy()
        seq, t_us = samples["seq"], samples["t_us"]
        # Between two samples 0 to 65535 are missing: a sequence never stands or goes back.
        missing = (seq[1:] - seq[:-1] - 1) & _SEQ_MASK
        first = int(seq[0])
        if self._last_seq is not None:
            missing_before = (first - self._last_seq - 1) & _SEQ_MASK
            first = self._last_seq + 1 + missing_before
            self.samples_lost += missing_before
        self.samples_lost += int(missing.sum())
        seq[0], seq[1:] = first, first + (missing + 1).cumsum()
        t_us[0] = self._follow(t_us[0])
        t_us[1:] = t_us[0] + steps_us.cumsum()
        self._last_seq, self._last_t_us = int(seq[-1]), int(t_us[-1])
        self.clock(self._last_t_us)
        self._named_since_sample = False
        return samples


def _signed_turn(steps_us: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return clock steps as the nearer way round, from -2^31 to 2^31 - 1."""
    return (steps_us + _HALF_TURN) % _CLOCK_TURN - _HALF_TURN


class Decoder:
    """Decodes a stream that may hold anything; whatever comes, it never raises.

    Damage costs the damaged line, which is counted; so are a line that says the same again and one
    whose load no 24-bit converter can give. Chunks may be cut anywhere: the items are the
    same but for where blocks are split. Blocks are named by boot id from the first hello, tally or
    fault; those before it, or after a restart seen by the clock alone, carry None.
    """

    def __init__(self) -> None:
        self._bytes_in = self._bytes_good = self._lines_bad = self._samples = 0
        self._timeline = _Timeline()
        self._pending = b""
        self._overlong = False

    @property
    def counters(self) -> LinkCounters:
        """A snapshot of the counters."""
        pending = len(self._pending)
        return LinkCounters(
            bytes_in=self._bytes_in,
            bytes_good=self._bytes_good,
            bytes_bad=self._bytes_in - self._bytes_good - pending,
            bytes_pending=pending,
            lines_bad=self._lines_bad,
            samples=self._samples,
            samples_lost=self._timeline.samples_lost,
            restarts=self._timeline.restarts,
        )

    def feed(self, data: bytes) -> list[Item]:
        """Return what data completes, in the order of the wire."""
        text = self._pending + data
        if len(text) < FEW_BYTES:
            return self._feed_few(text, len(data))
        array = np.frombuffer(text, dtype=np.uint8)
        ends = np.flatnonzero(array == ord("\n")) + 1
        bounds = np.append(0, ends)
        starts, lengths = bounds[:-1], np.diff(bounds)
        usable = lengths <= LINE_LIMIT
        usable[:1] &= not self._overlong
        samples, sample_lines = _find_samples(array, starts, usable & (lengths == SAMPLE_LENGTH))
        messages = _find_messages(text, array, starts, ends, usable)
        self._keep_tail(text[bounds[-1] :], line_ended=len(ends) > 0)

        repeated = self._timeline.samples_repeated
        items = self._in_order(samples, sample_lines, messages)
        new = len(samples) - (self._timeline.samples_repeated - repeated)
        good_bytes = new * SAMPLE_LENGTH + sum(int(lengths[line]) for line, _ in messages)
        self._count(len(data), good_bytes, len(ends) - new - len(messages), new)
        return items

    def _feed_few(self, text: bytes, bytes_in: int) -> list[Item]:
        """Do as feed does with pending and new bytes, line by line."""
        lines = text.split(b"\n")
        tail = lines.pop()
        items: list[Item] = []
        samples: list[_Line] = []
        read, good_bytes, messages = 0, 0, 0
        repeated = self._timeline.samples_repeated
        if self._overlong and lines:
            lines[0] = b""  # the rest of a line that was given up
        for line in lines:
            if (sample := _parse_sample(line)) is not None:
                samples.append(sample)
                read += 1
            elif (
                line[:1] in MESSAGES
                and len(line) < LINE_LIMIT
                and (message := parse_message(line)) is not None
            ):
                items.extend(self._timeline.place_few(samples))
                items.extend(self._tell(message))
                samples = []
                messages += 1
                good_bytes += len(line) + 1
        items += self._timeline.place_few(samples)
        self._keep_tail(tail, line_ended=bool(lines))
        read -= self._timeline.samples_repeated - repeated
        good_bytes += read * SAMPLE_LENGTH
        self._count(bytes_in, good_bytes, len(lines) - read - messages, read)
        return items

    def _keep_tail(self, tail: bytes, *, line_ended: bool) -> None:
        # A line past the limit is given up at once, so that what is pending stays bounded; the
        # rest of it, up to its LF, is bad too.
        self._overlong = (self._overlong and not line_ended) or len(tail) >= LINE_LIMIT
        self._pending = b"" if self._overlong else tail

    def _count(self, bytes_in: int, bytes_good: int, lines_bad: int, samples: int) -> None:
        self._bytes_in += bytes_in
        self._bytes_good += bytes_good
        self._lines_bad += lines_bad
        self._samples += samples

    def _in_order(
        self,
        samples: NDArray[np.void],
        sample_lines: NDArray[np.intp],
        messages: list[tuple[int, Hello | Tally | Fault | Answer]],
    ) -> list[Item]:
        items: list[Item] = []
        done = 0
        for line, message in messages:
            before = int(np.searchsorted(sample_lines, line))
            if before > done:
                items.extend(self._timeline.place(samples[done:before]))
                done = before
            items.extend(self._tell(message))
        if len(samples) > done:
            items.extend(self._timeline.place(samples[done:]))
        return items

    def _tell(self, message: Hello | Tally | Fault | Answer) -> list[Item]:
        if isinstance(message, Answer):
            return [message]
        restarted = self._timeline.meet(message.boot_id)
        if not isinstance(message, Hello):
            message = replace(message, t_us=self._timeline.clock(message.t_us))
        return [message] if restarted is None else [restarted, message]


def _find_samples(
    array: NDArray[np.uint8], starts: NDArray[np.intp], fitting: NDArray[np.bool_]
) -> tuple[NDArray[np.void], NDArray[np.intp]]:
    candidates = np.flatnonzero(fitting)
    rows = array.take(starts[candidates][:, np.newaxis] + _COLUMNS)
    samples, good = _parse_samples(rows)
    return samples, candidates[good]


def _find_messages(
    text: bytes,
    array: NDArray[np.uint8],
    starts: NDArray[np.intp],
    ends: NDArray[np.intp],
    usable: NDArray[np.bool_],
) -> list[tuple[int, Hello | Tally | Fault | Answer]]:
    candidates = np.flatnonzero(usable & _BEGINS_MESSAGE[array[starts]])
    parsed = (
        (int(line), parse_message(text[starts[line] : ends[line] - 1])) for line in candidates
    )
    return [(line, message) for line, message in parsed if message is not None]
