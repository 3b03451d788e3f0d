"""What is printed, rewritten on its way out: text and nothing else, its commands with their units.

Whatever a command prints goes through `printed_with`: what came from a file or a device steers no
terminal. Frames and tables have codes of their own; the console that draws them, in
`plain_console.py`, makes their words plain first.
"""

from __future__ import annotations

import os
import re
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, TextIO, cast

from coilbench.analysis.cli.registry import COMMANDS
from coilbench.capture.plain import plain, writable

HANGING = 4  # how much further in the line goes on


class RewritingStream:
    """A stream whose texts are rewritten, each as it is written."""

    def __init__(self, stream: TextIO, rewrite: Callable[[str], str]) -> None:
        self._stream, self._rewrite = stream, rewrite

    def write(self, text: str) -> int:
        """Write a text, rewritten."""
        return self._stream.write(self._rewrite(text))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def fitted(text: str) -> str:
    """Return a text broken for this terminal; tables, JSON and frames pass as they are."""
    return wrapped(text, shutil.get_terminal_size().columns)


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
            setattr(sys, name, cast(TextIO, RewritingStream(stream, fitted)))


_NAMES = "|".join(
    line.split()[0] for lines in COMMANDS.values() for line in lines.strip().splitlines()
)
_COMMAND = re.compile(rf"\bcoilbench (?=(?:{_NAMES})\b)")


def with_options(text: str, options: str) -> str:
    """Return a text in which every command of this program has these options before its name.

    A frame of the full screen, with escape codes of its own, has no room for them, and a JSON
    document is the same in all units: both are returned as they are.
    """
    if "\x1b" in text or text.startswith("{"):
        return text
    return _COMMAND.sub(lambda found: f"{found[0]}{options} ", text)


class _Gate(RewritingStream):
    """What a command prints on, whatever the encoding behind it.

    Attributes:
        encoding: of no matter to who writes; click would go round a stream that says ASCII.
        rich_proxied_file: where Rich writes instead, who asks every file for it.
    """

    encoding = "utf-8"

    def __init__(self, stream: TextIO, options: str) -> None:
        written_in = stream.encoding or "utf-8"
        drawn = RewritingStream(stream, lambda text: writable(_opted(text, options), written_in))
        super().__init__(cast(TextIO, drawn), plain)
        self.rich_proxied_file = drawn


def _opted(text: str, options: str) -> str:
    return with_options(text, options) if options else text


@contextmanager
def printed_with(options: str) -> Iterator[None]:
    """Print plain text meanwhile, and every command with these options, so that it can be typed."""
    plain_names = ("stdout", "stderr")
    before = {name: getattr(sys, name) for name in plain_names}
    with ExitStack() as stack:
        for name, stream in before.items():
            if stream is None:  # closed by who started the program
                stream = stack.enter_context(Path(os.devnull).open("w", encoding="utf-8"))
            setattr(sys, name, cast(TextIO, _Gate(stream, options)))
        try:
            yield
        finally:
            for name, stream in before.items():
                setattr(sys, name, stream)
