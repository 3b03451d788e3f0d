"""Whole frames as they were looked at and found good, and what a terminal makes of them.

After a change that is meant: `python tests/bench/demo_scene.py golden`, look at
what changed, commit it.
"""

from __future__ import annotations

import html
import io
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console
from rich.live import Live

import demo_scene
from coilbench.analysis.dashboard.frame import frame
from demo_scene import ALARMS, GOLDEN, LOOKS, SCENE, drawn
from support.tools import tool

DEMO_SCENE = Path(demo_scene.__file__)
PICTURE = Path(__file__).parents[3] / "hardware" / "pictures" / "dashboard.svg"


FRAMES: dict[str, tuple[Any, ...]] = {**LOOKS, **ALARMS}


@pytest.mark.parametrize("name", FRAMES)
def test_a_frame_looks_as_it_was_found_good(name: str) -> None:
    assert drawn(*FRAMES[name]) == (GOLDEN / f"live-{name}.txt").read_text("utf-8")


Show = Callable[[str, int, int], Callable[[], str]]


@pytest.fixture
def show(tmp_path: Path) -> Iterator[Show]:
    """Run a command in a real terminal (tmux); gives what shows what is on it, colours and all."""
    base = [tool("tmux"), "-f", "/dev/null", "-S", str(tmp_path / "tmux")]

    def look() -> str:
        shot = subprocess.run([*base, "capture-pane", "-p", "-e"], check=True, capture_output=True)
        return shot.stdout.decode("utf-8")

    def run(command: str, width: int, height: int) -> Callable[[], str]:
        size = ["-x", str(width), "-y", str(height)]
        subprocess.run([*base, "new-session", "-d", *size, command], check=True)
        return look

    yield run
    subprocess.run([*base, "kill-server"], check=False, capture_output=True)


COLOURS = re.compile(r"\x1b\[([0-9;]*)m")


def plain(shot: str) -> str:
    lines = (line.rstrip() for line in COLOURS.sub("", shot).splitlines())
    return "\n".join(lines) + "\n"


@pytest.mark.parametrize(
    ("name", "no_colour"), [("80x24", False), ("200x60", True), ("80x24-ascii", False)]
)
def test_a_terminal_shows_the_golden_frame(show: Show, name: str, no_colour: bool) -> None:
    width, height, ascii_only = LOOKS[name]
    look = show(
        f"env -u COLUMNS -u LINES LANG=C.UTF-8 "
        f"{'NO_COLOR=1' if no_colour else ''} "
        f"{sys.executable} {DEMO_SCENE} {'ascii' if ascii_only else ''}",
        width,
        height,
    )
    wanted = (GOLDEN / f"live-{name}.txt").read_text("utf-8")
    end_s, shot = time.monotonic() + 60.0, ""
    while plain(shot) != wanted and time.monotonic() < end_s:
        time.sleep(0.1)
        shot = look()
    assert plain(shot) == wanted
    used = {int(number) for codes in COLOURS.findall(shot) for number in codes.split(";") if number}
    assert not used & {*range(40, 49), *range(100, 108)}  # no background: dark and light alike
    assert used & {31, 32} if not no_colour else not used & {*range(30, 38), *range(90, 98)}


def test_frames_are_drawn_over_each_other_without_flicker() -> None:
    """Nothing is erased between two frames: each is written over the last, in one piece."""
    pieces: list[str] = []

    class Out(io.StringIO):
        def write(self, text: str) -> int:
            pieces.append(text)
            return len(text)

    console = Console(file=Out(), width=80, height=24, force_terminal=True, _environ={})
    with Live(console=console, auto_refresh=False, screen=True) as live:
        for _ in range(3):
            pieces.append("<frame>")
            live.update(frame(SCENE, width=80, height=24, ascii_only=False), refresh=True)
    written = "".join(pieces).split("<frame>")[1:]
    assert len(written) == 3
    for text in written[:2]:
        assert "\x1b[2J" not in text
        assert "\x1b[J" not in text
        assert "\x1b[?1049" not in text
    assert written[0] == written[1]
    assert "\x1b[?1049l" in written[2]  # at the end the old screen comes back
    assert "\x1b[?25h" in written[2]  # and the cursor


def test_the_readmes_picture_is_of_this_dashboard_and_needs_nothing_from_elsewhere() -> None:
    text = PICTURE.read_text("utf-8")
    # another version of rich may space it otherwise, but what it says is the scene's
    said = re.sub(r"\s+", " ", html.unescape("".join(re.findall(r">([^<]+)</text>", text))))
    for words in re.findall(r"\S+", drawn(110, 34, ascii_only=False)):
        assert words in said
    assert re.findall(r"https?://[^\"]*", text) == ["http://www.w3.org/2000/svg"]
