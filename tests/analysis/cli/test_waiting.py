"""Waiting for a search: it ends in time or by Ctrl-C, and is shown on a terminal alone."""

import io
import os
import signal
import sys
import threading
import time
from collections.abc import Iterator

import pytest

from coilbench.analysis.cli.waiting import Waiting


@pytest.fixture(autouse=True)
def _taken() -> Iterator[None]:
    """SIGINT is as in a terminal, also where the tests were started with it ignored."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


def test_a_search_has_the_seconds_it_is_given_from_its_first_look_at_the_clock() -> None:
    with Waiting(0.0) as waiting:
        assert waiting.left_s() <= 0.0
    with Waiting(1000.0) as waiting:
        assert 900.0 < waiting.left_s() <= 1000.0


def test_work_done_beside_gives_its_answer_or_its_error() -> None:
    with Waiting(100.0) as waiting:
        assert waiting.run(lambda: 7) == 7
        with pytest.raises(ZeroDivisionError):
            waiting.run(lambda: 1 // 0)


def test_ctrl_c_gives_up_the_work_that_runs_and_ends_the_search() -> None:
    never = threading.Event()
    with Waiting(1000.0) as waiting:
        threading.Timer(0.2, os.kill, (os.getpid(), signal.SIGINT)).start()
        assert waiting.run(lambda: never.wait(60.0)) is None
        assert waiting.left_s() == 0.0
        assert waiting.run(lambda: never.wait(60.0)) is None  # nothing begins after that
    never.set()


def test_a_second_ctrl_c_is_the_programs_own_and_so_is_one_after_the_search() -> None:
    before = signal.getsignal(signal.SIGINT)
    with Waiting(1000.0) as waiting:
        waiting.left_s()
        signal.raise_signal(signal.SIGINT)
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    assert signal.getsignal(signal.SIGINT) == before


def test_what_comes_next_has_its_time_after_ctrl_c_too() -> None:
    with Waiting(1000.0) as waiting:
        waiting.left_s()
        signal.raise_signal(signal.SIGINT)
        waiting.at_least(50.0)
        assert 0.0 < waiting.left_s() <= 50.0
        assert waiting.run(lambda: 7) == 7
        signal.raise_signal(signal.SIGINT)
        assert waiting.left_s() == 0.0
    with Waiting(1000.0) as waiting:
        waiting.at_least(50.0)
        assert waiting.left_s() > 900.0


def test_work_that_overruns_its_time_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("coilbench.analysis.cli.waiting.GRACE_S", 0.0)
    never = threading.Event()
    with Waiting(0.0) as waiting:
        assert waiting.run(lambda: never.wait(60.0)) is None
    never.set()


class _Screen(io.StringIO):
    def __init__(self, *, tty: bool) -> None:
        super().__init__()
        self.tty = tty

    def isatty(self) -> bool:
        return self.tty


@pytest.mark.parametrize("tty", [True, False])
def test_what_takes_long_is_shown_on_a_terminal_and_nowhere_else(
    tty: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    screen = _Screen(tty=tty)
    monkeypatch.setattr(sys, "stderr", screen)
    monkeypatch.setattr("coilbench.analysis.cli.waiting.SHOWN_AFTER_S", 0.0)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("NO_COLOR", "1")
    with Waiting(100.0) as waiting:
        waiting.tell(0.3553, 0.3528)
        waiting.left_s()
        deadline = time.monotonic() + 5.0
        while tty and "0.3528" not in screen.getvalue() and time.monotonic() < deadline:
            time.sleep(0.01)
    if tty:
        assert "best so far 0.3553, none is below 0.3528" in screen.getvalue()
        assert "\x1b[3" not in screen.getvalue()  # no colour
    else:
        assert screen.getvalue() == ""
