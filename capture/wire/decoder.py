"""Bytes from the wire into blocks of samples and messages (firmware/PROTOCOL.md)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from coilbench.capture.messages import Answer, Fault, Hello, Item, LinkCounters, Tally
from coilbench.capture.wire.layout import LINE_LIMIT, SAMPLE_LENGTH
from coilbench.capture.wire.parse import MESSAGE_KINDS, parse_message, parse_samples
from coilbench.capture.wire.timeline import Timeline

_COLUMNS = np.arange(SAMPLE_LENGTH)
_MESSAGE_KINDS = np.frombuffer(MESSAGE_KINDS, dtype=np.uint8)


class Decoder:
    """Decodes a stream that may hold anything; whatever comes, it never raises.

    Damage costs the damaged line, which is counted. Chunks may be cut anywhere: the items are the
    same but for where blocks are split. Blocks are named by boot id from the first hello, tally or
    fault; those before it, or after a restart that only the clock betrayed, carry None.
    """

    def __init__(self) -> None:
        self._counters = LinkCounters()
        self._timeline = Timeline()
        self._pending = b""
        self._overlong = False

    @property
    def counters(self) -> LinkCounters:
        """A snapshot of the counters."""
        return self._counters

    def feed(self, data: bytes) -> list[Item]:
        """Return what data completes, in the order of the wire."""
        text = self._pending + data
        array = np.frombuffer(text, dtype=np.uint8)
        ends = np.flatnonzero(array == ord("\n")) + 1
        bounds = np.append(0, ends)
        starts, lengths = bounds[:-1], np.diff(bounds)
        usable = lengths <= LINE_LIMIT
        usable[:1] &= not self._overlong
        samples, sample_lines = _find_samples(array, starts, usable & (lengths == SAMPLE_LENGTH))
        messages = _find_messages(text, array, starts, ends, usable)
        self._keep_tail(text[bounds[-1] :], line_ended=len(ends) > 0)

        items = self._in_order(samples, sample_lines, messages)
        good_bytes = len(samples) * SAMPLE_LENGTH + sum(int(lengths[line]) for line, _ in messages)
        self._count(len(data), good_bytes, len(ends) - len(samples) - len(messages), len(samples))
        return items

    def _keep_tail(self, tail: bytes, *, line_ended: bool) -> None:
        # A line past the limit is given up at once, so that what is pending stays bounded; the
        # rest of it, up to its LF, is bad too.
        self._overlong = (self._overlong and not line_ended) or len(tail) >= LINE_LIMIT
        self._pending = b"" if self._overlong else tail

    def _count(self, bytes_in: int, bytes_good: int, lines_bad: int, samples: int) -> None:
        old = self._counters
        total, good = old.bytes_in + bytes_in, old.bytes_good + bytes_good
        self._counters = replace(
            old,
            bytes_in=total,
            bytes_good=good,
            bytes_bad=total - good - len(self._pending),
            bytes_pending=len(self._pending),
            lines_bad=old.lines_bad + lines_bad,
            samples=old.samples + samples,
            samples_lost=self._timeline.samples_lost,
            restarts=self._timeline.restarts,
        )

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
    """Return the good samples, still wrapped, and the number of the line each came on."""
    candidates = np.flatnonzero(fitting)
    rows = array[starts[candidates][:, np.newaxis] + _COLUMNS]
    samples, good = parse_samples(rows)
    return samples, candidates[good]


def _find_messages(
    text: bytes,
    array: NDArray[np.uint8],
    starts: NDArray[np.intp],
    ends: NDArray[np.intp],
    usable: NDArray[np.bool_],
) -> list[tuple[int, Hello | Tally | Fault | Answer]]:
    """Return the good messages, each with the number of its line."""
    candidates = np.flatnonzero(usable & np.isin(array[starts], _MESSAGE_KINDS))
    parsed = (
        (int(line), parse_message(text[starts[line] : ends[line] - 1])) for line in candidates
    )
    return [(line, message) for line, message in parsed if message is not None]
