"""The guides' words on narrow terminals: whole calibrations, and no word is cut in two."""

from __future__ import annotations

import io
import re
import sys
from pathlib import Path

import pytest
from rich.console import Console

from coilbench.analysis.cli import run
from coilbench.analysis.cli.guiding import _StateLine
from coilbench.analysis.cli.wrapping import wrap_terminals
from coilbench.analysis.report.guide_text import GUIDE_PHRASES

CODES = re.compile(r"\x1b\[[0-9;?]*[a-zA-Z]")
WIDE = 500
WIDTHS = (40, 60, 80)
GUIDES = {
    "weigh": ("--masses-err", "together"),
    "gauge": ("--lengths", "0mm,20mm,40mm"),
    "flex": (),
}


class Tty(io.StringIO):
    """What is written to a terminal."""

    def isatty(self) -> bool:
        return True

    def lines(self) -> list[str]:
        return [line.rstrip() for line in re.split(r"[\r\n]+", CODES.sub("", self.getvalue()))]

    def words(self) -> set[str]:
        """Words alone: what is read differs from run to run by when it was looked at."""
        found = re.findall(r"\S+", " ".join(self.lines()))
        return {word for word in found if re.fullmatch(r"[(]?[A-Za-z'-]+[.,;:?)]*", word)}


def guided(book: Path, guide: str, width: int, monkeypatch: pytest.MonkeyPatch) -> Tty:
    """Follow a whole guide on a terminal so wide."""
    shown = Tty()
    monkeypatch.setattr(sys, "stdout", shown)
    wrap_terminals()
    monkeypatch.setenv("COLUMNS", str(width))
    monkeypatch.setenv("LINES", "24")
    monkeypatch.setenv("TERM", "xterm")
    port = f"virtual:?do={guide}&pace=fast&ends=0"
    arguments = ["rig", guide, "--port", port, "--no-bell", *GUIDES[guide]]
    assert run(["--book", str(book), *arguments]) == 0
    return shown


def test_whole_calibrations_on_narrow_terminals(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # in this order: each needs the one before
    for guide, width in zip(GUIDES, WIDTHS, strict=True):
        shown = guided(tmp_path / "book.db", guide, width, monkeypatch)
        # in a book of its own, as a second one has other things to say: how it compares
        whole = guided(tmp_path / "wide.db", guide, WIDE, monkeypatch).words()
        assert len(whole) > 20
        assert shown.words() <= whole
        assert max(map(len, shown.lines())) <= width


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("phrase", GUIDE_PHRASES)
def test_every_phrase_of_a_guide_said_and_shown(phrase: str, width: int) -> None:
    words = GUIDE_PHRASES[phrase]
    shown = Tty()
    line = _StateLine(Console(file=shown, width=width, force_terminal=True, markup=False))
    with line.live:
        line.show(words)
        line.say(f"   {words}", "bold")
    assert max(map(len, shown.lines())) <= width
    assert set(" ".join(shown.lines()).split()) == set(words.split())


def test_in_a_file_a_line_is_a_line() -> None:
    shown = io.StringIO()
    line = _StateLine(Console(file=shown, width=40))
    line.say("word " * 40)
    line.show("the state")
    assert shown.getvalue().count("\n") == 1
