"""What every source of samples offers, whatever is behind it."""

from __future__ import annotations

from abc import ABC, abstractmethod
from types import TracebackType
from typing import Self

from coilbench.capture.errors import CoilbenchError
from coilbench.capture.messages import Item, LinkCounters


class SourceLost(CoilbenchError):
    """The device went away (unplugged, closed, refused); opening it again may work."""


class SourceEnded(CoilbenchError):
    """A recording is at its end; there is nothing more to come."""


class Source(ABC):
    """A stream of RawBlocks and messages.

    A source never blocks for ever and is used from one thread.

    Attributes:
        url: the address it was opened with.
    """

    url: str

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

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()
