"""What every source of samples offers, and how a source is asked to identify its rig."""

from __future__ import annotations

import time
from abc import ABC, abstractmethod
from collections.abc import Callable
from typing import Self

from coilbench.capture.blocks import PROTOCOL_VERSION, Hello, Item, LinkCounters
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources.losses import LinkError


class SourceEnded(CoilbenchError):
    """A recording is at its end; there is nothing more to come."""


GATHER_S = 0.04  # ours: half of what an eye takes for at once


class Source(ABC):
    """A stream of RawBlocks and messages.

    A source never blocks without a limit and is used from one thread.

    Attributes:
        url: the address it was opened with.
        gather_s: how long a poll may wait for more once something has come; where the work is done
            by the poll and not by the sample, it is done more rarely.
    """

    url: str
    comes_back = True  # whether opening it again, once it is lost, may help
    gather_s = GATHER_S

    @property
    @abstractmethod
    def counters(self) -> LinkCounters:
        """A snapshot of the counters."""

    @abstractmethod
    def poll(self, timeout_s: float) -> list[Item]:
        """Return what arrived, waiting at most timeout_s for the first of it.

        Raises:
            SourceLost: the device is gone.
            SourceEnded: a recording is at its end.
        """

    @abstractmethod
    def request(self, word: str) -> None:
        """Send a request (`who`, `start`, `stop`, `zero`, `ack`); its answer comes by poll."""

    @abstractmethod
    def close(self) -> None:
        """Let the device go; safe to call twice."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


IDENTIFY_S = 3.0  # a board that restarts when its port opens needs about two
GARBAGE_BYTES = 65_536  # without one good line among them: whatever sends them is no rig of ours
_ASK_AGAIN_S = 1.0  # a board that restarts when its port opens misses the first questions
_POLL_S = 0.1


def identify(
    source: Source, timeout_s: float = IDENTIFY_S, clock: Callable[[], float] = time.monotonic
) -> tuple[Hello, list[Item]]:
    """Ask who is there until a hello comes.

    Returns:
        The hello, and everything that came meanwhile in its order, the hello included.

    Raises:
        LinkError: nothing came, nothing that could be understood came, no hello came, or the
            rig speaks another version of the protocol.
        SourceLost: the device went away.
    """
    seen: list[Item] = []
    start_s = next_ask_s = clock()
    while (now_s := clock()) - start_s < timeout_s:
        if now_s >= next_ask_s:
            source.request("who")
            next_ask_s = now_s + _ASK_AGAIN_S
        try:
            arrived = source.poll(min(_POLL_S, start_s + timeout_s - now_s))
        except SourceEnded as error:
            heard = source.counters
            raise LinkError(
                "no_hello_by_end", where=source.url, bytes=heard.bytes_in, samples=heard.samples
            ) from error
        seen.extend(arrived)
        if source.counters.bytes_good == 0 and source.counters.bytes_in >= GARBAGE_BYTES:
            break
        hello = next((item for item in arrived if isinstance(item, Hello)), None)
        if hello is not None:
            _check_version(source.url, hello)
            return hello, seen
    raise _no_hello(source, timeout_s)


def _check_version(url: str, hello: Hello) -> None:
    if hello.protocol != PROTOCOL_VERSION:
        raise LinkError(
            "other_protocol",
            where=url,
            firmware=hello.firmware or "firmware unknown",
            protocol=hello.protocol,
            own_protocol=PROTOCOL_VERSION,
        )


def _no_hello(source: Source, waited_s: float) -> LinkError:
    heard, url = source.counters, source.url
    if heard.bytes_in == 0:
        return LinkError("no_byte", where=url, waited_s=waited_s)
    if heard.bytes_good == 0 and heard.bytes_in >= GARBAGE_BYTES:
        return LinkError("nothing_readable", where=url, kib=GARBAGE_BYTES // 1024)
    if heard.bytes_good == 0:
        return LinkError("no_good_line", where=url, bytes=heard.bytes_in, waited_s=waited_s)
    return LinkError("no_hello", where=url, samples=heard.samples, waited_s=waited_s)
