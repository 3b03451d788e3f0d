"""Single keys from a pseudo-terminal; the terminal is put back however it ends."""

from __future__ import annotations

import io
import os
import re
import subprocess
import sys
from collections.abc import Iterator

import pytest

from coilbench.analysis.cli import keyboard as module
from coilbench.analysis.cli.keyboard import ConsoleKeyboard, open_keyboard

termios = pytest.importorskip("termios")


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[int, int]]:
    """Make standard input a terminal; returns the person's end and the program's."""
    master, slave = os.openpty()
    with os.fdopen(slave, "r", closefd=False) as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield master, slave
    os.close(slave)
    os.close(master)


def test_keys_come_one_by_one_without_enter(terminal: tuple[int, int]) -> None:
    with open_keyboard() as keys:
        assert keys.off is None
        assert keys.wait(0.0) == ""
        os.write(terminal[0], b"r")
        assert keys.wait(1.0) == "r"
        os.write(terminal[0], "ö".encode()[:1])
        assert keys.wait(1.0) == ""  # half a letter
        os.write(terminal[0], "ö".encode()[1:])
        assert keys.wait(1.0) == "ö"


def test_the_terminal_is_put_back_on_any_exit(terminal: tuple[int, int]) -> None:
    before = termios.tcgetattr(terminal[1])

    def interrupted() -> None:
        with open_keyboard():
            during = termios.tcgetattr(terminal[1])
            assert not during[3] & (termios.ICANON | termios.ECHO)
            assert during[3] & termios.ISIG  # Ctrl-C still interrupts
            assert during[6][termios.VSUSP] == b"\x00"  # Ctrl-Z would stop the capture
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert termios.tcgetattr(terminal[1]) == before


def test_a_terminal_that_goes_away_turns_the_keys_off(
    terminal: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_keyboard() as keys:
        os.write(terminal[0], b"x")

        def gone(_fd: int, _most: int) -> bytes:
            raise OSError(5, "Input/output error")

        with monkeypatch.context() as patch:
            patch.setattr(module.os, "read", gone)
            assert keys.wait(1.0) == ""
        assert keys.off == "the terminal is gone"
        assert keys.wait(0.0) == ""


def test_without_a_terminal_the_keys_are_off_and_say_why(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("rrr"))
    with open_keyboard() as keys:
        assert keys.off == "the input is no terminal"
        assert keys.wait(0.0) == ""


def test_in_the_background_the_keys_are_off(
    terminal: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(module.os, "tcgetpgrp", lambda _fd: os.getpgrp() + 1)
    with open_keyboard() as keys:
        assert keys.off == "running in the background"


def test_a_console_without_termios_gives_keys_too(
    terminal: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stand-in for Windows' msvcrt, as its documentation says it behaves; not tried there."""

    class Console:
        waiting: tuple[str, ...] = ("r", "\xe0", "H", "s")

        def kbhit(self) -> bool:
            return bool(self.waiting)

        def getwch(self) -> str:
            first, *rest = self.waiting
            self.waiting = tuple(rest)
            return first

    monkeypatch.setitem(sys.modules, "termios", None)
    monkeypatch.setitem(sys.modules, "msvcrt", Console())
    with open_keyboard() as keys:
        assert isinstance(keys, ConsoleKeyboard)
        assert keys.wait(1.0) == "rs"  # an arrow key's second half is no letter
        assert keys.wait(0.0) == ""


def test_a_system_that_has_neither_says_so(
    terminal: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "termios", None)
    monkeypatch.setitem(sys.modules, "msvcrt", None)
    with open_keyboard() as keys:
        assert re.search("system.*single", keys.off)


def test_no_command_needs_termios_to_be_loaded() -> None:
    """As on Windows; pyserial, which there takes another module, is loaded before."""
    modules = ("live", "daemon", "weigh", "gauge", "rig", "rig_check", "note", "demo")
    loads = "; ".join(f"import coilbench.analysis.cli.{name}" for name in modules)
    blocked = "; ".join(f"sys.modules[{name!r}] = None" for name in ("termios", "tty", "fcntl"))
    done = subprocess.run(
        [sys.executable, "-c", f"import sys, serial, filelock; {blocked}; {loads}"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
