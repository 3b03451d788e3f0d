"""A recording of the wire's raw bytes, replayed."""

from __future__ import annotations

from pathlib import Path
from typing import BinaryIO

from coilbench.capture.blocks import Item, LinkCounters
from coilbench.capture.errors import CoilbenchError
from coilbench.capture.sources.base import Source, SourceEnded
from coilbench.capture.wire.decode import Decoder

_SCHEME = "recording:"
_CHUNK = 65_536  # bytes a poll


class RecordingSource(Source):
    """A Source that reads an open file of raw bytes, as fast as it is polled, and closes it."""

    comes_back = False

    def __init__(self, url: str, file: BinaryIO) -> None:
        self.url = url
        self._file = file
        self._decoder = Decoder()

    @property
    def counters(self) -> LinkCounters:
        """A snapshot of the counters."""
        return self._decoder.counters

    def poll(self, timeout_s: float) -> list[Item]:
        """Return what the next chunk holds; CoilbenchError where the file can't be read."""
        try:
            data = b"" if self._file.closed else self._file.read(_CHUNK)
        except OSError as error:
            raise _unreadable(self.url, error) from error
        if not data:
            raise SourceEnded("the recording is at its end", where=self.url)
        return self._decoder.feed(data)

    def request(self, word: str) -> None:
        """Do nothing: a recording answers no requests, it holds the answers once given."""

    def close(self) -> None:
        """Close the file; safe to call twice."""
        self._file.close()


def open_recording(url: str) -> RecordingSource:
    """Open `recording:FILE`.

    Raises:
        CoilbenchError: there is no such file, it can't be read, or it is empty.
    """
    path = Path(url[len(_SCHEME) :])
    try:
        size = path.stat().st_size
        file = path.open("rb")
    except OSError as error:
        raise _unreadable(url, error) from error
    if size == 0:
        file.close()
        raise CoilbenchError(
            "the recording is empty", where=url, hint="Record again, with the rig connected"
        )
    return RecordingSource(url, file)


def _unreadable(url: str, error: OSError) -> CoilbenchError:
    return CoilbenchError(
        f"the recording can't be read ({error.strerror or error})",
        where=url,
        hint="Write it like recording:bench.wire",
    )
