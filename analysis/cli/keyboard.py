"""Single keys from the terminal, without Enter; the terminal is put back on any exit."""

from __future__ import annotations

import atexit
import codecs
import os
import select
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module
from typing import Any

_NAP_S = 0.02  # between looks, where the system can't wait for a key


class Keyboard:
    """Where keys come from: here nowhere. `off` says why; it is None where there are keys."""

    def __init__(self, off: str | None) -> None:
        self.off = off

    def wait(self, timeout_s: float) -> str:
        """Return what was typed, waiting at most timeout_s for it; empty where nothing was."""
        time.sleep(timeout_s)
        return ""


@contextmanager
def open_keyboard() -> Iterator[Keyboard]:
    """Take single keys for as long as this is open; where that can't be, say why in `off`."""
    if not sys.stdin.isatty():
        yield Keyboard("the input is no terminal")
        return
    try:
        import termios
    except ImportError:  # Windows
        yield _console_keyboard()
        return
    fd = sys.stdin.fileno()
    if _in_background(fd):
        yield Keyboard("running in the background")
        return
    before = termios.tcgetattr(fd)

    def put_back() -> None:
        termios.tcsetattr(fd, termios.TCSADRAIN, before)

    keys = termios.tcgetattr(fd)
    keys[3] &= ~(termios.ICANON | termios.ECHO)  # local modes; Ctrl-C still interrupts
    keys[6][termios.VMIN], keys[6][termios.VTIME] = 1, 0
    keys[6][termios.VSUSP] = b"\x00"  # Ctrl-Z would stop the capture with the screen
    atexit.register(put_back)
    termios.tcsetattr(fd, termios.TCSADRAIN, keys)
    try:
        yield _TerminalKeyboard(fd)
    finally:
        put_back()
        atexit.unregister(put_back)


def _in_background(fd: int) -> bool:
    """Tell whether another job has the terminal: asking it for keys would stop this one."""
    try:
        return os.tcgetpgrp(fd) != os.getpgrp()
    except OSError:  # a terminal, but not the one this process belongs to
        return False


class _TerminalKeyboard(Keyboard):
    """Keys from a terminal's file descriptor (POSIX)."""

    def __init__(self, fd: int) -> None:
        super().__init__(None)
        self._fd = fd
        self._decoder = codecs.getincrementaldecoder("utf-8")("replace")

    def wait(self, timeout_s: float) -> str:
        """Return what was typed; a terminal that is gone is no error, it turns the keys off."""
        if self.off is not None:
            return super().wait(timeout_s)
        if not select.select([self._fd], [], [], timeout_s)[0]:
            return ""
        try:
            data = os.read(self._fd, 1024)
        except OSError:
            data = b""
        if not data:
            self.off = "the terminal is gone"
        return self._decoder.decode(data)


def _console_keyboard() -> Keyboard:
    try:
        return ConsoleKeyboard()
    except ImportError:
        return Keyboard("this system gives no single keys")


class ConsoleKeyboard(Keyboard):
    """Keys from a Windows console. Written from Python's documentation, not tried on Windows."""

    def __init__(self) -> None:
        super().__init__(None)
        self._console: Any = import_module("msvcrt")

    def wait(self, timeout_s: float) -> str:
        """Return what was typed."""
        end_s = time.monotonic() + timeout_s
        while not self._console.kbhit():
            if time.monotonic() >= end_s:
                return ""
            time.sleep(_NAP_S)
        typed = ""
        while self._console.kbhit():
            key = self._console.getwch()
            if key in ("\x00", "\xe0"):  # a cursor or function key: its second half is no letter
                self._console.getwch()
            else:
                typed += key
        return typed
