"""`live` in a terminal of its own: keys, attaching and leaving, and how the terminal is left."""

from __future__ import annotations

import re
import shutil
import signal
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from coilbench.analysis.cli import run

pytest.importorskip("termios")
from support.terminal import CODES, Terminal

Terminals = list[Any]
AT_REST = "virtual:?seed=1&springs=0"  # however long a test takes, its set is never done


@pytest.fixture
def demo(calibrated_book: Path, tmp_path: Path) -> Path:
    """A book with the demo's calibration: the virtual rig of seed 1 is the demo's rig."""
    return Path(shutil.copy(calibrated_book, tmp_path / "demo.db"))


@pytest.fixture
def terminals() -> Iterator[Terminals]:
    opened: Terminals = []
    yield opened
    for one in opened:
        one.close()


def counted(book: Path, name: str) -> list[tuple[str, int]]:
    with closing(sqlite3.connect(book)) as db:
        return db.execute(
            "SELECT label, sweeps_counted FROM spring_summary WHERE set_name = ? ORDER BY label",
            [name],
        ).fetchall()


def test_the_last_stroke_of_a_set_is_redone_by_a_key_and_the_terminal_put_back(
    demo: Path, terminals: Terminals
) -> None:
    run(["--book", str(demo), "set", "new", "ash", "--role", "outer", "--count", "2"])
    port = "virtual:?pace=fast&ends=0&springs=2&seed=1"
    screen = Terminal("--book", str(demo), "live", "--port", port, "--set", "ash")
    terminals.append(screen)
    screen.wait_for("the set ash is done")
    screen.wait_for("press it once more")
    assert counted(demo, "ash") == [("ash-01", 3), ("ash-02", 3)]
    screen.press("r")
    screen.wait_for("ash-02.*counts")
    assert counted(demo, "ash") == [("ash-01", 3), ("ash-02", 2)]
    screen.press("nfirst of all\r")
    screen.wait_for("ash-02.*called first of all")
    assert screen.rings > 0
    screen.press("f")
    screen.wait_for("unfinished")  # a spring is: it asks once
    screen.press_until_end("yf")  # and for the closing press
    assert screen.end() == 0
    assert "\x1b[?1049l" in screen.written  # the screen that was there before
    assert "\x1b[?25h" in screen.written  # and the cursor
    assert re.search(r"\b1 of 2 springs", CODES.sub("", screen.written))
    assert counted(demo, "ash") == [("ash-01", 3), ("first of all", 2)]


@pytest.mark.parametrize("how", [signal.SIGTERM, signal.SIGHUP])
def test_told_to_end_it_closes_the_capture_and_puts_the_terminal_back(
    demo: Path, terminals: Terminals, how: signal.Signals
) -> None:
    name = f"elm-{how.name.lower()}"
    run(["--book", str(demo), "set", "new", name, "--role", "outer", "--count", "2"])
    screen = Terminal("--book", str(demo), "live", "--port", AT_REST, "--set", name)
    terminals.append(screen)
    screen.wait_for("link good")
    screen.process.send_signal(how)
    assert screen.end() == 0
    assert "\x1b[?1049l" in screen.written
    with closing(sqlite3.connect(demo)) as db:
        assert db.execute("SELECT count(*) FROM sessions WHERE ended_utc IS NULL").fetchone() == (
            0,
        )


def test_two_dashboards_look_on_command_and_leave_and_the_daemon_goes_on(
    demo: Path, terminals: Terminals
) -> None:
    book = str(demo)
    run(["--book", book, "set", "new", "fir", "--role", "outer", "--count", "3"])
    daemon = Terminal("--book", book, "daemon", "--port", AT_REST, "--set", "fir")
    terminals.append(daemon)
    daemon.wait_for("connected to")
    first, second = (Terminal("--book", book, "live", "--no-bell") for _ in range(2))
    terminals += [first, second]
    for screen in (first, second):
        screen.wait_for(">fir-01")
        screen.wait_for("kg  height")
    # one of them commands, both show it: the state is the capture's, not the screen's
    first.press("nB\r")
    for screen in (first, second):
        screen.wait_for("fir-01.*called B")
    second.press("q")
    assert second.end() == 0
    assert re.search("capture continues", CODES.sub("", second.written))
    third = Terminal("--book", book, "live")  # a later one shows the same again
    terminals.append(third)
    third.wait_for(">B ")
    assert daemon.process.poll() is None
    first.press("f")
    for screen in (first, third):
        screen.wait_for("unfinished")
    third.press_until_end("y")  # whichever screen answers
    for screen in (first, third, daemon):
        assert screen.end() == 0
    assert first.rings == 0
    assert re.search("capture.*finished", CODES.sub("", first.written))


def test_a_capture_that_was_killed_is_not_shown_as_alive(demo: Path, terminals: Terminals) -> None:
    book = str(demo)
    run(["--book", book, "set", "new", "oak", "--role", "outer", "--count", "3"])
    daemon = Terminal("--book", book, "daemon", "--port", AT_REST, "--set", "oak")
    terminals.append(daemon)
    daemon.wait_for("connected to")
    screen = Terminal("--book", book, "live")
    terminals.append(screen)
    screen.wait_for("link good")
    daemon.process.kill()
    assert screen.end() == 2
    said = " ".join(CODES.sub("", screen.written).split())
    assert "treat the spring as loaded" in said
    assert "Begin it again" in said


def test_what_cannot_begin_says_why_and_leaves_the_terminal_as_it_was(
    demo: Path, terminals: Terminals
) -> None:
    run(["--book", str(demo), "set", "new", "yew", "--role", "outer", "--count", "1"])
    run(["--book", str(demo), "daemon", "--port", "virtual:?pace=fast&springs=1", "--set", "yew"])
    for name, port, words, status in (
        ("none such", "virtual:", "there is no set 'none such'", 2),
        ("yew", "/dev/no-such-port", "/dev/no-such-port", 2),
        ("yew", "virtual:", "1 of 1 springs done", 0),  # all is measured already
    ):
        screen = Terminal("--book", str(demo), "live", "--port", port, "--set", name)
        terminals.append(screen)
        assert screen.end() == status
        told = CODES.sub("", screen.written)
        assert words in told
        assert "Traceback" not in told
