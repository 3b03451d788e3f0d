"""Lines broken on words, where a terminal is narrower than what is printed on it."""

from __future__ import annotations

import shutil
import sys
import textwrap
from typing import Any, TextIO, cast

HANGING = 4  # how much further in the line goes on


class WrappingStream:
    """A terminal's stream. What is no single plain line passes as it is: tables, JSON, frames."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        """Write a text, a single line of it broken on words."""
        return self._stream.write(wrapped(text, shutil.get_terminal_size().columns))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def wrapped(text: str, width: int) -> str:
    """Return a text with its only line broken on words into lines of at most width characters.

    A word that is longer than a line, a path perhaps, is not broken. With line ends or escape
    codes of its own the text is returned as it is.
    """
    line = text.removesuffix("\n") if isinstance(text, str) else ""
    if len(line) <= width or "\n" in line or "\x1b" in line:
        return text
    indent = " " * (len(line) - len(line.lstrip()) + HANGING)
    broken = textwrap.fill(
        line,
        width,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return broken + text[len(line) :]


def wrap_terminals() -> None:
    """Break what this program prints on a terminal on words from now on."""
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is not None and stream.isatty():
            setattr(sys, name, cast(TextIO, WrappingStream(stream)))
